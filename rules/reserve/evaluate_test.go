package reserve

import (
	"math"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"strokebank/rules/gas"
	"strokebank/sensors/signal"
)

func figures(e *Engine, in Input) Figures {
	var f Figures
	e.Evaluate(in, &f)
	return f
}

func near(t *testing.T, what string, got signal.Number, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(float64(got)-want) <= tolerance) {
		t.Errorf("%s is %v, want %v", what, got, want)
	}
}

func TestBadInputIsUnknown(t *testing.T) {
	e := newEngine(t, unitConfig(t))
	cases := []struct {
		name, want string
		spoil      func(*Input)
	}{
		{"failed transmitter", "pressure: failure signal low", func(in *Input) { in.Pressure = signal.Missing(signal.Pascal, signal.FailureLow, noon) }},
		{"level lost", "level: link lost", func(in *Input) { in.Level = signal.Missing(signal.Metre, signal.LinkLost, noon) }},
		{"nothing read yet", "pressure: not read yet", func(in *Input) { *in = Input{} }},
		{"no atmosphere", "atmospheric pressure: not known", func(in *Input) { in.Atmosphere = math.NaN() }},
		{"vacuum", "pressure: not above vacuum", func(in *Input) { in.Pressure.Value = -1 }},
		{"level not a number", "level: implausible value", func(in *Input) { in.Level.Value = math.NaN() }},
		{"level above the tank", "level: outside the tank", func(in *Input) { in.Level.Value = 3.2 }},
		{"level below the tank", "level: outside the tank", func(in *Input) { in.Level.Value = -0.2 }},
		{"tank full of oil", "level: no gas above the oil", func(in *Input) { in.Level.Value = 3 }},
		{"gas temperature", "gas temperature: implausible value", func(in *Input) { in.Theta = -1 }},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			in := input(7.9e5, 1.58)
			c.spoil(&in)
			out := figures(e, input(7.9e5, 1.58)) // old figures must go
			e.Evaluate(in, &out)
			if out.Known || out.Quality != signal.Bad || out.Reason != c.want || len(out.Strokes) != 0 || out.Required != 3 {
				t.Errorf("%+v, want unknown because %q", out, c.want)
			}
			for _, n := range []signal.Number{out.AtLeast, out.Expected, out.FullCharge, out.UsableOil, out.UsableAtLeast, out.HoldTime, out.TimeToFull, out.TimeToFullOne} {
				if n.Known() {
					t.Errorf("a figure is %v, want unknown: %+v", n, out)
				}
			}
		})
	}
}

func TestUncertainInputWidens(t *testing.T) {
	e := newEngine(t, unitConfig(t))
	good := figures(e, input(7.9e5, 1.58))
	if !good.Known || good.Quality != signal.Good || good.Reason != "" {
		t.Fatalf("%+v", good)
	}
	for name, want := range map[string]string{"pressure": "pressure: older than one scan", "level": "level: older than one scan", "wall": "wall temperature: older than one scan"} {
		t.Run(name, func(t *testing.T) {
			in := input(7.9e5, 1.58)
			r := map[string]*signal.Reading{"pressure": &in.Pressure, "level": &in.Level, "wall": &in.Wall}[name]
			*r = r.Degrade(signal.Uncertain, signal.Late)
			got := figures(e, in)
			if !got.Known || got.Quality != signal.Uncertain || got.Reason != want {
				t.Errorf("quality %v, reason %q, want uncertain, %q", got.Quality, got.Reason, want)
			}
			if !(got.UsableAtLeast < good.UsableAtLeast) || got.Expected != good.Expected {
				t.Errorf("at least %v m³ after %v, expected %v after %v", got.UsableAtLeast, good.UsableAtLeast, got.Expected, good.Expected)
			}
		})
	}
}

