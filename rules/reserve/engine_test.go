package reserve

import (
	"testing"
	"time"

	"strokebank/rules/tank"
	"strokebank/sensors/signal"
)

var noon = time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)

// fataler is a testing.TB or a rapid.T.
type fataler interface {
	Helper()
	Fatal(...any)
}

// unitConfig is an invented unit: 4.86 m³, four valves of 22 and 15 L.
func unitConfig(t fataler) Config {
	t.Helper()
	tk, err := tank.New(tank.Shape{Diameter: 1.5, Length: 2.25, Bottom: tank.Ellipsoidal, Top: tank.Ellipsoidal})
	if err != nil {
		t.Fatal(err)
	}
	return Config{
		Tank: tk, Required: 3, MinPressure: 5e5, SetPressure: 8e5, SetLevel: 1.6, UnusableOil: 0.5,
		Cycle: []Stroke{
			{Valve: "A", Closing: true, Oil: 0.06, Duration: 12, Dwell: 5},
			{Valve: "B", Closing: true, Oil: 0.06, Duration: 12, Dwell: 5},
			{Valve: "A", Oil: 0.045, Duration: 10, Dwell: 5},
			{Valve: "B", Oil: 0.045, Duration: 10, Dwell: 60},
		},
		HeatExchange: 120, HeatExchangeUpper: 180, PressureBand: 4000, LevelBand: 0.005,
		WallBand: 3, LowestWall: 288.15, MaxLeak: 1e-7,
		PumpFlow: [2]float64{2.5e-4, 2.5e-4}, CompressorAir: [2]float64{3e-3, 3e-3},
	}
}

func newEngine(t fataler, c Config) *Engine {
	t.Helper()
	e, err := New(c)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

func input(p, level float64) Input {
	return Input{
		Pressure: signal.Measured(p+101325, signal.Pascal, noon), Level: signal.Measured(level, signal.Metre, noon),
		Atmosphere: 101325, Wall: signal.Measured(293.15, signal.Kelvin, noon),
		Theta: 1, ThetaKnown: true, LeakKnown: true,
	}
}

func BenchmarkEvaluate(b *testing.B) {
	for _, c := range []struct {
		name           string
		unusable, leak float64
		minimum        float64
	}{
		{"cycles=3/strokes=4/limit=pressure/leak=0", 0.5, 0, 5.5e5},
		{"cycles=3/strokes=4/limit=pressure/leak=0.4Lh", 0.5, 1e-7, 5.5e5},
		{"cycles=3/strokes=4/limit=oil/leak=0", 1.8, 0, 5e5},
		{"cycles=3/strokes=4/limit=oil/leak=0.4Lh", 1.8, 1e-7, 5e5},
	} {
		b.Run(c.name, func(b *testing.B) {
			cfg := unitConfig(b)
			cfg.UnusableOil, cfg.MinPressure = c.unusable, c.minimum
			e := newEngine(b, cfg)
			in := input(7.9e5, 1.58)
			in.Leak = c.leak
			out := Figures{Strokes: make([]AfterStroke, 0, MaxRows)}
			b.ReportAllocs()
			for b.Loop() {
				e.Evaluate(in, &out)
			}
			b.ReportMetric(float64(out.Expected), "cycles")
		})
	}
}
