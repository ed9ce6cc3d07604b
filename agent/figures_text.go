package main

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"strokebank/configs"
	"strokebank/rules"
	"strokebank/rules/reliability"
	"strokebank/sensors/signal"
)

// text writes the figures to be read, times local.
func (f *unitFigures) text(w io.Writer, unit *configs.Unit) error {
	var b strings.Builder
	title := "Reliability of unit " + f.Unit
	fmt.Fprintf(&b, "%s\n%s\n", title, strings.Repeat("=", len(title)))
	local := func(t time.Time) string { return t.Local().Format("2006-01-02 15:04 MST") }
	fmt.Fprintf(&b, "from %s to %s\n", local(f.From), local(f.To))
	for _, c := range f.Caution {
		fmt.Fprintf(&b, "note: %s\n", wrapped(c, 88, "      "))
	}
	tags := map[string]string{}
	for _, m := range machinesOf(unit) {
		if m.Tag != "" && m.Tag != m.Position {
			tags[m.Position] = " (" + m.Tag + ")"
		}
	}
	for _, g := range f.said() {
		fmt.Fprintf(&b, "\n%s%s\n", g.about, tags[g.about])
		for _, r := range g.rows {
			name := r[0]
			if len(name) > 20 {
				fmt.Fprintf(&b, "  %s\n", name)
				name = ""
			}
			fmt.Fprintf(&b, "  %-20s %s\n", name, wrapped(r[1], 88, strings.Repeat(" ", 23)))
		}
	}
	b.WriteString("\n")
	_, err := io.WriteString(w, b.String())
	return err
}

// saidFigures are figures in words, about a machine, a pair, or the unit: name
// and text, the name empty where it goes on.
type saidFigures struct {
	about string
	rows  [][2]string
}

// said is all the figures in words.
func (f *unitFigures) said() (list []saidFigures) {
	for i := range f.Pairs {
		for k := range f.Machines[2*i : 2*i+2] {
			list = append(list, lifeText(&f.Machines[2*i+k]))
		}
		list = append(list, pairText(&f.Pairs[i]))
	}
	if len(f.Whole.Modes) > 0 {
		whole := saidFigures{about: "unit itself"}
		whole.counts(&f.Whole)
		list = append(list, whole)
	}
	return list
}

// row adds one figure.
func (b *saidFigures) row(name, format string, args ...any) {
	b.rows = append(b.rows, [2]string{name, fmt.Sprintf(format, args...)})
}

func lifeText(l *reliability.Life) saidFigures {
	b := saidFigures{about: l.Position}
	b.row("watched", "%s h, not watched %s h", digits(l.Observed), digits(l.Unobserved))
	operating := digits(l.Operating) + " h"
	if l.Doubt > 0 {
		operating += ", and at most " + digits(l.Doubt) + " h more: nobody watched"
	}
	b.row("operating", "%s", operating)
	b.row("starts seen", "%d", l.Starts)
	b.counts(l)
	b.row("fails per demand", "%s", estimate(l.PerDemand, "", fmt.Sprintf("%d of %d demands", l.PerDemand.Failures, l.Demands)))
	if l.Trend.Known {
		b.row("trend (Laplace)", "U %s, two-sided p %s, %d failures: %s", number(l.Trend.U), number(l.Trend.P), l.Trend.Failures, trendWords(&l.Trend))
	} else {
		b.row("trend (Laplace)", "not told: %s (%d)", l.Trend.Reason, l.Trend.Failures)
	}
	if g := &l.Growth; g.Known {
		b.row("power law", "b %s, a %s; MTBF now %s", number(g.Exponent), number(g.Scale), estimate(g.MTBF, "h", ""))
	} else {
		b.row("power law", "not fitted: %s (%d)", g.Reason, g.Failures)
	}
	if p := &l.Proof; p.Intervals > 0 {
		b.row("proven by starts", "every %s h on the mean, %s h weighted by length, %s h at the most; %d intervals",
			number(p.Mean), number(p.Weighted), number(p.Longest), p.Intervals)
	} else {
		b.row("proven by starts", "%s", p.Reason)
	}
	if l.Repairs > 0 {
		b.row("down for", "%s h on the mean, %d repairs", number(l.Down), l.Repairs)
	}
	return b
}

