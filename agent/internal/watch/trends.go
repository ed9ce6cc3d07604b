package watch

import (
	"time"

	"strokebank/rules"
	"strokebank/sensors/signal"
)

// The lengths of a trend row: that of what moves, and so the finest that
// history keeps of a quiet day, and that of what is judged over hours.
const (
	stretch     = time.Minute
	longStretch = time.Hour
)

// trends gathers least, mean and most of the figures that are kept for years.
type trends struct {
	rows       []rules.Trend // completed, not handed on yet
	fine, slow rows
}

// rows are those under way, each over the same stretch; Mean holds the sum.
// Stretches follow the monotonic clock, so a clock step does not bend them.
type rows struct {
	open  []rules.Trend
	until time.Duration
}

// add takes one assessment in.
func (t *trends) add(a *rules.Assessment, elapsed time.Duration) {
	t.due(&t.fine, elapsed, stretch)
	t.due(&t.slow, elapsed, longStretch)
	t.one("pressure", value(a, signal.Pressure), a.Time)
	t.one("level", a.Level.Number(), a.Time)
	t.one("oil_volume", a.OilVolume.Number(), a.Time)
	t.one("air_ratio", a.Gas.AirRatio, a.Time)
	t.one("oil_inventory", a.Leaks.Inventory, a.Time)
	t.slow.add("oil_decline", longStretch, a.Leaks.OilDecline, a.Time)
	t.slow.add("air_decline_per_day", longStretch, a.Leaks.AirDecline, a.Time)
	if a.Reserve.Known {
		t.one("reserve_at_least", a.Reserve.AtLeast, a.Time)
		t.one("reserve_expected", a.Reserve.Expected, a.Time)
	}
}

func (t *trends) one(name string, n signal.Number, at time.Time) {
	t.fine.add(name, stretch, n, at)
}

// due completes the rows whose stretch is over.
func (t *trends) due(r *rows, elapsed, over time.Duration) {
	if elapsed >= r.until {
		t.complete(r)
		r.until = elapsed + over
	}
}

// add takes a figure into its open row. What is not known leaves no mark: a
// row with fewer readings, or no row at all, is the gap.
func (t *rows) add(name string, over time.Duration, n signal.Number, at time.Time) {
	if !n.Known() {
		return
	}
	v := float64(n)
	for i := range t.open {
		if r := &t.open[i]; r.Name == name {
			r.Count++
			r.Mean += v
			r.Min, r.Max = min(r.Min, v), max(r.Max, v)
			return
		}
	}
	t.open = append(t.open, rules.Trend{Name: name, Start: at, Seconds: over.Seconds(), Count: 1, Min: v, Mean: v, Max: v})
}

// close completes all open rows.
func (t *trends) close() {
	t.complete(&t.fine)
	t.complete(&t.slow)
}

func (t *trends) complete(open *rows) {
	for _, r := range open.open {
		r.Mean /= float64(r.Count)
		t.rows = append(t.rows, r)
	}
	open.open = open.open[:0]
}

// take hands the completed rows over.
func (t *trends) take() []rules.Trend {
	rows := t.rows
	t.rows = nil
	return rows
}

// value is a measured reading of an assessment, Unknown where it has none.
func value(a *rules.Assessment, id signal.ID) signal.Number {
	for _, r := range a.Readings {
		if r.ID == id {
			return r.Reading.Number()
		}
	}
	return signal.Unknown()
}
