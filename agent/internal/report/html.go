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
var escape = strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&#34;", "'", "&#39;", markSign, "", underSign, "")

// paper writes HTML, with everything that is said escaped in one place. It
// stands for html/template, which keeps the linker from leaving unused methods
// out and makes the program 3.3 MiB larger. The first error stays and is given
// by flush.
type paper struct {
	w    *bufio.Writer
	open []string
	zone *time.Location
	show Units

	columns []string // classes of the open table's
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

// facts opens names and values in columns; fact writes one, end closes them.
func (p *paper) facts() { p.tag("dl", "class", "facts") }

func (p *paper) fact(name, value string) {
	p.tag("div")
	p.put("dt", "", name)
	p.tag("dd")
	p.value(value)
	p.end()
	p.end()
}

// A value is text. It may have small print under it, and a priority's mark
// where it is abnormal; both travel in it, because a string is the least that
// a table of many columns can be made of on a small processor.
const (
	markSign  = "\x1d" // mark and text stand behind one each
	underSign = "\x1e"
)

// with is a value with small print under it.
func with(text, under string) string { return text + underSign + under }

// abnormal is a value with a mark: "high", "medium" or "low"; empty: none.
func abnormal(mark, text string) string {
	if mark == "" {
		return text
	}
	return markSign + mark + markSign + text
}

func (p *paper) value(value string) {
	text, under, _ := strings.Cut(value, underSign)
	if rest, is := strings.CutPrefix(text, markSign); is {
		mark, text, _ := strings.Cut(rest, markSign)
		p.tag("span", "class", "abnormal "+mark)
		p.mark(mark)
		p.say(text)
		p.end()
	} else {
		p.say(text)
	}
	if under != "" {
		p.put("span", "under", under)
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

// table opens one of so many rows; head names its columns, "#" before a name
// sets it to the right as numbers, "!" keeps its words in one line. row writes
// one, endTable closes it.
func (p *paper) table(rows int, head ...string) {
	class := "rows"
	if rows <= wholeRows {
		class = "whole"
	}
	p.tag("table", "class", class)
	p.tag("thead")
	p.tag("tr")
	p.columns = p.columns[:0]
	for _, name := range head {
		class, name := columnClass(name)
		p.columns = append(p.columns, class)
		p.tag("th", "scope", "col", "class", class)
		p.say(name)
		p.end()
	}
	p.end()
	p.end()
	p.tag("tbody")
}

func (p *paper) row(values ...string) {
	p.tag("tr")
	for i, v := range values {
		p.tag("td", "class", p.columns[i])
		p.value(v)
		p.end()
	}
	p.end()
}

func (p *paper) endTable() {
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
