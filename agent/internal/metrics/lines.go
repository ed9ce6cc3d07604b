package metrics

import (
	"bufio"
	"math"
	"strconv"
	"strings"
	"time"
)

// lines writes the samples of one name after the other, in the text format of
// Prometheus (version 0.0.4) or of OpenMetrics 1.0. What the rules say of a
// unit passes by once for each name, and all but that name is left out: that
// costs less than to keep it.
type lines struct {
	out        *bufio.Writer // its first error stays in it until it is flushed
	open       bool          // OpenMetrics
	start      time.Time     // of the process
	only       *series
	headed     bool // the name's header is written
	site, unit string
	values     []string // of the labels of one sample
}

// unitLines writes every name of the catalogue of which something is known.
func (p *page) unitLines(out *bufio.Writer, open bool) {
	now := p.latest.Latest()
	e := &lines{out: out, open: open, start: p.start}
	for _, s := range catalogue {
		e.only, e.headed = s, false
		for _, a := range now {
			e.site, e.unit = a.Site, a.Unit
			e.assessment(a)
		}
	}
}

// put writes a sample, if it is one of the name whose turn it is.
func (e *lines) put(s *series, v float64, labels ...string) {
	if s != e.only {
		return
	}
	if !e.headed {
		e.headed = true
		e.head(s)
	}
	e.name(s.name, s, labels)
	e.value(v)
	if s.counter && e.open {
		e.name(strings.TrimSuffix(s.name, "_total")+"_created", s, labels)
		e.value(float64(e.start.UnixMilli()) / 1000)
	}
}

func (e *lines) head(s *series) {
	name, kind := s.name, "gauge"
	if s.counter {
		kind = "counter"
		if e.open { // there the family lacks the ending of its samples
			name = strings.TrimSuffix(name, "_total")
		}
	}
	for _, word := range []string{"# HELP ", name, " ", s.help, "\n# TYPE ", name, " ", kind, "\n"} {
		e.out.WriteString(word)
	}
}

// name writes a sample's name and its labels, which stand in alphabetical order.
func (e *lines) name(name string, s *series, labels []string) {
	e.values = append(append(e.values[:0], e.site, e.unit), labels...)
	e.out.WriteString(name)
	for k, i := range s.order {
		between := byte(',')
		if k == 0 {
			between = '{'
		}
		e.out.WriteByte(between)
		e.out.WriteString(s.labels[i])
		e.out.WriteString(`="`)
		_, _ = escape.WriteString(e.out, strings.ToValidUTF8(e.values[i], "\uFFFD"))
		e.out.WriteByte('"')
	}
	e.out.WriteString("} ")
}

// escape is that of label values, the same in both formats.
var escape = strings.NewReplacer(`\`, `\\`, "\n", `\n`, `"`, `\"`)

func (e *lines) value(v float64) {
	switch {
	case math.IsInf(v, 1):
		e.out.WriteString("+Inf")
	case math.IsInf(v, -1):
		e.out.WriteString("-Inf")
	default:
		e.out.Write(strconv.AppendFloat(e.out.AvailableBuffer(), v, 'g', -1, 64))
	}
	e.out.WriteByte('\n')
}
