package reserve

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"strokebank/sensors/signal"
)

// anyCase is any case that a unit can be in.
func anyCase(t *rapid.T) Case {
	in := func(name string, low, high float64) float64 { return rapid.Float64Range(low, high).Draw(t, name) }
	c := Case{Atmosphere: in("atmosphere", 0.7e5, 1.05e5), TankVolume: in("tank", 0.2, 20)}
	c.OilVolume = c.TankVolume * in("oil", 0.02, 0.95)
	c.Pressure = in("pressure", 2e5, 16e5)
	c.MinPressure = c.Pressure * in("minimum", 0.3, 1.05)
	c.UnusableOil = c.OilVolume * in("unusable", 0, 1.05)
	c.OilPerCycle = c.TankVolume * in("cycle", 0.01, 0.3)
	c.StrokesPerCycle = rapid.IntRange(1, 6).Draw(t, "strokes")
	c.StrokeTime = in("stroke time", 0, 60)
	c.DwellTime = in("dwell", 0, 200)
	wall := in("wall", 263, 323)
	c.WallTemperature = signal.Number(wall)
	c.GasTemperature = wall * in("gas over wall", 0.85, 1.15)
	c.HeatExchange = signal.Unknown()
	if rapid.Bool().Draw(t, "τ known") {
		c.HeatExchange = signal.Number(in("τ", 0, 900))
	}
	c.HeatExchangeBand = in("τ band", 0, 1)
	c.PressureBand = in("pressure band", 0, 2e4)
	c.OilBand = c.TankVolume * in("oil band", 0, 0.02)
	c.WallBand = in("wall band", 0, 8)
	return c
}

func verdict(t interface{ Fatalf(string, ...any) }, c Case) Verdict {
	v, err := c.Evaluate()
	if err != nil {
		t.Fatalf("%+v: %v", c, err)
	}
	return v
}

func TestOrderOfFigures(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := anyCase(t)
		v := verdict(t, c)
		warm := math.Max(1, float64(c.WallTemperature)/c.GasTemperature)
		space, p, end := c.TankVolume-c.OilVolume, c.Pressure+c.Atmosphere, c.MinPressure+c.Atmosphere
		most := math.Max(0, math.Min(space*(p*warm/end-1), c.OilVolume-c.UnusableOil))
		if float64(v.AtLeastCycles) > v.ExpectedCycles+1e-8 || v.AtLeastVolume > v.ExpectedVolume+1e-8*c.TankVolume {
			t.Fatalf("at least %d (%v m³) is above expected %v (%v m³)", v.AtLeastCycles, v.AtLeastVolume, v.ExpectedCycles, v.ExpectedVolume)
		}
		if v.ExpectedVolume > most+1e-7*c.TankVolume {
			t.Fatalf("expected %v m³ is above the isothermal %v m³ at the warmer of gas and wall", v.ExpectedVolume, most)
		}
		if v.AdiabaticCycles > v.IsothermalCycles {
			t.Fatalf("adiabatic %d above isothermal %d", v.AdiabaticCycles, v.IsothermalCycles)
		}
	})
}

// never fails where b has fewer cycles than a.
func never(t *rapid.T, what string, a, b Case) {
	x, y := verdict(t, a), verdict(t, b)
	if y.AtLeastCycles < x.AtLeastCycles || y.ExpectedCycles < x.ExpectedCycles-1e-6 || y.AtLeastVolume < x.AtLeastVolume-1e-6*b.TankVolume {
		t.Fatalf("%s gives fewer: %+v, then %+v", what, x, y)
	}
}

func TestMoreIsNeverFewer(t *testing.T) {
	t.Run("pressure", func(t *testing.T) {
		rapid.Check(t, func(t *rapid.T) {
			a := anyCase(t)
			b := a
			b.Pressure += rapid.Float64Range(0, 2e5).Draw(t, "more pressure")
			never(t, "more pressure", a, b)
		})
	})
	t.Run("tank", func(t *testing.T) {
		rapid.Check(t, func(t *rapid.T) {
			a := anyCase(t)
			b := a
			b.TankVolume *= rapid.Float64Range(1, 2).Draw(t, "larger tank")
			never(t, "a larger tank", a, b)
		})
	})
	t.Run("dwell", func(t *testing.T) {
		rapid.Check(t, func(t *rapid.T) {
			a := anyCase(t)
			a.GasTemperature = math.Min(a.GasTemperature, float64(a.WallTemperature))
			b := a
			b.DwellTime += rapid.Float64Range(0, 300).Draw(t, "longer dwell")
			x, y := verdict(t, a), verdict(t, b)
			if y.ExpectedCycles < x.ExpectedCycles-1e-6 {
				t.Fatalf("a longer dwell gives %v after %v", y.ExpectedCycles, x.ExpectedCycles)
			}
		})
	})
}

