package watch

import (
	"time"

	"strokebank/rules"
	"strokebank/sensors/signal"
)

// stretch is the length of one trend row, and so the finest that history
// keeps of a quiet day.
const stretch = time.Minute

// trends gathers least, mean and most of the figures that are kept for years.
// Stretches follow the monotonic clock, so a clock step does not bend them.
type trends struct {
	rows  []rules.Trend // completed, not handed on yet
	open  []rules.Trend // under way; Mean holds the sum
	until time.Duration
}

// add takes one assessment in.
func (t *trends) add(a *rules.Assessment, elapsed time.Duration) {
	if elapsed >= t.until {
		t.close()
		t.until = elapsed + stretch
	}
	t.one("pressure", value(a, signal.Pressure), a.Time)
	t.one("level", a.Level.Number(), a.Time)
	t.one("oil_volume", a.OilVolume.Number(), a.Time)
	t.one("air_ratio", a.Gas.AirRatio, a.Time)
	if a.Reserve.Known {
		t.one("reserve_at_least", a.Reserve.AtLeast, a.Time)
		t.one("reserve_expected", a.Reserve.Expected, a.Time)
	}
}

// one adds a figure to its open row. What is not known leaves no mark: a row
// with fewer readings, or no row at all, is the gap.
func (t *trends) one(name string, n signal.Number, at time.Time) {
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
	t.open = append(t.open, rules.Trend{Name: name, Start: at, Seconds: stretch.Seconds(), Count: 1, Min: v, Mean: v, Max: v})
}

// close completes the open rows.
func (t *trends) close() {
	for _, r := range t.open {
		r.Mean /= float64(r.Count)
		t.rows = append(t.rows, r)
	}
	t.open = t.open[:0]
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
