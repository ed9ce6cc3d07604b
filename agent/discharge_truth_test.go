package main

import (
	"fmt"
	"math"
	"testing"
	"time"

	"strokebank/agent/internal/simulator"
	"strokebank/rules"
	"strokebank/sensors/signal"
)

// moment is where a discharge stands.
type moment struct {
	oil    float64 // m³ delivered to the cylinders
	gauge  float64 // Pa
	left   float64 // m³ of oil in the tank
	leaked float64 // m³ of oil past the seals
	moving bool    // oil was drawn since the moment before
}

// emptied is what a unit gives that is stroked again and again without mains.
type emptied struct {
	site    *site
	moments []moment
	strokes []simulator.StrokeDone
}

// empty strokes the shutdown cycle until the cycles are delivered, or for as
// long as the pressure is over a third of the first and the oil over the
// outlet.
func (s *site) empty(tb testing.TB, p *simulator.Plant, cycles float64) *emptied {
	tb.Helper()
	e := &emptied{site: s}
	outlet := 1.02 * s.cfg.Tank.Volume(s.build.Tank.Outlet)
	look := func() moment {
		x := p.Truth()
		m := moment{oil: x.Delivered, gauge: x.Gauge, left: x.OilVolume, leaked: x.Leaked}
		m.moving = len(e.moments) > 0 && m.oil > e.moments[len(e.moments)-1].oil
		e.moments = append(e.moments, m)
		return m
	}
	first := look()
	for half := range 60 {
		if half%2 == 0 {
			p.Shutdown()
		} else {
			p.Restore()
		}
		for left := s.half; left > 1e-9; {
			h := math.Min(1, left)
			p.Step(time.Duration(h * float64(time.Second)))
			left -= h
			if m := look(); m.gauge < first.gauge/3 || m.left < outlet || s.cycles(m.oil) > cycles {
				e.strokes = append(e.strokes, p.Drain()...)
				return e
			}
		}
		if p.Truth().Moving {
			tb.Fatalf("a stroke is not done with its time: half %d, dwell %v", half, s.build.Dwell)
		}
		e.strokes = append(e.strokes, p.Drain()...)
	}
	return e
}

// cycles is the count of cycles, with the fraction of the next, that an amount
// of delivered oil is: the first counts with its closing strokes.
func (s *site) cycles(oil float64) float64 {
	if oil < s.closes {
		return oil / s.closes
	}
	return 1 + (oil-s.closes)/(s.closes+s.opens)
}

// delivery is what a unit gave within its limits.
type delivery struct {
	whole, cycles float64
	oil           float64 // m³
	shrunk        float64 // m³ by which the oil in the tank shrank, cooled by the gas
	limit         string
}

// within holds the limits against every stroke.
func (e *emptied) within(gauge, unusable float64) delivery {
	closed := 0
	for _, k := range e.strokes {
		if k.Lowest < gauge || k.LeastOil < unusable {
			break
		}
		if k.Closing {
			closed++
		}
	}
	out := delivery{whole: float64(closed / len(e.site.build.Valves)), limit: "none"}
	first, last := e.moments[0], e.moments[0]
	for _, m := range e.moments[1:] {
		var part float64
		if part, out.limit = met(last, m, gauge, unusable); out.limit != "none" {
			out.oil = last.oil + part*(m.oil-last.oil)
			break
		}
		last, out.oil = m, m.oil
	}
	out.shrunk = math.Max(0, first.left-last.left-(last.oil-first.oil)-(last.leaked-first.leaked))
	// A stroke knows its lowest pressure better than the moments do.
	out.cycles = math.Min(math.Max(e.site.cycles(out.oil), out.whole), out.whole+1-1e-9)
	return out
}

// met is the part of the time between two moments after which a stroke met a
// limit, and which.
func met(last, m moment, gauge, unusable float64) (float64, string) {
	if !m.moving {
		return 1, "none"
	}
	byOil, byPressure := 2.0, 2.0
	if m.left < unusable {
		byOil = math.Max(0, (last.left-unusable)/(last.left-m.left))
	}
	if last.gauge < gauge {
		byPressure = 0
	} else if m.gauge < gauge {
		byPressure = (last.gauge - gauge) / (last.gauge - m.gauge)
	}
	switch {
	case byOil > 1 && byPressure > 1:
		return 1, "none"
	case byOil < byPressure:
		return byOil, "oil"
	}
	return byPressure, "pressure"
}

// target is after how many cycles, counted with their fraction, a limit is to
// end a discharge: one to nine, half of them within a tenth of a whole number.
func (d dice) target() float64 {
	if d.one(2) {
		return float64(1+d.IntN(9)) + d.in(-0.1, 0.1)
	}
	return d.in(0.9, 9.1)
}