func TestLimitsOfHeatExchange(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := anyCase(t)
		c.GasTemperature = float64(c.WallTemperature)
		c.StrokeTime = math.Max(c.StrokeTime, 0.5)
		space, p, end := c.TankVolume-c.OilVolume, c.Pressure+c.Atmosphere, c.MinPressure+c.Atmosphere
		byOil := c.OilVolume - c.UnusableOil
		for tau, most := range map[float64]float64{0: space * (p/end - 1), 1e12: space * (math.Pow(p/end, 1/1.4) - 1)} {
			c.HeatExchange = signal.Number(tau)
			want := math.Max(0, math.Min(most, byOil))
			if got := verdict(t, c).ExpectedVolume; math.Abs(got-want) > 1e-7*c.TankVolume {
				t.Fatalf("τ %v: %v m³, want %v", tau, got, want)
			}
		}
	})
}

// A whole unit and its bands k times as large gives k times the volumes.
func TestScale(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := anyCase(t)
		b, k := a, rapid.Float64Range(0.1, 10).Draw(t, "k")
		for _, f := range []*float64{&b.TankVolume, &b.OilVolume, &b.UnusableOil, &b.OilPerCycle, &b.OilBand} {
			*f *= k
		}
		x, y := verdict(t, a), verdict(t, b)
		if math.Abs(y.ExpectedVolume-k*x.ExpectedVolume) > 1e-7*b.TankVolume || math.Abs(y.AtLeastVolume-k*x.AtLeastVolume) > 1e-7*b.TankVolume {
			t.Fatalf("k = %v: %+v, then %+v", k, x, y)
		}
	})
}

// Only ratios of pressures count: any unit in, the same cycles out. (The
// real-gas allowance knows bars; the expected figure does not use it.)
func TestPressureUnit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := anyCase(t)
		b := a
		const k = 0.3
		for _, f := range []*float64{&b.Pressure, &b.Atmosphere, &b.MinPressure, &b.PressureBand} {
			*f *= k
		}
		x, y := verdict(t, a), verdict(t, b)
		if math.Abs(y.ExpectedCycles-x.ExpectedCycles) > 1e-6 {
			t.Fatalf("%v cycles, then %v", x.ExpectedCycles, y.ExpectedCycles)
		}
	})
}

// Computed independently: 2.000 m³ of gas, 8.0 to 5.0 bar gauge at 1.01325
// bar and 20 °C: 0.99780 m³ isothermal, 0.67043 m³ adiabatic. A program that
// took gauge pressures would give 1.2 m³.
func TestAbsolutePressure(t *testing.T) {
	c := bigCase()
	v := verdict(t, c)
	if v.IsothermalCycles != 9 || v.AdiabaticCycles != 6 {
		t.Errorf("%d isothermal and %d adiabatic cycles, want 9 and 6", v.IsothermalCycles, v.AdiabaticCycles)
	}
	c.HeatExchange = 0
	if got := verdict(t, c).ExpectedVolume; math.Abs(got-0.99780) > 5e-6 {
		t.Errorf("isothermal %.6f m³, want 0.99780", got)
	}
	c.HeatExchange = 1e12
	v = verdict(t, c)
	if math.Abs(v.ExpectedVolume-0.67043) > 5e-6 {
		t.Errorf("adiabatic %.6f m³, want 0.67043", v.ExpectedVolume)
	}
	// The real-gas allowance is 1 % of the strokes below 10 bar absolute.
	if got := v.AtLeastVolume; math.Abs(got-0.67043/1.01) > 1e-5 {
		t.Errorf("at least %.6f m³, want %.6f", got, 0.67043/1.01)
	}
}

func bigCase() Case {
	return Case{
		TankVolume: 4, OilVolume: 2, Pressure: 8e5, Atmosphere: 101325, MinPressure: 5e5,
		GasTemperature: 293.15, WallTemperature: signal.Unknown(), UnusableOil: 0.2,
		OilPerCycle: 0.1, StrokesPerCycle: 2, StrokeTime: 10, HeatExchange: signal.Unknown(),
	}
}

// Exactly the oil for three cycles is three cycles, and a hair less is not.
func TestExactlyWhole(t *testing.T) {
	c := bigCase()
	c.OilVolume, c.UnusableOil, c.OilPerCycle = 0.4, 0.1, 0.1
	v := verdict(t, c)
	if math.Abs(v.ExpectedCycles-3) > 1e-12 || v.AtLeastCycles != 3 || v.Limit != ByOil || v.IsothermalCycles != 3 {
		t.Errorf("%+v, want exactly 3 by oil", v)
	}
	c.OilVolume -= 1e-6
	if v = verdict(t, c); v.AtLeastCycles != 2 || v.ExpectedCycles >= 3 {
		t.Errorf("%+v, want just under 3", v)
	}
	c.OilVolume = 0.4
	c.OilBand = 0.01
	if v = verdict(t, c); v.AtLeastCycles != 2 {
		t.Errorf("%+v: with an oil band at least must be 2", v)
	}
}

