package main

import (
	"context"
	"encoding/csv"
	"flag"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"strokebank/agent/internal/watch"
	"strokebank/configs"
	"strokebank/configs/quantity"
	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/sensors"
	"strokebank/sensors/signal"
)

func alarms(_ context.Context, sh shell, args []string) int {
	fs := flag.NewFlagSet("alarms", flag.ContinueOnError)
	table := fs.Bool("csv", false, "as comma-separated values, one alarm and source a line")
	if code, done := parse(fs, sh, args, "alarms [flags] FILE", 1); done {
		return code
	}
	cfg, code := load(sh, fs.Arg(0))
	if cfg == nil {
		return code
	}
	var list []listed
	for i, u := range cfg.Units {
		one, err := alarmList(cfg, u, i == 0)
		if err != nil {
			fmt.Fprintln(sh.err, "strokebank:", err)
			return exitFailed
		}
		list = append(list, one...)
	}
	write := alarmText
	if *table {
		write = alarmTable
	}
	if err := write(sh.out, list); err != nil {
		fmt.Fprintln(sh.err, "strokebank:", err)
		return exitFailed
	}
	return exitOK
}

// listed is one alarm of a site with all the sources that it has there.
type listed struct {
	unit    string
	display quantity.System
	alarm.Definition
	changed []string // what the site has changed of it
	at      []alarm.Status
}

// alarmList is the alarms that a unit has, as they will be.
func alarmList(cfg *configs.Config, unit configs.Unit, first bool) ([]listed, error) {
	blank, err := unread(cfg, unit, first)
	if err != nil {
		return nil, err
	}
	var list []listed
	for _, s := range blank.Alarms {
		if n := len(list); n == 0 || list[n-1].Name != s.Name {
			d, _ := alarm.Find(s.Name)
			setting := unit.Rules.Alarms[s.Name]
			list = append(list, listed{unit: unit.Rules.Unit, display: unit.Display, Definition: d.Apply(setting), changed: changedBy(setting)})
		}
		last := &list[len(list)-1]
		last.at = append(last.at, s)
	}
	return list, nil
}

// unread is the assessment of a unit of which nothing was read yet: what there
// is to know of it, as the agent would find it. The first unit has the agent's own alarms besides.
func unread(cfg *configs.Config, unit configs.Unit, first bool) (*rules.Assessment, error) {
	poller, err := sensors.New(cfg.Links, watch.NewClock(watch.SystemClock, time.Time{}, false), nil)
	if err != nil {
		return nil, err
	}
	source, err := poller.Source(unit.Rules.Unit, unit.Points)
	if err != nil {
		return nil, err
	}
	points := append([]signal.Point(nil), source.Points()...)
	if first {
		points = append(points, watch.SelfPoints()...)
	}
	judge, err := rules.New(unit.Rules, points, nil, nil)
	if err != nil {
		return nil, err
	}
	scan := signal.Scan{Number: 1}
	for _, p := range points {
		scan.Readings = append(scan.Readings, signal.Missing(p.Unit, signal.NeverRead, time.Time{}))
	}
	return judge.Step(scan), nil
}

// changedBy names what a site has changed of a definition.
func changedBy(s alarm.Setting) (names []string) {
	for _, c := range []struct {
		name string
		set  bool
	}{{"limit", s.Limit != nil}, {"on-delay", s.OnDelay != nil}, {"off-delay", s.OffDelay != nil}, {"deadband", s.Deadband != nil},
		{"priority", s.Priority != ""}, {"acknowledge", s.Acknowledge != nil}, {"latch", s.Latch != nil}, {"note", s.Note != ""}} {
		if c.set {
			names = append(names, c.name)
		}
	}
	return names
}

// limit is what a source is compared with, in the site's units; empty where
// there is nothing.
func (l *listed) limit(s *alarm.Status) string {
	d, ok := dimensions[s.Unit]
	switch {
	case !s.Limit.Known():
		return ""
	case ok:
		return quantity.Format(float64(s.Limit), d, l.display)
	}
	return strings.TrimSpace(fmt.Sprintf("%g %s", float64(s.Limit), s.Unit))
}