// limits are the minimum pressure and the unusable oil of a site that sees the
// discharge end after the target, or shortly before the end that physics sets:
// one of them meets it there, the other one lies beyond.
func (e *emptied) limits(d dice, target float64) (gauge, unusable float64) {
	most := e.site.cycles(e.moments[len(e.moments)-1].oil)
	target = math.Min(target, 0.98*most)
	byOil, set := d.one(2), e.site.cfg.Reserve.SetPressure
	lowest, last := math.Inf(1), e.moments[0]
	for _, m := range e.moments[1:] {
		if m.moving {
			lowest = math.Min(lowest, m.gauge)
			if e.site.cycles(m.oil) >= target {
				// Cold gas may have warmed up to more than the set pressure.
				if at := (last.gauge + m.gauge) / 2; !byOil && at < 0.97*set {
					return at, m.left * d.in(0.5, 0.97)
				}
				return math.Min(lowest, set) * d.in(0.6, 0.97), (last.left + m.left) / 2
			}
		}
		last = m
	}
	panic("a discharge ended before its end")
}

// situation is one state of a site and all that is true and shown of it.
type situation struct {
	name   string
	heat   string // "hot" or "cold" by about 40 K or more, or "near" the wall's temperature
	corner string // at which ends of their bands pressure and level are
	cfg    rules.Config
	truth  delivery
	theta  float64 // true gas temperature over the wall's, at the first scan
	now    float64 // the same at the last scan
	scans  []signal.Scan
	// The gas as the first scan shows it: m³, Pa absolute.
	volume, pressure float64
}

// anyState starts the site's unit somewhere near its set points, some time
// after a sudden change of the gas temperature, follows it for that time by
// its transmitters, whose errors are at the ends of their bands, and empties it.
func (s *site) anyState(tb testing.TB, d dice, n int) *situation {
	tb.Helper()
	r := &s.cfg.Reserve
	b := s.build
	b.Weather.Mean = d.in(276, 312)
	wall := b.Weather.Mean + d.in(-3, 3)
	b.Start = simulator.Start{Pressure: r.SetPressure * d.in(0.8, 1), Oil: r.Tank.Volume(r.SetLevel) * d.in(0.8, 1),
		Wall: wall, OilTemperature: wall + d.in(-2, 2)}
	x := &situation{cfg: s.cfg, heat: "near"}
	scans, off := 1+d.IntN(60), d.in(-15, 15)
	least := 0.0
	switch n % 10 {
	case 1:
		if off, least = d.in(46, 56), 40; n%20 == 1 { // the most that the rules allow for where they know nothing
			off = wall * d.in(0.149, 0.15)
		}
	case 5:
		off, least = -d.in(46, 56), 40
	}
	b.Start.Gas = wall + off
	// Half a step of the input module and of the register are the panel's.
	const steps = 2.1e-4
	i := &b.Instruments
	i.Pressure.Error = d.sign() * (r.PressureBand - steps*i.Pressure.High)
	i.Level.Error = d.sign() * (r.LevelBand - steps*i.Level.High)
	x.corner = fmt.Sprintf("pressure %+.0f level %+.0f", math.Copysign(1, i.Pressure.Error), math.Copysign(1, i.Level.Error))
	wallError := d.sign() * 0.8 * r.WallBand
	p := s.plant(tb, b, uint64(n))
	t := p.Truth()
	x.theta = t.GasTemperature / t.WallTemperature
	for range scans {
		x.scans = append(x.scans, signal.Scan{Time: t.Wall, ClockTrusted: true, Readings: s.read(p, wallError, t.Wall)})
		before := math.Abs(t.GasTemperature - t.WallTemperature)
		p.Step(period)
		t = p.Truth()
		// The next period would cost no more than this one.
		if after := math.Abs(t.GasTemperature - t.WallTemperature); 2*after-before < least {
			break
		}
	}
	first := s.judge(tb, s.cfg, nil, x.scans[:1])
	x.volume, x.pressure = first.GasVolume.Value, first.GasPressure.Value
	x.now = t.GasTemperature / t.WallTemperature
	if over := t.GasTemperature - t.WallTemperature; over >= 39 {
		x.heat = "hot"
	} else if over <= -40 {
		x.heat = "cold"
	}
	target := d.target()
	e := s.empty(tb, p, target+0.05)
	x.cfg.Reserve.MinPressure, x.cfg.Reserve.UnusableOil = e.limits(d, target)
	x.truth = e.within(x.cfg.Reserve.MinPressure, x.cfg.Reserve.UnusableOil)
	x.name = fmt.Sprintf("state %d: %.4f cycles by %s, gas %.1f K over the wall, τ %.0f s learned", n, x.truth.cycles, x.truth.limit,
		t.GasTemperature-t.WallTemperature, s.tau)
	return x
}

// read is what the panel shows, with an error of the wall's temperature.
func (s *site) read(p *simulator.Plant, wall float64, at time.Time) []signal.Reading {
	out := make([]signal.Reading, len(s.points))
	for i, point := range s.points {
		out[i] = signal.Missing(point.Unit, signal.NotConfigured, at)
	}
	samples := p.Measured(nil)
	for n, g := range s.build.Registers {
		for i, point := range s.points {
			if point.ID == signal.ID(g.Name) && samples[n].OK {
				out[i] = signal.Measured(samples[n].Value, point.Unit, at)
				if point.ID == signal.WallTemperature {
					out[i].Value += wall
				}
			}
		}
	}
	return out
}
