package trend

import (
	"math"
	"time"

	"strokebank/sensors/signal"
)

// fall is what tells a step from a slow fall: the fills on both sides of the
// moment when the sum became loud.
type fall struct {
	Since  time.Time       `json:"since"`
	Before float64         `json:"before"` // median of the fills before
	After  [around]float64 `json:"after"`  // the first fills since
	Len    int             `json:"count"`
}

// depth is by how much the fills after are under those before.
func (f *fall) depth() float64 {
	if f.Len == 0 {
		return 0
	}
	after := f.After
	return f.Before - median(after[:f.Len])
}

// learnNoise keeps the difference to the fill before: a drift or a season
// hardly shows in it, the noise does.
func (h *Health) learnNoise(ratio float64) {
	s := &h.state
	if s.Fills > 0 {
		s.Diffs[(s.Fills-1)%noises] = math.Abs(ratio - s.Last[(s.Fills-1)%around])
	}
}

// noise is the standard deviation of one fill, ratio.
func (h *Health) noise() float64 {
	n := min(h.state.Fills, noises)
	if n < fewNoises {
		return startNoise
	}
	diffs := h.state.Diffs
	sigma := toSigma / math.Sqrt2 * median(diffs[:n])
	return math.Min(math.Max(sigma, leastNoise), mostNoise)
}

// stepSum moves the sum for a step on by one fill.
func (h *Health) stepSum(at time.Time, ratio, sigma float64) {
	s := &h.state
	if s.Sum.Down <= quiet*h.decision {
		s.Fall.Since, s.Fall.Len, s.Fall.Before = at, 0, ratio
		if n := min(s.Fills, around); n > 0 {
			last := s.Last
			s.Fall.Before = median(last[:n])
		}
	}
	if s.Fall.Len < around {
		s.Fall.After[s.Fall.Len] = ratio
		s.Fall.Len++
	}
	k := MinLoss / sigma
	widest := k + h.decision/single
	s.Sum.Update(math.Min(math.Max((ratio-1)/sigma, -widest), widest), k)
	s.Sum.Up = math.Min(s.Sum.Up, most*h.decision)
	s.Sum.Down = math.Min(s.Sum.Down, most*h.decision)
	switch {
	case s.Sum.Down == 0:
		s.Step = false
	case s.Sum.Down > h.decision && s.Fall.depth() >= MinLoss:
		s.Step = true
	}
}

// judgeDrift decides on the announcement of a drift, once a day. It stays
// until half of the least loss is back.
func (h *Health) judgeDrift() {
	l, last := &h.line, h.finder.last
	if !l.Known {
		return
	}
	level := l.At(last)
	if h.state.Drift {
		h.state.Drift = level < 1-MinLoss/2
		return
	}
	sure := 1 - level - minZ*l.AtError(last)
	if h.finder.bent < leastBent || h.test.Z > -minZ || !(sure >= MinLoss) {
		return
	}
	c := l.Falls(h.limit)
	left := c.At - last
	h.state.Drift = c.Known && (c.Late-c.Early <= math.Max(sharpDays, sharp*left) || left <= soon)
}

// judge writes the verdict from the state.
func (h *Health) judge() {
	s, no := &h.state, signal.Unknown()
	v := Verdict{
		Fills: s.Fills, Smoothed: no, Noise: no, Step: s.Step, Drift: s.Drift,
		Slope: no, SlopeLow: no, SlopeHigh: no, Level: no, Z: no,
	}
	if s.Fills > 0 {
		v.Smoothed, v.Noise = signal.Number(s.Average.Value), signal.Number(h.noise())
	}
	if s.Step {
		v.StepAt = s.Fall.Since
	}
	l := &h.line
	v.Days, v.Reason = l.N, l.Reason
	if l.Known {
		v.Slope, v.SlopeLow, v.SlopeHigh = signal.Number(l.Slope), signal.Number(l.Low), signal.Number(l.High)
		v.Level, v.Z = signal.Number(l.At(h.finder.last)), signal.Number(h.test.Z)
	}
	v.Forecast = forecast(l, h.limit)
	h.verdict = v
}

// farthest is the most that a forecast looks ahead of its data, days: beyond
// ten years a straight line says nothing.
const farthest = 3650

// forecast puts the crossing of the limit into the calendar.
func forecast(l *Line, limit float64) Forecast {
	c := l.Falls(limit)
	if c.Known && !(math.Abs(c.Late-l.X) <= farthest && math.Abs(c.Early-l.X) <= farthest) {
		c = Crossing{Reason: farAway}
	}
	if !c.Known {
		return Forecast{Reason: c.Reason}
	}
	return Forecast{Known: true, At: momentOf(c.At), Early: momentOf(c.Early), Late: momentOf(c.Late)}
}