// A wall transmitter that has failed leaves the configured lowest wall.
func TestWallFails(t *testing.T) {
	e := newEngine(t, unitConfig(t))
	failed, absent := input(7.9e5, 1.58), input(7.9e5, 1.58)
	failed.Wall = signal.Missing(signal.Kelvin, signal.FailureLow, noon)
	absent.Wall = signal.Missing(signal.Kelvin, signal.NotConfigured, noon)
	a, b := figures(e, failed), figures(e, absent)
	if !a.Known || a.Quality != signal.Uncertain || a.Reason != "wall temperature: failure signal low" || a.AtLeast != b.AtLeast || a.UsableAtLeast != b.UsableAtLeast {
		t.Errorf("failed: %+v, absent: %+v", a, b)
	}
	if !b.Known || b.Quality != signal.Good || b.Reason != "" {
		t.Errorf("a unit without a wall transmitter: %+v", b)
	}
}

// Where the level's band reaches the top of the tank there may be no gas.
func TestPerhapsNoGas(t *testing.T) {
	cfg := unitConfig(t)
	cfg.LevelBand = 0.01
	f := figures(newEngine(t, cfg), input(7.9e5, 2.995))
	if !f.Known || f.AtLeast != 0 || f.UsableAtLeast != 0 || f.HoldTime != 0 {
		t.Errorf("%+v, want at least 0", f)
	}
}

// Where no band is configured an uncertain reading still gets one: 1 % of full
// charge.
func TestUncertainWithoutABand(t *testing.T) {
	cfg := unitConfig(t)
	cfg.PressureBand, cfg.LevelBand = 0, 0
	e := newEngine(t, cfg)
	good, in := figures(e, input(7.9e5, 1.58)), input(7.9e5, 1.58)
	in.Pressure = in.Pressure.Degrade(signal.Uncertain, signal.AboveRange)
	cfg.PressureBand = 0.01 * (8e5 + 101325)
	want := figures(newEngine(t, cfg), input(7.9e5, 1.58))
	got := figures(e, in)
	near(t, "at least", got.UsableAtLeast, float64(want.UsableAtLeast), 1e-12)
	if !(got.UsableAtLeast < good.UsableAtLeast) {
		t.Errorf("at least %v m³ uncertain, %v m³ good", got.UsableAtLeast, good.UsableAtLeast)
	}
}

// Each doubt lowers the bound and none touches the expected figure.
func TestDoubtsLowerTheBound(t *testing.T) {
	base := unitConfig(t)
	base.MaxLeak = 0
	none := base
	none.PressureBand, none.LevelBand, none.WallBand = 0, 0, 0
	none.HeatExchangeUpper = none.HeatExchange
	exact := figures(newEngine(t, none), input(7.9e5, 1.58))
	cases := []struct {
		name string
		c    func(*Config)
		in   func(*Input)
	}{
		{"pressure band", func(c *Config) { c.PressureBand = 4000 }, nil},
		{"level band", func(c *Config) { c.LevelBand = 0.01 }, nil},
		{"wall band", func(c *Config) { c.WallBand = 3 }, nil},
		{"lowest wall, not measured", func(c *Config) { c.LowestWall = 283 }, func(in *Input) { in.Wall = signal.Missing(signal.Kelvin, signal.NotConfigured, noon) }},
		{"τ upper bound", func(c *Config) { c.HeatExchangeUpper = 300 }, nil},
		{"τ bound unknown", func(c *Config) { c.HeatExchangeUpper = 0 }, nil},
		{"gas temperature band", nil, func(in *Input) { in.ThetaBand = 0.01 }},
		{"gas temperature unknown", nil, func(in *Input) { in.ThetaKnown = false }},
		{"leak not learned", func(c *Config) { c.MaxLeak = 1e-4 }, func(in *Input) { in.LeakKnown = false }},
		{"leak band", nil, func(in *Input) { in.LeakBand = 1e-4 }},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			cfg, in := none, input(7.9e5, 1.58)
			if c.c != nil {
				c.c(&cfg)
			}
			if c.in != nil {
				c.in(&in)
			}
			got := figures(newEngine(t, cfg), in)
			if !(got.UsableAtLeast < exact.UsableAtLeast-1e-4) {
				t.Errorf("at least %v m³, want less than %v", got.UsableAtLeast, exact.UsableAtLeast)
			}
			near(t, "expected", got.Expected, float64(exact.Expected), 1e-12)
		})
	}
}

