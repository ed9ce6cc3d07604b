package reserve

import (
	"math"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"strokebank/rules/gas"
)

const usGallon = 231 * 0.0254 * 0.0254 * 0.0254

// Computed: a cylinder 100/56 × 500 mm. A cylinder for an 8-inch valve takes
// 2.1 to 4.2 US gal a cycle: common practice, no source.
func TestCylinder(t *testing.T) {
	if got := CapSide(0.1, 0.5) * 1000; math.Abs(got-3.92699) > 5e-6 {
		t.Errorf("cap side %.6f L, want 3.92699", got)
	}
	if got := RodSide(0.1, 0.056, 0.5) * 1000; math.Abs(got-2.69549) > 5e-6 {
		t.Errorf("rod side %.6f L, want 2.69549", got)
	}
	const inch = 0.0254
	if got := (CapSide(6*inch, 12*inch) + RodSide(6*inch, 2*inch, 12*inch)) / usGallon; got < 2.1 || got > 4.2 {
		t.Errorf("%.2f gal a cycle, want 2.1 to 4.2", got)
	}
}

func TestDefaultCycle(t *testing.T) {
	got := DefaultCycle(
		Stroke{Valve: "A", Oil: 2, Together: true}, Stroke{Valve: "A", Closing: true, Oil: 1},
		Stroke{Valve: "B", Closing: true, Oil: 1}, Stroke{Valve: "B", Oil: 2, Together: true})
	want := []Stroke{
		{Valve: "A", Closing: true, Oil: 1}, {Valve: "B", Closing: true, Oil: 1},
		{Valve: "A", Oil: 2}, {Valve: "B", Oil: 2, Together: true}}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%+v, want %+v", got, want)
	}
}

func TestPhases(t *testing.T) {
	cases := []struct {
		name    string
		strokes []Stroke
		want    []phase
	}{
		{"one after another",
			[]Stroke{{Oil: 1, Duration: 10, Dwell: 5}, {Oil: 2, Duration: 4, Demand: 9}},
			[]phase{{oil: 1, dt: 10, moving: true, ends: []int{0}}, {dt: 5}, {oil: 2, dt: 4, demand: 9, moving: true, counts: true, ends: []int{1}}}},
		{"together, the slower one is last",
			[]Stroke{{Oil: 10, Duration: 10, Demand: 7}, {Oil: 4, Duration: 4, Dwell: 20, Demand: 9, Together: true}},
			[]phase{{oil: 8, dt: 4, demand: 9, moving: true, ends: []int{1}}, {oil: 6, dt: 6, demand: 7, moving: true, counts: true, ends: []int{0}}, {dt: 14}}},
		{"together and at once",
			[]Stroke{{Oil: 3}, {Oil: 5, Duration: 5, Demand: 2, Together: true}},
			[]phase{{oil: 3, moving: true, ends: []int{0}}, {oil: 5, dt: 5, demand: 2, moving: true, counts: true, ends: []int{1}}}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			p, err := newPlan(c.strokes, false)
			if err != nil {
				t.Fatal(err)
			}
			if !reflect.DeepEqual(p.phases, c.want) {
				t.Errorf("%+v, want %+v", p.phases, c.want)
			}
		})
	}
}

// A state with oil for a given number of cycles, by oil alone.
func byOil(p *plan, cycles float64) (start, *terms) {
	s := start{p: 8e5, gas: 1000, oil: cycles, theta: 1}
	return s, &terms{tau: 0, swell: 1, min: 1e5, atmosphere: 1e5, kernels: p.prepare(ofEstimate, 0)}
}

func TestCounting(t *testing.T) {
	both := []Stroke{{Valve: "A", Closing: true, Oil: 0.6, Duration: 1}, {Valve: "A", Oil: 0.4, Duration: 1}}
	closing := both[:1]
	cases := []struct {
		name    string
		strokes []Stroke
		ends    bool
		oil     float64
		want    float64
	}{
		{"nothing", both, false, 0, 0},
		{"half a cycle", both, false, 0.5, 0.5},
		{"two cycles and a bit", both, false, 2.3, 2.3},
		{"the last cycle ends with the closing", both, true, 2.6, 3},
		{"part of the first closing", both, true, 0.3, 0.5},
		{"closed once and on the way to the second", both, true, 1.1, 1.5},
		{"closing only", closing, false, 1.2, 2},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			p, err := newPlan(c.strokes, c.ends)
			if err != nil {
				t.Fatal(err)
			}
			s, terms := byOil(p, c.oil)
			out := p.run(s, terms, nil)
			if math.Abs(out.cycles-c.want) > 1e-9 || math.Abs(out.oil-c.oil) > 1e-9 || out.limit != ByOil {
				t.Errorf("%+v, want %v cycles of %v m³ by oil", out, c.want, c.oil)
			}
		})
	}
}

