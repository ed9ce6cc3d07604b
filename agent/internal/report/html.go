package report

import (
	"bufio"
	_ "embed"
	"fmt"
	"io"
	"strings"
	"time"
)

//go:embed style.css
var style string

// escape makes text of what might be read as a part of the page. It is
// html.EscapeString, whose package brings a table of 2,000 names along.
var escape = strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&#34;", "'", "&#39;")

// paper writes HTML, with everything that is said escaped in one place. It
// stands for html/template, which keeps the linker from leaving unused methods
// out and makes the program 3.3 MiB larger. The first error stays and is given
// by flush.
type paper struct {
	w    *bufio.Writer
	open []string
	zone *time.Location
	show Units
}

func newPaper(w io.Writer, zone *time.Location) *paper {
	return &paper{w: bufio.NewWriterSize(w, 1<<16), zone: zone}
}

// tag opens an element; attributes are names and values in turn.
func (p *paper) tag(name string, attributes ...string) {
	p.start(name, attributes)
	p.open = append(p.open, name)
}

func (p *paper) start(name string, attributes []string) {
	p.raw("<" + name)
	for i := 0; i+1 < len(attributes); i += 2 {
		p.raw(" " + attributes[i] + `="` + escape.Replace(attributes[i+1]) + `"`)
	}
	p.raw(">")
}

// raw writes what this room itself has made.
func (p *paper) raw(text string) { p.w.WriteString(text) }

// end closes the innermost element.
func (p *paper) end() {
	last := len(p.open) - 1
	p.raw("</" + p.open[last] + ">")
	p.open = p.open[:last]
	if last <= 4 {
		p.raw("\n")
	}
}

// say writes text.
func (p *paper) say(text string) { p.raw(escape.Replace(text)) }

// put writes an element that holds text; class may be empty.
func (p *paper) put(name, class, text string) {
	if class == "" {
		p.tag(name)
	} else {
		p.tag(name, "class", class)
	}
	p.say(text)
	p.end()
}

// note writes a paragraph of small print.
func (p *paper) note(format string, args ...any) { p.put("p", "note", fmt.Sprintf(format, args...)) }

// flush ends the work and gives the first error that there was.
func (p *paper) flush() error { return p.w.Flush() }

// head writes all that stands before the content. Nothing can be loaded: the
// policy forbids it.
func (p *paper) head(title, foot string) {
	p.raw("<!DOCTYPE html>\n")
	p.tag("html", "lang", "en")
	p.tag("head")
	p.start("meta", []string{"charset", "utf-8"})
	p.start("meta", []string{"http-equiv", "Content-Security-Policy", "content", "default-src 'none'; style-src 'unsafe-inline'; img-src data:"})
	p.start("meta", []string{"name", "viewport", "content", "width=device-width, initial-scale=1"})
	p.start("link", []string{"rel", "icon", "href", "data:,"})
	p.put("title", "", title)
	p.tag("style")
	p.raw(style + "@page { @bottom-left { content: " + cssString(foot) + " } }\n")
	p.end()
	p.end()
	p.tag("body")
}

// cssString is text as a string of a style sheet: all but the harmless is
// written by its number, so that nothing in it can end the string or the sheet.
func cssString(text string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range text {
		if r == ' ' || r == '.' || r == ',' || r == '-' || r >= '0' && r <= '9' || r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z' {
			b.WriteRune(r)
		} else {
			fmt.Fprintf(&b, `\%06x`, r)
		}
	}
	b.WriteByte('"')
	return b.String()
}

// finish closes what is open.
func (p *paper) finish() error {
	for len(p.open) > 0 {
		p.end()
	}
	return p.flush()
}

// section opens one with its heading.
func (p *paper) section(title string) {
	p.tag("section")
	p.put("h2", "", title)
}

// facts writes names and values in columns.
func (p *paper) facts(pairs ...fact) {
	p.tag("dl", "class", "facts")
	for _, f := range pairs {
		p.tag("div")
		p.put("dt", "", f.name)
		p.tag("dd")
		p.cell(f.value)
		p.end()
		p.end()
	}
	p.end()
}

type fact struct {
	name  string
	value cell
}

// cell is one value: text, its priority's mark where it is abnormal, and small
// print under it.
type cell struct {
	text  string
	mark  string // "high", "medium", "low"; empty: as it should be
	under string
}

func plain(text string) cell { return cell{text: text} }

// plains makes cells of texts.
func plains(texts ...string) (row []cell) {
	for _, t := range texts {
		row = append(row, cell{text: t})
	}
	return row
}

func (p *paper) cell(c cell) {
	if c.mark != "" {
		p.tag("span", "class", "abnormal "+c.mark)
		p.mark(c.mark)
		p.say(c.text)
		p.end()
	} else {
		p.say(c.text)
	}
	if c.under != "" {
		p.put("span", "under", c.under)
	}
}

// The shapes of the marks, as on the page: a triangle, a diamond, a bar.
var outlines = map[string]string{
	"high":   "M8 1.5 15 14H1z",
	"medium": "M8 1 15 8l-7 7-7-7z",
	"low":    "M2 4h12v8H2z",
}

func (p *paper) mark(priority string) {
	p.tag("svg", "class", "mark", "viewBox", "0 0 16 16", "aria-hidden", "true")
	p.tag("path", "d", outlines[priority])
	p.end()
	p.end()
}

// wholeRows is up to how many rows a table stays on one page.
const wholeRows = 8

// table writes one; head names its columns, "#" before a name sets it to the
// right as numbers, "!" keeps its words in one line.
func (p *paper) table(head []string, rows [][]cell) {
	class := "rows"
	if len(rows) <= wholeRows {
		class = "whole"
	}
	p.tag("table", "class", class)
	p.tag("thead")
	p.tag("tr")
	for _, name := range head {
		class, name := columnClass(name)
		p.tag("th", "scope", "col", "class", class)
		p.say(name)
		p.end()
	}
	p.end()
	p.end()
	p.tag("tbody")
	for _, row := range rows {
		p.tag("tr")
		for i, c := range row {
			class, _ := columnClass(head[i])
			p.tag("td", "class", class)
			p.cell(c)
			p.end()
		}
		p.end()
	}
	p.end()
	p.end()
}

func columnClass(name string) (class, rest string) {
	if rest, number := strings.CutPrefix(name, "#"); number {
		return "number", rest
	}
	if rest, keep := strings.CutPrefix(name, "!"); keep {
		return "keep", rest
	}
	return "words", name
}

// at is a time in the report's zone, to the minute; "not known" for none.
func (p *paper) at(t time.Time) string {
	if t.IsZero() {
		return "not known"
	}
	return t.In(p.zone).Format("2006-01-02 15:04 MST")
}

// day is the date of a time.
func (p *paper) day(t time.Time) string {
	if t.IsZero() {
		return "not known"
	}
	return t.In(p.zone).Format(time.DateOnly)
}
