package main

import (
	"bytes"
	"cmp"
	"errors"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"strokebank/agent/internal/recording"
	"strokebank/configs"
	"strokebank/sensors"
	"strokebank/sensors/register"
	"strokebank/sensors/signal"
)

// tableRows is how many rows are looked at to find the time between two.
const tableRows = 64

// tabled is a recorded run as text: RFC 3339 times in the first column, a point
// in each other one.
type tabled struct {
	name  string
	lines *lines
	meter *meter
	cells []cellOf
	begin *beginning

	period  time.Duration // the usual time between two rows
	ahead   []tableRow    // rows that were read to find it
	row     [][]byte
	started time.Time
	last    time.Time
	number  uint64
}

// cellOf is one column and the point that it holds.
type cellOf struct {
	column configs.Column
	spec   register.Spec
}

type tableRow struct {
	at       time.Time
	readings []signal.Reading
}

// newTable reads the header and the first rows of a table of a unit.
func newTable(name string, in io.Reader, m *meter, unit *configs.Unit) (*tabled, error) {
	l, err := newLines(name, m.reading(in))
	if err != nil {
		return nil, err
	}
	t := &tabled{name: name, lines: l, meter: m, begin: &beginning{first: true}}
	if err := t.header(unit); err != nil {
		return nil, err
	}
	for len(t.ahead) < tableRows {
		var r tableRow
		if r.at, r.readings, err = t.parse(nil); err == io.EOF {
			break
		} else if err != nil {
			return nil, err
		}
		t.ahead = append(t.ahead, r)
	}
	if len(t.ahead) < 2 {
		return nil, badInput("%s: line %d: there are %d rows under the header; write two at least, one a scan", name, l.number+1, len(t.ahead))
	}
	var steps []time.Duration
	for i := 1; i < len(t.ahead); i++ {
		steps = append(steps, t.ahead[i].at.Sub(t.ahead[i-1].at))
	}
	slices.Sort(steps)
	t.period = steps[len(steps)/2]
	t.started = t.ahead[0].at
	return t, nil
}

func (t *tabled) done() float64 { return t.meter.part() }

// header finds the point of each column, or says all that is wrong with it.
func (t *tabled) header(unit *configs.Unit) error {
	line, err := t.lines.next()
	if err == io.EOF {
		return badInput("%s: it is empty; the first line must name the columns: time, then points of the configuration", t.name)
	}
	if err != nil {
		return err
	}
	var faults []string
	names, err := splitCells(line, nil)
	if err != nil {
		return badInput("%s: line 1: %v", t.name, err)
	}
	if len(names) == 1 && bytes.ContainsAny(line, ";\t") {
		return badInput("%s: line 1: the columns are not separated by commas; save it as CSV with commas and decimal points", t.name)
	}
	for i, name := range names[1:] {
		c, point, err := columnOf(string(bytes.TrimSpace(name)), unit)
		switch {
		case err != nil:
			faults = append(faults, "column "+strconv.Itoa(i+2)+": "+err.Error())
		case slices.ContainsFunc(t.begin.points, func(p signal.Point) bool { return p.ID == point.ID }):
			faults = append(faults, "column "+strconv.Itoa(i+2)+": "+string(point.ID)+" stands twice; keep one of them")
		default:
			t.cells = append(t.cells, cellOf{c, point.Spec})
			t.begin.points = append(t.begin.points, signal.Point{ID: point.ID, Unit: point.Spec.Unit})
		}
	}
	for _, id := range []signal.ID{signal.Pressure, signal.Level, signal.Of("pump1", signal.Running), signal.Of("pump2", signal.Running),
		signal.Of("compressor1", signal.Running), signal.Of("compressor2", signal.Running)} {
		if faults == nil && !slices.ContainsFunc(t.begin.points, func(p signal.Point) bool { return p.ID == id }) {
			faults = append(faults, "there is no column for "+string(id)+"; add it: pressure, level and the four running contacts are needed")
		}
	}
	if faults != nil {
		return badInput("%s: line 1: %s", t.name, strings.Join(faults, "; "))
	}
	return nil
}

// columnOf is the point that a cell of the header names, "PT-101" or
// "PT-101 [psi]".
func columnOf(cell string, unit *configs.Unit) (configs.Column, sensors.Point, error) {
	name, inUnit := cell, ""
	if head, tail, ok := strings.Cut(cell, "["); ok && strings.HasSuffix(tail, "]") {
		name, inUnit = strings.TrimSpace(head), strings.TrimSuffix(tail, "]")
	}
	var names []string
	for i, c := range unit.Columns {
		names = append(names, c.Name)
		if c.Name != name {
			continue
		}
		var err error
		if inUnit != "" {
			c, err = c.In(inUnit)
		}
		return c, unit.Points[i], err
	}
	slices.Sort(names)
	return configs.Column{}, sensors.Point{}, errors.New("unit " + unit.Rules.Unit + " has no point " + strconv.Quote(shortened(name)) +
		"; leave the column out, or name it in the configuration (column: under a point); there are " + strings.Join(names, ", "))
}

