package reserve

import "math"

// AssumedHeatExchange is the τ, s, that the expected figure uses where none
// is configured or learned: an estimate for a tank with a few cubic metres of
// air at about 9 bar from turbulent free convection at its wall (Nusselt
// number 0.13 Ra^(1/3), from memory). The lower bound never uses it: there an
// unknown τ is adiabatic.
const AssumedHeatExchange = 120

// view is all that a figure is computed from, in volumes: what is known of
// the state, and each doubt about it.
type view struct {
	p          float64 // Pa absolute
	pBand      float64 // ±
	tank       float64 // m³, whole inside
	oil        float64 // m³
	oilLow     float64 // m³, oil at both ends of the level's band
	oilHigh    float64
	theta      float64
	thetaBand  float64 // ±
	wall       float64 // lowest wall temperature over the present one, at most 1
	tau        float64 // s
	tauUpper   float64 // s; +Inf: adiabatic
	leak       float64 // m³/s
	leakUpper  float64
	min        float64 // Pa absolute
	atmosphere float64 // Pa absolute
	unusable   float64 // m³
	ideal      bool    // leave the real-gas allowance out
	steady     bool    // the wall does not cool
}

// expected is the best estimate of the state and the conditions.
func (v *view) expected(p *plan) (start, terms) {
	return start{v.p, v.tank - v.oil, v.oil, v.theta}, terms{
		tau: v.tau, leak: v.leak, swell: 1,
		min: v.min, atmosphere: v.atmosphere, unusable: v.unusable,
		kernels: p.prepare(ofEstimate, v.tau),
	}
}

// swell is how much more the gas must grow than the ideal law says for the
// same oil: 0.1 % per bar absolute of starting pressure and at least 1 %.
// Computed from the equation of state of air of Lemmon et al., J. Phys. Chem.
// Ref. Data 29 (2000): an ideal expansion overstates the volume by 0.9 %
// (10 to 6 bar absolute), 1.1 % (12 to 7), 1.5 % (16 to 9), 1.95 % (20 to 12).
func swell(p float64) float64 { return 1 + math.Max(0.01, p*1e-8) }

// wallCooling is terms.cooling of a tank whose steel wall is as thick as its
// pressure asks for: by the hoop stress formula a cylinder's wall weighs
// 2 ρ p V/σ, so that S/(C T) = σ/(2 ρ c T) = 0.06 whatever its size and pressure
// (σ 138 MPa, ρ 7850 kg/m³, c 490 J/(kg K), 290 K, from memory). A quarter of
// it is taken off for what every real tank has more: heads, corrosion allowance,
// a design pressure above the set pressure (*common practice, no source*).
const wallCooling = 0.045

// worst is the state and the conditions at their worst inside what is known,
// for one end of the level's band.
func (v *view) worst(p *plan, oil float64) (start, terms) {
	s := start{v.p - v.pBand, v.tank - oil, oil, v.theta + v.thetaBand}
	// The gas starts no warmer than the lowest wall: heat that will leave is
	// not counted. Colder gas starts as it is.
	if s.theta > v.wall {
		s.p *= v.wall / s.theta
		s.theta = 1
	} else {
		s.theta /= v.wall
	}
	t := terms{
		tau: v.tauUpper, leak: v.leakUpper, swell: swell(v.p), cooling: wallCooling,
		min: v.min, atmosphere: v.atmosphere, unusable: v.unusable,
		kernels: p.prepare(ofBound, v.tauUpper),
	}
	if v.ideal {
		t.swell = 1
	}
	if v.steady {
		t.cooling = 0
	}
	return s, t
}

// expect runs the best estimate.
func (v *view) expect(p *plan, row func(cycle, stroke int, d discharge, counts bool)) outcome {
	s, t := v.expected(p)
	return p.run(s, &t, row)
}

// atLeast runs the worst case. More oil also means less gas, so that both
// ends of the level's band count; what lies between gives no fewer.
func (v *view) atLeast(p *plan) outcome {
	if v.oilHigh >= v.tank {
		return outcome{limit: ByPressure} // there may be no gas at all
	}
	s, t := v.worst(p, v.oilHigh)
	high := p.run(s, &t, nil)
	if v.oilHigh == v.oilLow {
		return high
	}
	// With less oil and more gas the pressure lasts longer. Only the oil can
	// end it sooner, and not before what the other end delivered is gone.
	if v.oilLow-v.unusable > (high.oil+float64(t.leak*high.seconds))*(1+tight) {
		return high
	}
	s, t = v.worst(p, v.oilLow)
	low := p.run(s, &t, nil)
	if high.cycles < low.cycles || (high.cycles == low.cycles && high.oil < low.oil) {
		return high
	}
	return low
}