func TestHotGasIsNotCounted(t *testing.T) {
	cfg := unitConfig(t)
	cfg.WallBand, cfg.PressureBand, cfg.LevelBand = 0, 0, 0
	e := newEngine(t, cfg)
	settled, hot := input(7.9e5, 1.58), input(0, 1.58)
	hot.Theta = 1.05
	hot.Pressure.Value = settled.Pressure.Value * 1.05
	a, b := figures(e, settled), figures(e, hot)
	// The same air: only the real-gas allowance sees the higher pressure.
	if math.Abs(float64(a.UsableAtLeast-b.UsableAtLeast)) > 1e-3 {
		t.Errorf("at least %v m³ settled, %v m³ while hot", a.UsableAtLeast, b.UsableAtLeast)
	}
	if !(b.Expected > a.Expected) {
		t.Errorf("expected %v while hot, %v settled", b.Expected, a.Expected)
	}
}

func TestFullCharge(t *testing.T) {
	e := newEngine(t, unitConfig(t))
	f := figures(e, input(8e5, 1.6))
	near(t, "full charge", f.FullCharge, float64(f.Expected), 1e-12)
	near(t, "time to full", f.TimeToFull, 0, 1e-6)
	low := figures(e, input(7e5, 1.4))
	near(t, "full charge", low.FullCharge, float64(f.FullCharge), 0)
	thin := input(8e5, 1.6)
	thin.Atmosphere = gas.Atmosphere(2000)
	if got := figures(e, thin); got.FullCharge == f.FullCharge {
		t.Error("full charge does not see the atmosphere")
	}
	learned := input(8e5, 1.6)
	learned.HeatExchange, learned.HeatExchangeUpper = 30, 40
	if got := figures(e, learned); !(got.Expected > f.Expected && got.UsableAtLeast > f.UsableAtLeast) {
		t.Errorf("a learned τ of 30 s gives %v and %v m³, before %v and %v m³", got.Expected, got.UsableAtLeast, f.Expected, f.UsableAtLeast)
	}
}

// While θ is unknown, the follower's band says how warm the gas may be; with no
// band it is 40 K, whatever the machines can do: a service fill from bottles
// can do more.
func TestUnknownTheta(t *testing.T) {
	e := newEngine(t, unitConfig(t))
	known, wide, narrow := input(7.9e5, 1.58), input(7.9e5, 1.58), input(7.9e5, 1.58)
	wide.ThetaKnown, narrow.ThetaKnown = false, false
	wide.ThetaBand, narrow.ThetaBand = hottest, 0.001
	a, b, c := figures(e, known), figures(e, narrow), figures(e, wide)
	if !(a.UsableAtLeast > b.UsableAtLeast && b.UsableAtLeast > c.UsableAtLeast) {
		t.Errorf("at least %v m³ known, %v nearly, %v not", a.UsableAtLeast, b.UsableAtLeast, c.UsableAtLeast)
	}
	none := wide
	none.ThetaBand = 0
	if d := figures(e, none); d.UsableAtLeast != c.UsableAtLeast {
		t.Errorf("at least %v m³ with nothing known of θ, %v with 40 K", d.UsableAtLeast, c.UsableAtLeast)
	}
}

// A learned bound is never taken below the learned value.
func TestLearnedBound(t *testing.T) {
	e := newEngine(t, unitConfig(t))
	a, b := input(7.9e5, 1.58), input(7.9e5, 1.58)
	a.HeatExchange, a.HeatExchangeUpper = 200, 200
	b.HeatExchange, b.HeatExchangeUpper = 200, 50
	near(t, "at least", figures(e, b).UsableAtLeast, float64(figures(e, a).UsableAtLeast), 0)
}

