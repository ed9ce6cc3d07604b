package dashboard

import (
	"context"
	"net/http"
	"time"

	"strokebank/rules"
	"strokebank/sensors/signal"
)

// past gives what was: the course of a figure, and the events of a time.
type past interface {
	// Curve is the unit's course of one figure in steps, oldest first, each
	// row with its least, mean and most; where nothing was known there is no
	// row. A row is longer than the step where no finer one is left.
	Curve(ctx context.Context, unit, name string, from, to time.Time, step time.Duration) ([]rules.Trend, error)
	// Between hands over the unit's events of [from, to) until take says no.
	Between(ctx context.Context, unit string, from, to time.Time, take func(rules.Entry) bool) error
}

// trended are the figures that have a course, with their unit.
var trended = map[string]signal.Unit{
	"pressure": signal.Pascal, "level": signal.Metre, "oil_volume": signal.CubicMetre,
	"oil_inventory": signal.CubicMetre, "oil_decline": signal.CubicMetrePerSecond, "air_decline_per_day": signal.NoUnit,
	"reserve_at_least": signal.Count, "reserve_expected": signal.Count, "air_ratio": signal.NoUnit,
}

// The bounds of one answer. A step is one of these, so that two looks at the
// same time see the same rows.
const (
	defaultPoints = 500
	maxPoints     = 2000
	maxRange      = 20 * 366 * 24 * time.Hour
	minRange      = time.Minute
	recordedEvery = 10 * time.Minute // what is younger may not be recorded yet
)

var trendSteps = []time.Duration{
	time.Minute, 2 * time.Minute, 5 * time.Minute, 10 * time.Minute, 20 * time.Minute, 30 * time.Minute,
	time.Hour, 2 * time.Hour, 3 * time.Hour, 6 * time.Hour, 12 * time.Hour,
	24 * time.Hour, 2 * 24 * time.Hour, 5 * 24 * time.Hour, 10 * 24 * time.Hour,
}

// stepFor is the least step that needs no more than so many points.
func stepFor(length time.Duration, points int) time.Duration {
	for _, s := range trendSteps {
		if length <= s*time.Duration(points) {
			return s
		}
	}
	return trendSteps[len(trendSteps)-1]
}

// asked is what a look at the past asks for.
type asked struct {
	unit     string
	from, to time.Time
	live     bool // to is now
}

// whichPast reads unit, from and to; why says what is wrong.
func (h *handler) whichPast(r *http.Request) (a asked, why string) {
	q := r.URL.Query()
	a.unit = q.Get("unit")
	if a.unit == "" {
		return a, "unit must name a unit"
	}
	a.to, a.live = h.Now().UTC(), true
	moment := func(name string, to *time.Time) bool {
		s := q.Get(name)
		if s == "" {
			return true
		}
		t, err := time.Parse(time.RFC3339, s)
		*to = t.UTC()
		return err == nil && t.Year() >= 1970 && t.Year() < 2200
	}
	if !moment("to", &a.to) {
		return a, "to must be a time as 2026-03-14T11:00:00Z"
	}
	a.live = q.Get("to") == ""
	a.from = a.to.Add(-24 * time.Hour)
	if !moment("from", &a.from) {
		return a, "from must be a time as 2026-03-14T11:00:00Z"
	}
	if length := a.to.Sub(a.from); length < minRange || length > maxRange {
		return a, "from must lie before to, by a minute at least and twenty years at most"
	}
	return a, ""
}

// stretch is a part of a course without a gap. All lists are of one length.
type stretch struct {
	Offset  []float64 `json:"offset_seconds"` // of each row's beginning, from the answer's from
	Length  []float64 `json:"length_seconds"`
	Covered []float64 `json:"covered_seconds"` // how much of the length holds readings
	Count   []int     `json:"count"`
	Min     []float64 `json:"min"`
	Mean    []float64 `json:"mean"`
	Max     []float64 `json:"max"`
}

// course is the answer of one trend.
type course struct {
	Schema    int         `json:"schema"`
	Unit      string      `json:"unit"`
	Name      string      `json:"name"`
	Measure   signal.Unit `json:"unit_of_measure"`
	From      time.Time   `json:"from"`
	To        time.Time   `json:"to"`
	Step      float64     `json:"step_seconds"`
	Recorded  time.Time   `json:"recorded_until"`
	Stretches []stretch   `json:"stretches"`
}

func (h *handler) trends(w http.ResponseWriter, r *http.Request) {
	a, why := h.whichPast(r)
	name := r.URL.Query().Get("name")
	points, odd := pointsOf(r)
	measure, there := trended[name]
	if why == "" && !there {
		why = "name must be one of pressure, level, oil_volume, oil_inventory, oil_decline, reserve_at_least, reserve_expected, air_ratio, air_decline_per_day"
	}
	if why == "" {
		why = odd
	}
	if why != "" {
		refuse(w, http.StatusBadRequest, why)
		return
	}
	step := stepFor(a.to.Sub(a.from), points)
	// Whole steps, so that the row at the edge is not cut and a later look
	// finds the same.
	from := a.from.Truncate(step)
	rows, err := h.Past.Curve(r.Context(), a.unit, name, from, a.to, step)
	if err != nil {
		h.Log.Error("trend cannot be read", "unit", a.unit, "name", name, "error", err)
		refuse(w, http.StatusServiceUnavailable, "the history cannot be read now")
		return
	}
	c := course{Schema: rules.Schema, Unit: a.unit, Name: name, Measure: measure, From: from, To: a.to,
		Step: step.Seconds(), Recorded: a.to, Stretches: stretches(rows, from)}
	if a.live {
		c.Recorded = a.to.Add(-recordedEvery)
		if n := len(rows); n > 0 {
			end := rows[n-1].Start.Add(time.Duration(rows[n-1].Seconds * float64(time.Second)))
			c.Recorded = later(c.Recorded, end)
		}
		c.Recorded = earlier(c.Recorded, a.to)
	}
	h.answer(w, r, c)
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

// slack is how far two rows may lie apart without a gap between them: rows of
// a minute begin with a scan, and a slow scan lets the next one begin later.
const slack = 30 * time.Second

// stretches cuts rows where there is a gap between them.
func stretches(rows []rules.Trend, from time.Time) []stretch {
	out := []stretch{}
	var until time.Time
	for _, r := range rows {
		if len(out) == 0 || r.Start.Sub(until) > slack {
			out = append(out, stretch{})
		}
		s := &out[len(out)-1]
		s.Offset = append(s.Offset, r.Start.Sub(from).Seconds())
		s.Length = append(s.Length, r.Seconds)
		s.Covered = append(s.Covered, r.Covered)
		s.Count = append(s.Count, r.Count)
		s.Min, s.Mean, s.Max = append(s.Min, r.Min), append(s.Mean, r.Mean), append(s.Max, r.Max)
		until = later(until, r.Start.Add(time.Duration(r.Seconds*float64(time.Second))))
	}
	return out
}
