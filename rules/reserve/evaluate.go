package reserve

import (
	"math"

	"strokebank/sensors/signal"
)

// Evaluate computes the figures of one state into out. out.Strokes keeps its
// capacity; with MaxRows of it nothing is allocated. A bad pressure or level
// makes everything unknown, with the reason; an uncertain one widens its band
// (twice the band, at least 1 % of full charge).
func (e *Engine) Evaluate(in Input, out *Figures) {
	v, t := e.view(&in)
	if t.quality == signal.Bad {
		e.unknown(out, t.reason)
		return
	}
	rows := out.Strokes[:0]
	*out = Figures{Known: true, Reason: t.reason, Quality: t.quality, Required: e.config.Required}

	e.row = rowWriter{engine: e, atmosphere: v.atmosphere, rows: rows}
	expected := v.expect(e.plan, e.write)
	out.Strokes, e.row.rows = e.row.rows, nil
	out.Expected = e.capped(expected.cycles)
	out.UsableOil = number(expected.oil)
	out.Limit = expected.limit

	least := v.atLeast(e.plan)
	out.AtLeast = e.capped(least.whole())
	out.UsableAtLeast = number(least.oil)
	out.AtLeastLimit = least.limit

	out.FullCharge = e.capped(e.full(full{v.atmosphere, v.tau}).cycles)
	out.HoldTime = number(e.hold(&v, least))
	out.TimeToFull = number(e.refill(&v, both))
	out.TimeToFullOne = number(e.refill(&v, weaker))
}

// unknown clears every figure.
func (e *Engine) unknown(out *Figures, reason string) {
	no := signal.Unknown()
	*out = Figures{
		Reason: reason, Required: e.config.Required,
		AtLeast: no, Expected: no, FullCharge: no, UsableOil: no, UsableAtLeast: no,
		HoldTime: no, TimeToFull: no, TimeToFullOne: no, Strokes: out.Strokes[:0],
	}
}

// capped holds the figure of a cycle that cannot be repeated at 1.
func (e *Engine) capped(cycles float64) signal.Number {
	if e.plan.oneWay {
		cycles = math.Min(cycles, 1)
	}
	return number(cycles)
}

// full is the discharge from set level and pressure, settled, without a leak.
func (e *Engine) full(f full) outcome {
	if f == e.fullFor {
		return e.fullIs
	}
	c := &e.config
	tau := f.tau
	if tau == 0 {
		tau = AssumedHeatExchange
	}
	v := view{
		p: c.SetPressure + f.atmosphere, tank: c.Tank.Total(), oil: c.Tank.Volume(c.SetLevel),
		theta: 1, tau: tau, min: c.MinPressure + f.atmosphere, atmosphere: f.atmosphere, unusable: c.UnusableOil,
	}
	e.fullFor, e.fullIs = f, v.expect(e.plan, nil)
	return e.fullIs
}

// rowWriter collects the state after each stroke.
type rowWriter struct {
	engine     *Engine
	atmosphere float64
	rows       []AfterStroke
}

func (w *rowWriter) add(cycle, stroke int, d discharge, counts bool) {
	if len(w.rows) >= MaxRows || (w.engine.plan.oneWay && cycle > 1) {
		return
	}
	s := &w.engine.plan.strokes[stroke]
	w.rows = append(w.rows, AfterStroke{
		Cycle: cycle, Valve: s.Valve, Closing: s.Closing, Counts: counts,
		Pressure: number(d.p - w.atmosphere), Level: number(w.engine.config.Tank.Level(d.oil)),
	})
}