// Time to full: oil against the leak, then air, by both and by one machine.
// A 25 gal refill by one 4 gpm pump takes 6.25 min: common practice, no source.
func TestTimeToFull(t *testing.T) {
	cfg := unitConfig(t)
	const gallon = 231 * 0.0254 * 0.0254 * 0.0254
	cfg.PumpFlow = [2]float64{4 * gallon / 60, 4 * gallon / 60}
	cfg.CompressorAir = [2]float64{2e-3, 3e-3}
	e := newEngine(t, cfg)
	set := cfg.Tank.Volume(cfg.SetLevel)
	oil := set - 25*gallon
	space := cfg.Tank.Total() - set
	// The air that the set state holds, spread over the larger room.
	p := (8e5 + 101325) * space / (space + 25*gallon)
	in := input(p-101325, cfg.Tank.Level(oil))
	f := figures(e, in)
	near(t, "one pump", f.TimeToFullOne, 6.25*60, 1e-3)
	near(t, "both pumps", f.TimeToFull, 6.25*30, 1e-3)
	// 1 % of the air is missing: the weaker compressor, then both.
	in.Pressure.Value *= 0.99
	f = figures(e, in)
	free := 0.01 * (8e5 + 101325) * space / 101325
	near(t, "one of each", f.TimeToFullOne, 6.25*60+free/2e-3, 1e-3)
	near(t, "both of each", f.TimeToFull, 6.25*30+free/5e-3, 1e-3)
	in.Leak = 1
	if f = figures(e, in); f.TimeToFull.Known() {
		t.Errorf("a leak above the pumps' flow is full in %v s", f.TimeToFull)
	}
}

// The hold time is the last moment at which the required cycles are kept.
func TestHoldTime(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cfg := unitConfig(t)
		cfg.Required = rapid.IntRange(1, 4).Draw(t, "required")
		cfg.UnusableOil = rapid.Float64Range(0.1, 1.9).Draw(t, "unusable")
		cfg.EndsWithClosing = rapid.Bool().Draw(t, "ends with closing")
		e := newEngine(t, cfg)
		in := input(rapid.Float64Range(6e5, 8e5).Draw(t, "pressure"), rapid.Float64Range(1.2, 1.7).Draw(t, "level"))
		in.Leak = rapid.Float64Range(1e-8, 1e-6).Draw(t, "leak")
		now := figures(e, in)
		if now.AtLeast < signal.Number(cfg.Required) {
			if now.HoldTime != 0 {
				t.Fatalf("hold time %v with %v of %d cycles", now.HoldTime, now.AtLeast, cfg.Required)
			}
			return
		}
		if now.HoldTime > 0.99*HoldTimeMax {
			return
		}
		after := func(s float64) signal.Number {
			later := in
			space, oil := cfg.Tank.Total()-cfg.Tank.Volume(in.Level.Value), cfg.Tank.Volume(in.Level.Value)
			lost := math.Min(oil, in.Leak*s)
			later.Level.Value = cfg.Tank.Level(oil - lost)
			later.Pressure.Value *= space / (space + lost)
			return figures(e, later).AtLeast
		}
		hold := float64(now.HoldTime)
		// The bands move with the state, so that the two computations differ a little.
		if got := after(0.95 * hold); got < signal.Number(cfg.Required) {
			t.Fatalf("after 95 %% of the hold time %v s only %v of %d cycles are left", hold, got, cfg.Required)
		}
		if got := after(1.05*hold + 2e-3/in.Leak); got >= signal.Number(cfg.Required) {
			t.Fatalf("after 105 %% of the hold time %v s still %v of %d cycles are left", hold, got, cfg.Required)
		}
	})
}

func TestHoldWithoutLeak(t *testing.T) {
	e := newEngine(t, unitConfig(t))
	near(t, "hold time", figures(e, input(7.9e5, 1.58)).HoldTime, HoldTimeMax, 0)
}