// shortened keeps an error line short whatever the file holds.
func shortened(text string) string {
	if r := []rune(text); len(r) > 40 {
		return string(r[:40]) + "…"
	}
	return text
}

func (t *tabled) next(f *fed) error {
	f.Kind, f.begin = recording.Scan, t.begin
	t.begin = nil
	var at time.Time
	if len(t.ahead) > 0 {
		r := &t.ahead[0]
		at, f.Scan.Readings = r.at, append(f.Scan.Readings[:0], r.readings...)
		t.ahead = t.ahead[1:]
	} else {
		var err error
		if at, f.Scan.Readings, err = t.parse(f.Scan.Readings[:0]); err != nil {
			return err
		}
	}
	t.number++
	f.Scan.Number, f.Scan.Time, f.Scan.Elapsed, f.Scan.ClockTrusted = t.number, at, at.Sub(t.started), true
	return nil
}

// parse reads the next row; its readings go behind to.
func (t *tabled) parse(to []signal.Reading) (time.Time, []signal.Reading, error) {
	var line []byte
	var err error
	for len(line) == 0 { // an empty line, as at the end, is none
		if line, err = t.lines.next(); err != nil {
			return time.Time{}, to, err
		}
	}
	if t.row, err = splitCells(line, t.row[:0]); err != nil {
		return time.Time{}, to, badInput("%s: line %d: %v", t.name, t.lines.number, err)
	}
	if len(t.row) != len(t.cells)+1 {
		return time.Time{}, to, badInput("%s: line %d: it has %d cells; write %d, as the header has", t.name, t.lines.number, len(t.row), len(t.cells)+1)
	}
	at, err := parseTime(t.row[0])
	if err != nil {
		return at, to, badInput("%s: line %d: %q is no time; write RFC 3339 with its offset, as 2026-03-01T06:30:00Z", t.name, t.lines.number, shortened(string(t.row[0])))
	}
	if !at.After(t.last) && !t.last.IsZero() {
		return at, to, badInput("%s: line %d: the time goes back or stands, %s after %s; sort the rows by time and write each once",
			t.name, t.lines.number, at.Format(time.RFC3339Nano), t.last.Format(time.RFC3339Nano))
	}
	t.last = at
	for i := range t.cells {
		r, ok := t.cells[i].reading(t.row[i+1], at)
		if !ok {
			return at, to, badInput("%s: line %d: column %q: %q is %s", t.name, t.lines.number, t.cells[i].column.Name, shortened(string(t.row[i+1])), t.cells[i].wants())
		}
		to = append(to, r)
	}
	return at, to, nil
}

// reading is what a cell means. An empty one is a reading that is missing;
// one with the words of a reason is missing for that.
func (c *cellOf) reading(cell []byte, at time.Time) (signal.Reading, bool) {
	if len(cell) == 0 {
		return signal.Missing(c.spec.Unit, signal.NoAnswer, at), true
	}
	v, ok := parseNumber(cell)
	if !ok {
		var why signal.Reason
		_ = why.UnmarshalText(bytes.TrimSpace(cell)) // what is no reason becomes NeverRead
		return signal.Missing(c.spec.Unit, why, at), why != signal.NeverRead && why != signal.None
	}
	if c.spec.Unit == signal.Boolean {
		return signal.Measured(v, signal.Boolean, at), v == 0 || v == 1
	}
	v = float64(v*c.column.Scale) + c.column.Zero
	if math.IsInf(v, 0) {
		return signal.Reading{}, false
	}
	return judged(&c.spec, v, at), true
}

// wants says what would be right in a cell.
func (c *cellOf) wants() string {
	if c.spec.Unit == signal.Boolean {
		return "no contact; write 0 or 1, or nothing where it was not read"
	}
	return "no number; write one with a decimal point, " + cmp.Or(c.column.Unit, "a count") + ", or nothing where it was not read"
}

// judged is a value with the quality that the point's range gives it, as if
// it had come over the wire.
func judged(spec *register.Spec, v float64, at time.Time) signal.Reading {
	raw := v
	if spec.RawLow != spec.RawHigh {
		raw = spec.RawLow + float64((v-spec.Low)/(spec.High-spec.Low)*(spec.RawHigh-spec.RawLow))
	} else {
		plain := register.Spec{Unit: spec.Unit, Format: register.Float64, Factor: 1, Least: spec.Least, Most: spec.Most}
		spec = &plain
	}
	r := spec.Reading(raw, at)
	if r.Known() {
		r.Value = v // untouched by the way to raw and back
	}
	return r
}