func TestOneWayCountsOnce(t *testing.T) {
	cfg := unitConfig(t)
	cfg.Cycle, cfg.Required = cfg.Cycle[:2], 1
	f := figures(newEngine(t, cfg), input(7.9e5, 1.58))
	if f.AtLeast != 1 || f.Expected != 1 || f.FullCharge != 1 {
		t.Errorf("%v, %v, %v: closing strokes alone count once", f.AtLeast, f.Expected, f.FullCharge)
	}
	if len(f.Strokes) != 2 {
		t.Errorf("%d strokes, want the two of the one cycle", len(f.Strokes))
	}
}

func TestDemandOfAValve(t *testing.T) {
	cfg := unitConfig(t)
	free := figures(newEngine(t, cfg), input(7.9e5, 1.58))
	cfg.Cycle[2].Demand = 6.5e5
	f := figures(newEngine(t, cfg), input(7.9e5, 1.58))
	last := f.Strokes[len(f.Strokes)-1]
	if !(f.Expected < free.Expected) || last.Valve != "A" || last.Closing || last.Counts || f.Limit != ByPressure {
		t.Errorf("expected %v (before %v), ended by %+v", f.Expected, free.Expected, last)
	}
	for _, s := range f.Strokes[:len(f.Strokes)-1] {
		if !s.Counts || (s.Valve == "A" && !s.Closing && s.Pressure < 6.5e5) {
			t.Errorf("%+v keeps its limits", s)
		}
	}
}

// Together draws faster, so that the gas has less time to take heat.
func TestTogetherIsNotMore(t *testing.T) {
	cfg := unitConfig(t)
	apart := figures(newEngine(t, cfg), input(7.9e5, 1.58))
	cfg.Cycle[1].Together, cfg.Cycle[3].Together = true, true
	together := figures(newEngine(t, cfg), input(7.9e5, 1.58))
	if !(together.Expected < apart.Expected) {
		t.Errorf("together %v, one after another %v", together.Expected, apart.Expected)
	}
}

// The pressure within a phase is never below both of its ends, so that
// looking at the ends holds the limit throughout.
func TestLowestPressureIsAtAnEnd(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tau := rapid.Float64Range(1, 1000).Draw(t, "τ")
		ph := phase{oil: rapid.Float64Range(1e-4, 2).Draw(t, "oil"), dt: rapid.Float64Range(0.1, 300).Draw(t, "time"), moving: true}
		d := begin(start{p: 8e5, gas: 2, oil: 2, theta: rapid.Float64Range(0.8, 1.2).Draw(t, "θ")})
		terms := &terms{tau: tau, swell: 1}
		low := math.Min(d.p, d.part(&ph, 1, terms).p)
		for i := 1; i < 50; i++ {
			if p := d.part(&ph, float64(i)/50, terms).p; p < low*(1-1e-9) {
				t.Fatalf("%v Pa within the stroke, %v Pa at its ends", p, low)
			}
		}
	})
}

// Cold gas under the minimum pressure at the start of a slow stroke is above
// it at the end: the stroke still does not count.
func TestStartOfAStroke(t *testing.T) {
	c := bigCase()
	c.MinPressure, c.GasTemperature, c.WallTemperature = 8.05e5, 250, 290
	c.OilPerCycle, c.StrokesPerCycle, c.StrokeTime, c.HeatExchange = 0.01, 1, 60, 60
	if v := verdict(t, c); v.ExpectedCycles != 0 || v.Limit != ByPressure {
		t.Errorf("%+v, want nothing", v)
	}
	c.MinPressure = 7.95e5
	if v := verdict(t, c); v.ExpectedCycles < 1 {
		t.Errorf("%+v, want some", v)
	}
}

// A valve that a spring moves one way draws oil the other way only, and can be
// stroked again and again. Isothermal: a stroke takes 3000 time constants.
func TestSpringReturn(t *testing.T) {
	for _, c := range []struct {
		name             string
		closing, opening float64
		first            float64 // cycles that need no oil: a spring closes, and that counts
	}{{"a spring opens", 0.05, 0, 0}, {"a spring closes", 0, 0.05, 1}} {
		t.Run(c.name, func(t *testing.T) {
			config := unitConfig(t)
			config.Cycle = DefaultCycle(Stroke{Valve: "A", Closing: true, Oil: c.closing, Duration: 30}, Stroke{Valve: "A", Oil: c.opening, Duration: 30})
			config.EndsWithClosing = true
			config.HeatExchange, config.HeatExchangeUpper = 0.01, 0.01
			config.PressureBand, config.LevelBand, config.WallBand, config.MaxLeak = 0, 0, 0, 0
			f := figures(newEngine(t, config), input(8e5, 1.6))
			usable := gas.Isothermal(config.Tank.Total()-config.Tank.Volume(1.6), 8e5+101325, 5e5+101325)
			near(t, "expected", f.Expected, c.first+usable/0.05, 0.02)
			if least := c.first + math.Floor(usable/1.02/0.05); float64(f.AtLeast) < least-1 || f.AtLeast > f.Expected {
				t.Errorf("at least %v, want about %v and at most %v", f.AtLeast, least, f.Expected)
			}
		})
	}
	if _, err := newPlan([]Stroke{{Valve: "A", Closing: true}, {Valve: "A"}}, false); err == nil {
		t.Error("a cycle that draws no oil was taken")
	}
}