func TestDoubts(t *testing.T) {
	e := newEngine(t, unitConfig(t))
	in := input(7.9e5, 1.58)
	in.ThetaBand, in.LeakBand = 0.01, 1e-4
	prices := e.Doubts(in)
	names := make([]string, 0, len(prices))
	for _, p := range prices {
		names = append(names, p.Doubt)
		if !(p.Cycles > 1e-4) || p.Cycles > 2 {
			t.Errorf("%s costs %v cycles", p.Doubt, p.Cycles)
		}
	}
	want := []string{"pressure band", "level band", "heat exchange", "gas temperature", "wall", "leak", "real gas"}
	if !reflect.DeepEqual(names, want) {
		t.Errorf("doubts %v, want %v", names, want)
	}
	in.Level = signal.Missing(signal.Metre, signal.NoAnswer, noon)
	if e.Doubts(in) != nil {
		t.Error("prices without a level")
	}
}

func TestEvaluateDoesNotAllocate(t *testing.T) {
	e := newEngine(t, unitConfig(t))
	out := Figures{Strokes: make([]AfterStroke, 0, MaxRows)}
	in := input(7.9e5, 1.58)
	in.Leak = 1e-7
	late, bad := in, in
	late.Level = late.Level.Degrade(signal.Uncertain, signal.Late)
	bad.Level = signal.Missing(signal.Metre, signal.LinkLost, noon)
	for name, in := range map[string]Input{"good": in, "uncertain": late, "bad": bad} {
		if n := testing.AllocsPerRun(100, func() { e.Evaluate(in, &out) }); n != 0 {
			t.Errorf("%s: %v allocations", name, n)
		}
	}
}

func TestWrongConfigurations(t *testing.T) {
	cases := []struct {
		name, want string
		spoil      func(*Config)
	}{
		{"no tank", "tank is missing", func(c *Config) { c.Tank = nil }},
		{"minimum above set", "minimum pressure", func(c *Config) { c.MinPressure = 9e5 }},
		{"unusable above set", "unusable oil", func(c *Config) { c.UnusableOil = 3 }},
		{"demand above set", "stroke 2 (B) demands", func(c *Config) { c.Cycle[1].Demand = 8.1e5 }},
		{"empty cycle", "cycle is empty", func(c *Config) { c.Cycle = nil }},
		{"above 20 bar", "20 bar", func(c *Config) { c.SetPressure = 19.1e5 }},
		{"set level above the tank", "set level", func(c *Config) { c.SetLevel = 3.1 }},
		{"nothing required", "required cycles", func(c *Config) { c.Required = 0 }},
		{"oil below 0 in a stroke", "stroke 1 (A): oil", func(c *Config) { c.Cycle[0].Oil = -1 }},
		{"negative dwell", "stroke 1 (A): dwell", func(c *Config) { c.Cycle[0].Dwell = -1 }},
		{"negative duration", "stroke 1 (A): duration", func(c *Config) { c.Cycle[0].Duration = -1 }},
		{"negative demand", "stroke 1 (A): demand", func(c *Config) { c.Cycle[0].Demand = -1 }},
		{"together with nothing", "begin together", func(c *Config) { c.Cycle[0].Together = true }},
		{"τ bound below τ", "upper bound", func(c *Config) { c.HeatExchangeUpper = 100 }},
		{"negative band", "pressure band", func(c *Config) { c.PressureBand = -1 }},
		{"lowest wall", "lowest wall", func(c *Config) { c.LowestWall = 300 }},
		{"one way twice", "one direction", func(c *Config) { c.Cycle = c.Cycle[:2]; c.Required = 2 }},
		{"tiny cycle", "too small", func(c *Config) {
			for i := range c.Cycle {
				c.Cycle[i].Oil = 1e-5
			}
		}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			cfg := unitConfig(t)
			c.spoil(&cfg)
			if _, err := New(cfg); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%v, want an error that says %q", err, c.want)
			}
		})
	}
	cfg := unitConfig(t)
	cfg.MinPressure, cfg.Required, cfg.Cycle[0].Oil = 9e5, 0, -1
	if _, err := New(cfg); err == nil || strings.Count(err.Error(), "\n") < 2 {
		t.Errorf("%v, want all three mistakes at once", err)
	}
}
