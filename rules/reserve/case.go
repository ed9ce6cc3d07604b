package reserve

import (
	"fmt"
	"math"

	"strokebank/rules/gas"
	"strokebank/sensors/signal"
)

// Case is one complete state given by hand, with equal strokes one after
// another and no tank shape: everything in volumes. SI; pressures gauge.
type Case struct {
	TankVolume      float64       // m³, whole inside
	OilVolume       float64       // m³
	Pressure        float64       // Pa gauge, of the gas
	Atmosphere      float64       // Pa absolute
	GasTemperature  float64       // K
	WallTemperature signal.Number // K; unknown: as the gas
	MinPressure     float64       // Pa gauge
	UnusableOil     float64       // m³
	OilPerCycle     float64       // m³
	StrokesPerCycle int
	StrokeTime      float64 // s, of each stroke
	DwellTime       float64 // s, after each stroke

	HeatExchange     signal.Number // s, τ; 0: isothermal; unknown: at least is adiabatic
	HeatExchangeBand float64       // upper bound of τ is τ (1 + this); 0: exact
	PressureBand     float64       // Pa, ±
	OilBand          float64       // m³, ±
	WallBand         float64       // K, ±
}

// Verdict is what a Case gives. Volumes are oil deliverable to the limit, m³.
type Verdict struct {
	AtLeastCycles  int // whole
	AtLeastVolume  float64
	ExpectedCycles float64 // with the fraction of the next cycle
	ExpectedVolume float64
	// Whole cycles with pV, or pV^1.4, constant from the given state.
	IsothermalCycles int
	AdiabaticCycles  int
	Limit            Limit // of the expected figure
}

// maxStrokesPerCycle bounds a Case.
const maxStrokesPerCycle = 200

// Evaluate computes the figures of a case, or says what is wrong with it. It
// is the computation behind Engine.Evaluate, without a tank and without a
// leak. Safe for concurrent use.
func (c *Case) Evaluate() (Verdict, error) {
	if err := c.check(); err != nil {
		return Verdict{}, err
	}
	p := c.plan()
	v := c.view()
	expected, least := v.expect(p, nil), v.atLeast(p)
	space := c.TankVolume - c.OilVolume
	whole := func(drawn float64) int {
		drawn = math.Min(drawn, math.Max(0, c.OilVolume-c.UnusableOil))
		return int(drawn/c.OilPerCycle + tight)
	}
	return Verdict{
		AtLeastCycles: int(least.whole()), AtLeastVolume: least.oil,
		ExpectedCycles: expected.cycles, ExpectedVolume: expected.oil, Limit: expected.limit,
		IsothermalCycles: whole(gas.Isothermal(space, v.p, v.min)),
		AdiabaticCycles:  whole(gas.Adiabatic(space, v.p, v.min)),
	}, nil
}

func (c *Case) plan() *plan {
	oil := c.OilPerCycle / float64(c.StrokesPerCycle)
	p := &plan{oil: c.OilPerCycle, first: c.OilPerCycle}
	p.phases = make([]phase, 0, 2*c.StrokesPerCycle)
	for i := range c.StrokesPerCycle {
		last := i == c.StrokesPerCycle-1
		p.phases = append(p.phases, phase{oil: oil, dt: c.StrokeTime, moving: true, counts: last})
		if c.DwellTime > 0 {
			p.phases = append(p.phases, phase{dt: c.DwellTime})
		}
	}
	return p
}

func (c *Case) view() view {
	wall := c.wall()
	v := view{
		p: c.Pressure + c.Atmosphere, pBand: c.PressureBand, tank: c.TankVolume, oil: c.OilVolume,
		oilLow: math.Max(0, c.OilVolume-c.OilBand), oilHigh: math.Min(c.TankVolume, c.OilVolume+c.OilBand),
		theta: c.GasTemperature / wall, wall: 1 - c.WallBand/wall,
		tau: AssumedHeatExchange, tauUpper: math.Inf(1),
		min: c.MinPressure + c.Atmosphere, atmosphere: c.Atmosphere, unusable: c.UnusableOil,
	}
	if c.HeatExchange.Known() {
		v.tau = float64(c.HeatExchange)
		v.tauUpper = v.tau * (1 + c.HeatExchangeBand)
	}
	return v
}

func (c *Case) wall() float64 {
	if c.WallTemperature.Known() {
		return float64(c.WallTemperature)
	}
	return c.GasTemperature
}

// check holds a case against what a unit can be.
func (c *Case) check() error {
	for _, f := range []struct {
		name     string
		value    float64
		positive bool
	}{
		{"tank volume", c.TankVolume, true}, {"oil volume", c.OilVolume, false},
		{"atmospheric pressure", c.Atmosphere, true}, {"gas temperature (K)", c.GasTemperature, true},
		{"wall temperature (K)", c.wall(), true}, {"absolute pressure", c.Pressure + c.Atmosphere, true},
		{"absolute minimum pressure", c.MinPressure + c.Atmosphere, true}, {"unusable oil", c.UnusableOil, false},
		{"oil per cycle", c.OilPerCycle, true}, {"stroke time", c.StrokeTime, false}, {"dwell time", c.DwellTime, false},
		{"heat exchange band", c.HeatExchangeBand, false}, {"pressure band", c.PressureBand, false},
		{"oil band", c.OilBand, false}, {"wall band", c.WallBand, false},
	} {
		switch {
		case math.IsNaN(f.value) || math.IsInf(f.value, 0):
			return fmt.Errorf("%s is not a number", f.name)
		case f.positive && f.value <= 0:
			return fmt.Errorf("%s is %.6g: it must be more than 0", f.name, f.value)
		case f.value < 0:
			return fmt.Errorf("%s is %.6g: it must not be negative", f.name, f.value)
		}
	}
	switch {
	case c.HeatExchange.Known() && c.HeatExchange < 0:
		return fmt.Errorf("heat exchange is %.6g s: it must not be negative", float64(c.HeatExchange))
	case c.OilVolume >= c.TankVolume:
		return fmt.Errorf("oil volume %.6g m³ leaves no gas in a tank of %.6g m³", c.OilVolume, c.TankVolume)
	case c.StrokesPerCycle < 1 || c.StrokesPerCycle > maxStrokesPerCycle:
		return fmt.Errorf("strokes per cycle are %d: 1 to %d", c.StrokesPerCycle, maxStrokesPerCycle)
	case c.WallBand >= c.wall():
		return fmt.Errorf("wall band is %.6g K: it must be less than the wall temperature", c.WallBand)
	case c.Pressure+c.Atmosphere > highestPressure:
		return fmt.Errorf("pressure is %.5g bar absolute: above 20 bar air departs too far from the ideal gas for this computation", (c.Pressure+c.Atmosphere)/1e5)
	case c.OilVolume-c.UnusableOil >= MaxCycles*c.OilPerCycle:
		return fmt.Errorf("oil per cycle %.6g m³ is too small: the oil would be enough for %d cycles", c.OilPerCycle, MaxCycles)
	}
	return nil
}
