package reserve

import (
	"math"
	"math/rand/v2"
	"testing"

	"strokebank/sensors/signal"
)

// scene is a true state, the plant in it, and what the instruments say of it.
type scene struct {
	truth plant
	seen  Case
	heat  string // "hot", "cold", ""
}

func anyScene(r *rand.Rand, kind int) scene {
	in := func(low, high float64) float64 { return low + (high-low)*r.Float64() }
	sign := func() float64 { return float64(2*r.IntN(2) - 1) }
	tank := in(0.8, 12)
	oil := tank * in(0.25, 0.7)
	atm := in(0.85e5, 1.03e5)
	pressure := in(5e5, 13e5)
	wall := in(276, 312)
	s := scene{}
	temp := wall + in(-4, 4)
	switch kind {
	case 1:
		s.heat, temp = "hot", wall+40
	case 2:
		s.heat, temp = "cold", wall-40
	}
	gas := tank - oil
	tau := in(40, 400)
	s.truth = plant{volume: gas, temp: temp, oil: oil, wall: wall, wallHeat: 1.5e5 * math.Pow(tank, 2.0/3)}
	s.truth.solve(pressure + atm)
	s.truth.density0 = s.truth.moles / gas
	s.truth.nominal = s.truth.moles * 20.8 / tau
	s.truth.dissolved = 0.09 * oil * (pressure + atm) / (molar * wall)

	s.seen = Case{
		TankVolume: tank, Atmosphere: atm, GasTemperature: temp,
		MinPressure: pressure * in(0.45, 0.85), UnusableOil: oil * in(0.05, 0.6),
		StrokesPerCycle: 1 + r.IntN(6), StrokeTime: in(3, 40), DwellTime: in(0, 120) * float64(r.IntN(2)),
		HeatExchange: signal.Number(tau), HeatExchangeBand: 0.5,
		PressureBand: 1600 * in(1, 5), OilBand: tank * in(0.001, 0.006), WallBand: in(0, 3),
		OilPerCycle: 1,
	}
	c := &s.seen
	c.Pressure = pressure + sign()*c.PressureBand
	c.OilVolume = oil + sign()*c.OilBand
	c.WallTemperature = signal.Number(wall + sign()*c.WallBand)
	// The oil of a cycle such that some cycles are there.
	probe := gas * (math.Pow((pressure+atm)/(c.MinPressure+atm), 1/1.3) - 1)
	c.OilPerCycle = math.Min(probe, oil-c.UnusableOil) / in(0.7, 9)
	if r.IntN(3) == 0 { // close to a whole number
		near := float64(1+r.IntN(8)) + in(-0.1, 0.1)
		for range 3 {
			p := s.truth
			out, _ := p.deliver(c, math.Inf(1))
			c.OilPerCycle = out / near
		}
	}
	return s
}

// Discharges from 500 states by the independent plant: at least is never
// above what was delivered and seldom far below, expected is close.
func TestAgainstDischarges(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 11))
	counts := map[string]int{}
	const n = 500
	short, off, tightest := 0, 0, 1.0
	for i := range n {
		kind := 0
		if i%10 == 1 || i%10 == 2 {
			kind = i % 10
		}
		s := anyScene(r, kind)
		p := s.truth
		oil, limit := p.deliver(&s.seen, math.Inf(1))
		delivered := oil / s.seen.OilPerCycle
		v, err := s.seen.Evaluate()
		if err != nil {
			t.Fatalf("%+v: %v", s.seen, err)
		}
		counts[string(limit)]++
		counts[s.heat]++
		if math.Abs(delivered-math.Round(delivered)) <= 0.1 {
			counts["whole"]++
		}
		least := float64(v.AtLeastCycles)
		if least > delivered || v.AtLeastVolume > oil {
			t.Errorf("at least %v cycles, %.5f m³, but %.4f cycles, %.5f m³ were delivered: %+v", least, v.AtLeastVolume, delivered, oil, s.seen)
		}
		tightest = math.Min(tightest, 1-v.AtLeastVolume/oil)
		if whole := math.Floor(delivered); whole-least > math.Max(1, 0.2*whole) {
			short++
			counts["short "+s.heat]++
		}
		if math.Abs(v.ExpectedCycles-delivered) > 1 {
			off++
			counts["off "+s.heat]++
		}
	}
	t.Logf("%v: %d too low, %d expected figures off by more than a cycle; the tightest bound is %.2g of the oil below", counts, short, off, tightest)
	for name, least := range map[string]int{"pressure": 100, "oil": 100, "whole": 100, "hot": 50, "cold": 50} {
		if counts[name] < least {
			t.Errorf("only %d states of kind %q, want %d", counts[name], name, least)
		}
	}
	if short > n*5/100 {
		t.Errorf("at least is too low to be of use in %d of %d", short, n)
	}
	if off > n*2/100 {
		t.Errorf("expected is off by more than a cycle in %d of %d", off, n)
	}
}