// countsText writes failures in all and by mode.
func (b *saidFigures) counts(l *reliability.Life) {
	b.count("failures", &l.All)
	for i := range l.Modes {
		b.count("  "+l.Modes[i].Mode+" "+rules.FailureTitle(l.Modes[i].Mode), &l.Modes[i])
	}
}

func (b *saidFigures) count(name string, c *reliability.Counted) {
	b.row(name, "%d confirmed, %d not confirmed", c.Confirmed, c.Unconfirmed)
	b.row("", "MTBF %s", estimate(c.MTBF, "h", ""))
	b.row("", "rate %s", estimate(c.Rate, "per h", ""))
	if c.Unconfirmed > 0 {
		b.row("", "if those were confirmed: MTBF %s", estimate(c.IfConfirmed, "h", ""))
	}
}

func pairText(p *reliability.Pair) saidFigures {
	b := saidFigures{about: p.Positions[0] + " and " + p.Positions[1]}
	b.row("fairness (Jain)", "run time %s, starts %s", number(p.FairRun), number(p.FairStarts))
	b.count("failures", &p.All)
	if w := &p.Weibull; w.Known {
		b.row("life (Weibull)", "η %s h, β %s, log-likelihood %s; %d failed, %d censored", number(w.Scale), estimate(w.Shape, "", ""),
			number(w.LogLikelihood), w.Failures, w.Censored)
	} else {
		b.row("life (Weibull)", "not fitted: %s (%d failed, %d censored); for a constant rate MTBF %s", w.Reason, w.Failures, w.Censored, estimate(w.Bound, "h", ""))
	}
	b.row("one fails a demand", "%s", estimate(p.OneOfOne, "", ""))
	b.row("both fail a demand", "%s", estimate(p.OneOfTwo, "", ""))
	if p.Attention != "" {
		b.row("", "note: %s", p.Attention)
	}
	for i, a := range p.Assuming {
		name := ""
		if i == 0 {
			name = "assuming"
		}
		b.row(name, "- %s", a)
	}
	return b
}

func trendWords(t *reliability.Trend) string {
	switch {
	case t.P > 0.05:
		return "no trend at the 5 % level"
	case t.U > 0:
		return "failures come more often"
	default:
		return "failures come less often"
	}
}

// estimate is a figure with its limits, or the bound, and the data behind it.
func estimate(e reliability.Estimate, unit, behind string) string {
	if unit != "" {
		unit = " " + unit
	}
	percent := digits(100 * e.Confidence)
	var parts []string
	switch {
	case e.Known && (e.Low.Known() || e.High.Known()):
		parts = append(parts, fmt.Sprintf("%s%s (%s %% limits %s to %s)", number(e.Value), unit, percent, number(e.Low), number(e.High)))
	case e.Known:
		parts = append(parts, number(e.Value)+unit)
	case e.Low.Known():
		parts = append(parts, fmt.Sprintf("at least %s%s (%s %%)", number(e.Low), unit, percent))
	case e.High.Known():
		parts = append(parts, fmt.Sprintf("at most %s%s (%s %%)", number(e.High), unit, percent))
	default:
		parts = append(parts, "not known")
	}
	for _, more := range []string{behind, e.Reason} {
		if more != "" {
			parts = append(parts, more)
		}
	}
	return strings.Join(parts, "; ")
}

// number is a figure to four digits; -json has them all.
func number(n signal.Number) string {
	if !n.Known() {
		return "unknown"
	}
	return digits(float64(n))
}

func digits(v float64) string {
	if math.Abs(v) >= 1000 {
		return strconv.FormatFloat(v, 'f', 0, 64)
	}
	return strconv.FormatFloat(v, 'g', 4, 64)
}
