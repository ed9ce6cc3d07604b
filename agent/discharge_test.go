package main

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"time"

	"strokebank/agent/internal/simulator"
	"strokebank/rules"
	"strokebank/sensors/signal"
)

var (
	discharges = flag.Int("discharges", 500, "from how many states TestDischarges empties a simulated unit")
	dischargeS = flag.Uint64("seed", 7, "which states")
)

const statesPerSite = 10

// moment is where a discharge stands.
type moment struct {
	oil    float64 // m³ delivered to the cylinders
	gauge  float64 // Pa
	left   float64 // m³ of oil in the tank
	moving bool    // oil was drawn since the moment before
}

// emptied is what a unit gives that is stroked again and again without mains.
type emptied struct {
	site    *site
	moments []moment
	strokes []simulator.StrokeDone
}

// empty strokes the shutdown cycle until the pressure has fallen to a third
// or the oil to the outlet, which is below every limit that a state gets.
func (s *site) empty(p *simulator.Plant) *emptied {
	e := &emptied{site: s}
	outlet := 1.02 * s.cfg.Tank.Volume(s.build.Tank.Outlet)
	look := func() moment {
		x := p.Truth()
		m := moment{oil: x.Delivered, gauge: x.Gauge, left: x.OilVolume}
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
			h := math.Min(0.5, left)
			p.Step(time.Duration(h * float64(time.Second)))
			left -= h
			if m := look(); m.gauge < first.gauge/3 || m.left < outlet {
				e.strokes = append(e.strokes, p.Drain()...)
				return e
			}
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

// delivery is what was delivered within the limits.
type delivery struct {
	whole, cycles, oil float64
	limit              string
}

// within holds the limits against every stroke.
func (e *emptied) within(gauge, unusable float64) delivery {
	out := delivery{limit: "none"}
	closed := 0
	for _, k := range e.strokes {
		if k.Lowest < gauge || k.LeastOil < unusable {
			break
		}
		if k.Closing {
			closed++
		}
	}
	out.whole = float64(closed / len(e.site.build.Valves))
	last := e.moments[0]
	out.oil = e.moments[len(e.moments)-1].oil
	for _, m := range e.moments[1:] {
		if m.moving && (last.gauge < gauge || m.gauge < gauge || m.left < unusable) {
			byOil, byPressure := 1.0, 1.0
			if m.left < unusable {
				byOil = math.Max(0, (last.left-unusable)/(last.left-m.left))
			}
			if m.gauge < gauge {
				byPressure = math.Max(0, (last.gauge-gauge)/(last.gauge-m.gauge))
			}
			if last.gauge < gauge {
				byPressure = 0
			}
			if out.limit = "oil"; byPressure < byOil {
				out.limit = "pressure"
			}
			out.oil = last.oil + math.Min(byOil, byPressure)*(m.oil-last.oil)
			break
		}
		last = m
	}
	out.cycles = math.Min(math.Max(e.site.cycles(out.oil), out.whole), out.whole+1-1e-9)
	return out
}

// limits are minimum pressure and unusable oil of a site that would see the
// discharge end there.
func (e *emptied) limits(d dice, byOil, whole bool) (gauge, unusable float64) {
	most := e.site.cycles(e.moments[len(e.moments)-1].oil)
	at := d.in(0.35, 0.97) * math.Min(most, 12)
	if near := math.Round(at); whole && near >= 1 {
		at = near + d.in(-0.1, 0.1)
	}
	at = math.Min(at, 0.98*most)
	lowest := math.Inf(1)
	for i, m := range e.moments {
		if m.moving {
			lowest = math.Min(lowest, m.gauge)
			if e.site.cycles(m.oil) >= at || i == len(e.moments)-1 {
				if byOil {
					return lowest * d.in(0.6, 0.97), m.left
				}
				return m.gauge, m.left * d.in(0.5, 0.97)
			}
		}
	}
	return 0, 0
}

// situation is one state of a site and all that is true and shown of it.
type situation struct {
	name   string
	heat   string // "hot", "cold" or ""
	cfg    rules.Config
	truth  delivery
	theta  float64 // true gas temperature over the wall's, at the first scan
	scans  []signal.Scan
	errors [3]float64 // of pressure, level and wall, against their bands
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
	x := &situation{cfg: s.cfg}
	scans, off := 1+d.IntN(400), d.in(-15, 15)
	least := 0.0
	switch n % 8 {
	case 1:
		x.heat, off, least = "hot", 40*d.in(1.01, 1.35), 40
	case 5:
		x.heat, off, least = "cold", -40*d.in(1.01, 1.35), 40
	}
	b.Start.Gas = wall + off
	// Half a step of the input module and of the register are the panel's.
	const steps = 2.1e-4
	i := &b.Instruments
	i.Pressure.Error = d.sign() * (r.PressureBand - steps*i.Pressure.High)
	i.Level.Error = d.sign() * (r.LevelBand - steps*i.Level.High)
	wallError := d.sign() * 0.8 * r.WallBand
	p := s.plant(tb, b, uint64(n))
	t := p.Truth()
	x.theta = t.GasTemperature / t.WallTemperature
	for k := range scans {
		x.scans = append(x.scans, signal.Scan{Number: uint64(k + 1), Time: t.Wall, Elapsed: time.Duration(k+1) * time.Second,
			ClockTrusted: true, Readings: s.read(p, wallError, t.Wall)})
		p.Step(time.Second)
		if t = p.Truth(); math.Abs(t.GasTemperature-t.WallTemperature) < least {
			break
		}
	}
	theta := t.GasTemperature / t.WallTemperature
	e := s.empty(p)
	x.cfg.Reserve.MinPressure, x.cfg.Reserve.UnusableOil = e.limits(d, d.one(2), d.one(2))
	x.truth = e.within(x.cfg.Reserve.MinPressure, x.cfg.Reserve.UnusableOil)
	x.name = fmt.Sprintf("state %d: %.4g cycles by %s, θ %.4f, τ %.0f, p ratio %.2f, scans %d", n, x.truth.cycles, x.truth.limit, theta, s.tau, (t.Pressure)/(x.cfg.Reserve.MinPressure+b.Tank.Atmosphere), len(x.scans))
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

// grade is how well somebody knows a unit.
type grade struct {
	name string
	// good: what a commissioned unit knows, for which the figures must be of
	// use and not only safe.
	good  bool
	teach func(s *site, x *situation, d dice, cfg *rules.Config, k *knowledge)
}

// followed: the program has seen the sudden change begin in a settled state,
// so that it knows θ right after it to within what the level's band makes of
// the gas volume.
func followed(_ *site, x *situation, d dice, _ *rules.Config, k *knowledge) {
	k.thetaBand = 0.003
	k.theta = x.theta + d.sign()*k.thetaBand
}

func learned(s *site, _ *situation, _ dice, _ *rules.Config, k *knowledge) { k.learned = s.tau }

var grades = []grade{
	{"learned", true, func(s *site, x *situation, d dice, cfg *rules.Config, k *knowledge) {
		followed(s, x, d, cfg, k)
		learned(s, x, d, cfg, k)
	}},
	{"configured", true, func(s *site, x *situation, d dice, cfg *rules.Config, k *knowledge) {
		followed(s, x, d, cfg, k)
		mean := (s.tau[0] + s.tau[1] + s.tau[2]) / 3
		cfg.Reserve.HeatExchange, cfg.Reserve.HeatExchangeUpper = mean*d.in(0.8, 1.2), 1.5*mean
	}},
	{"τ unknown", false, followed},
	{"just started", false, learned},
	{"nothing", false, func(*site, *situation, dice, *rules.Config, *knowledge) {}},
}

// tally counts what came out.
type tally struct {
	sync.Mutex
	counts map[string]int
	short  map[string][]float64 // cycles that at least was below the whole cycles, by grade
}

func (y *tally) add(names ...string) {
	y.Lock()
	defer y.Unlock()
	for _, n := range names {
		y.counts[n]++
	}
}

func TestDischarges(t *testing.T) {
	y := &tally{counts: map[string]int{}, short: map[string][]float64{}}
	t.Run("sites", func(t *testing.T) {
		for n := 0; n < *discharges; n += statesPerSite {
			t.Run(fmt.Sprint(n/statesPerSite), func(t *testing.T) {
				t.Parallel()
				d := dice{rand.New(rand.NewPCG(*dischargeS, uint64(n)))}
				example, build := "quillen-reach", simulator.QuillenReach()
				if n/statesPerSite%2 == 1 {
					example, build = "dunmorrow-flats", simulator.DunmorrowFlats()
				}
				s := anySite(t, d, example, build)
				for i := range min(statesPerSite, *discharges-n) {
					prove(t, y, s, s.anyState(t, d, n+i), d)
				}
			})
		}
	})
	keys := make([]string, 0)
	for k := range y.counts {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	for _, k := range keys {
		t.Logf("%-40s %d", k, y.counts[k])
	}
}

// prove holds what the rules say of a state against what was delivered.
func prove(t *testing.T, y *tally, s *site, x *situation, d dice) {
	w := x.truth
	y.add("states", "limit "+w.limit, "heat "+x.heat)
	if math.Abs(w.cycles-math.Round(w.cycles)) <= 0.1 {
		y.add("whole")
	}
	for _, g := range grades {
		cfg := x.cfg
		var k knowledge
		g.teach(s, x, d, &cfg, &k)
		first := s.judge(t, cfg, nil, x.scans[:1])
		k.volume, k.pressure = first.GasVolume.Value, first.GasPressure.Value
		a := s.judge(t, cfg, s.state(t, k, x.scans[0].Time.Add(-time.Second)), x.scans)
		f := &a.Reserve
		if !f.Known {
			t.Errorf("%s, %s: %s", x.name, g.name, f.Reason)
			continue
		}
		least, expected := float64(f.AtLeast), float64(f.Expected)
		if least > w.whole || float64(f.UsableAtLeast) > w.oil {
			y.add(g.name + " TOO MUCH " + x.heat)
			if g.good {
				t.Errorf("%s, %s: at least %v cycles, %.9f m³ of %.9f; expected %.3f; θ %v±%.3v", x.name, g.name, least, float64(f.UsableAtLeast), w.oil, expected, a.Gas.TemperatureRatio, a.Gas.TemperatureRatioBand)
			}
		}
		if w.whole-least > math.Max(1, 0.2*w.whole) {
			y.add(g.name + " short " + x.heat)
			if g.good {
				t.Logf("SHORT %s, %s: exp %.3f at least %v (%s) θ %.3v±%.3v", x.name, g.name, expected, least, f.AtLeastLimit, a.Gas.TemperatureRatio, a.Gas.TemperatureRatioBand)
			}
		}
		if math.Abs(expected-w.cycles) > 1 {
			y.add(g.name + " off " + x.heat)
			if g.good {
				t.Logf("OFF %s, %s: exp %.3f at least %v θ %.3v±%.3v", x.name, g.name, expected, least, a.Gas.TemperatureRatio, a.Gas.TemperatureRatioBand)
			}
		}
	}
}