func TestWrongCases(t *testing.T) {
	cases := []struct {
		name, want string
		spoil      func(*Case)
	}{
		{"no tank", "tank volume", func(c *Case) { c.TankVolume = 0 }},
		{"more oil than tank", "leaves no gas", func(c *Case) { c.OilVolume = 5 }},
		{"negative oil", "oil volume", func(c *Case) { c.OilVolume = -1 }},
		{"no atmosphere", "atmospheric", func(c *Case) { c.Atmosphere = 0 }},
		{"vacuum", "absolute pressure", func(c *Case) { c.Pressure = -2e5 }},
		{"minimum below vacuum", "minimum pressure", func(c *Case) { c.MinPressure = -2e5 }},
		{"below absolute zero", "gas temperature", func(c *Case) { c.GasTemperature = -3 }},
		{"cold wall", "wall temperature", func(c *Case) { c.WallTemperature = -3 }},
		{"no oil a cycle", "oil per cycle", func(c *Case) { c.OilPerCycle = 0 }},
		{"tiny cycle", "too small", func(c *Case) { c.OilPerCycle = 1e-5 }},
		{"no strokes", "strokes per cycle", func(c *Case) { c.StrokesPerCycle = 0 }},
		{"many strokes", "strokes per cycle", func(c *Case) { c.StrokesPerCycle = 1e6 }},
		{"negative stroke", "stroke time", func(c *Case) { c.StrokeTime = -1 }},
		{"negative dwell", "dwell", func(c *Case) { c.DwellTime = -1 }},
		{"negative τ", "heat exchange", func(c *Case) { c.HeatExchange = -1 }},
		{"negative band", "pressure band", func(c *Case) { c.PressureBand = -1 }},
		{"wide wall", "wall band", func(c *Case) { c.WallBand = 400 }},
		{"not a number", "not a number", func(c *Case) { c.UnusableOil = math.NaN() }},
		{"infinite", "not a number", func(c *Case) { c.Pressure = math.Inf(1) }},
		{"above 20 bar", "20 bar", func(c *Case) { c.Pressure = 19.5e5 }},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			k := bigCase()
			c.spoil(&k)
			if v, err := k.Evaluate(); err == nil || !strings.Contains(err.Error(), c.want) || v != (Verdict{}) {
				t.Errorf("%+v, %v: want an error that names %q and no figures", v, err, c.want)
			}
		})
	}
}

func TestNothingLeft(t *testing.T) {
	c := bigCase()
	c.MinPressure = 8.1e5
	if v := verdict(t, c); v.ExpectedCycles != 0 || v.AtLeastCycles != 0 || v.Limit != ByPressure {
		t.Errorf("under the minimum pressure: %+v", v)
	}
	c = bigCase()
	c.UnusableOil = 2.1
	if v := verdict(t, c); v.ExpectedCycles != 0 || v.AtLeastCycles != 0 || v.Limit != ByOil {
		t.Errorf("under the unusable oil: %+v", v)
	}
}

// Any numbers give figures in order or an error, and soon.
func FuzzCase(f *testing.F) {
	f.Add(4.0, 2.0, 8e5, 101325.0, 293.0, 290.0, 5e5, 0.2, 0.1, 2, 10.0, 5.0, 120.0, 0.5, 4000.0, 0.01, 2.0)
	f.Add(4.0, 3.9999, 8e5, 1e5, 250.0, 330.0, 7e5, 0.0, 0.01, 1, 0.0, 1e9, 1e-9, 0.0, 0.0, 1.0, 0.0)
	f.Fuzz(func(t *testing.T, tank, oil, p, atm, gas, wall, min, unusable, cycle float64, strokes int,
		stroke, dwell, tau, tauBand, pBand, oilBand, wallBand float64) {
		c := Case{TankVolume: tank, OilVolume: oil, Pressure: p, Atmosphere: atm, GasTemperature: gas,
			WallTemperature: signal.Number(wall), MinPressure: min, UnusableOil: unusable, OilPerCycle: cycle,
			StrokesPerCycle: strokes, StrokeTime: stroke, DwellTime: dwell, HeatExchange: signal.Number(tau),
			HeatExchangeBand: tauBand, PressureBand: pBand, OilBand: oilBand, WallBand: wallBand}
		v, err := c.Evaluate()
		if err != nil {
			if v != (Verdict{}) {
				t.Fatalf("figures beside an error: %+v", v)
			}
			return
		}
		if !(v.AtLeastVolume >= 0 && v.ExpectedVolume >= 0 && v.ExpectedVolume <= oil*(1+1e-6)) ||
			float64(v.AtLeastCycles) > v.ExpectedCycles+1e-6 || v.AdiabaticCycles > v.IsothermalCycles {
			t.Fatalf("%+v gives %+v", c, v)
		}
	})
}

func BenchmarkCase(b *testing.B) {
	c := bigCase()
	c.StrokesPerCycle, c.OilPerCycle, c.DwellTime, c.HeatExchange, c.OilBand = 4, 0.2, 10, 120, 0.01
	b.ReportAllocs()
	for b.Loop() {
		if _, err := c.Evaluate(); err != nil {
			b.Fatal(err)
		}
	}
}