// sources lists where the alarm can stand, with the limit of each that has one.
func (l *listed) sources() string {
	var all []string
	for i := range l.at {
		text := l.at[i].Source
		if limit := l.limit(&l.at[i]); limit != "" {
			text += " (limit " + limit + ")"
		}
		all = append(all, text)
	}
	return strings.Join(all, ", ")
}

// explains lists what the alarm explains, and how far.
func (l *listed) explains() string {
	var all []string
	for _, to := range l.Explains {
		reach, _ := alarm.ReachOf(l.Definition, to)
		all = append(all, to+" ("+string(reach)+")")
	}
	return strings.Join(all, ", ")
}

// wants says what a person has to do once the alarm's cause is gone.
func (l *listed) wants() string {
	switch {
	case l.Latch && l.Acknowledge:
		return "acknowledgement, then a reset"
	case l.Latch:
		return "a reset"
	case l.Acknowledge:
		return "acknowledgement"
	}
	return "nothing"
}

// alarmText writes the list to be read.
func alarmText(w io.Writer, list []listed) error {
	unit := ""
	for i := range list {
		l := &list[i]
		if l.unit != unit {
			unit = l.unit
			if _, err := fmt.Fprintf(w, "Alarms of unit %s\n=================%s\n", unit, strings.Repeat("=", len(unit))); err != nil {
				return err
			}
		}
		if err := l.text(w); err != nil {
			return err
		}
	}
	return nil
}

func (l *listed) text(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "\n%s  [%s, %s priority, respond within %s]\n", l.Title, l.Name, l.Priority, span(l.Respond))
	line := func(name, text string) {
		if text != "" {
			fmt.Fprintf(&b, "  %-9s %s\n", name, wrapped(text, 88, "            "))
		}
	}
	line("means", l.Meaning)
	line("causes", strings.Join(l.Causes, "; "))
	line("do", l.Action)
	line("here", l.Note)
	line("at", l.sources())
	line("delays", fmt.Sprintf("on %s, off %s, deadband %g %%", span(l.OnDelay), span(l.OffDelay), 100*l.Deadband))
	line("then", "wants "+l.wants()+" once its cause is gone")
	line("explains", l.explains())
	line("changed", strings.Join(l.changed, ", "))
	_, err := io.WriteString(w, b.String())
	return err
}

// span is a length of time in words.
func span(d time.Duration) string {
	if d >= 48*time.Hour && d%(24*time.Hour) == 0 {
		return fmt.Sprintf("%d d", d/(24*time.Hour))
	}
	text := d.String()
	for _, zero := range []string{"m0s", "h0m"} {
		if strings.HasSuffix(text, zero) {
			text = text[:len(text)-2]
		}
	}
	return text
}

// wrapped breaks text into lines of at most width letters.
func wrapped(text string, width int, indent string) string {
	var b strings.Builder
	column := 0
	for word := range strings.FieldsSeq(text) {
		n := len([]rune(word))
		switch {
		case column == 0:
		case column+1+n > width:
			b.WriteString("\n" + indent)
			column = 0
		default:
			b.WriteByte(' ')
			column++
		}
		b.WriteString(word)
		column += n
	}
	return b.String()
}

// alarmTable writes the list for a spreadsheet. Times are seconds.
func alarmTable(w io.Writer, list []listed) error {
	out := csv.NewWriter(w)
	rows := [][]string{{"unit", "alarm", "source", "title", "priority", "respond_within_seconds", "limit", "on_delay_seconds", "off_delay_seconds",
		"deadband_percent", "acknowledge", "latch", "meaning", "causes", "action", "site_note", "explains", "changed_by_site"}}
	number := func(d time.Duration) string { return strconv.FormatFloat(d.Seconds(), 'g', -1, 64) }
	for i := range list {
		l := &list[i]
		for k := range l.at {
			rows = append(rows, []string{l.unit, l.Name, l.at[k].Source, l.Title, string(l.Priority), number(l.Respond), l.limit(&l.at[k]),
				number(l.OnDelay), number(l.OffDelay), strconv.FormatFloat(100*l.Deadband, 'g', 6, 64), strconv.FormatBool(l.Acknowledge),
				strconv.FormatBool(l.Latch), l.Meaning, strings.Join(l.Causes, "; "), l.Action, l.Note, l.explains(), strings.Join(l.changed, ", ")})
		}
	}
	return out.WriteAll(rows)
}
