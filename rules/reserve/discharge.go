package reserve

import (
	"math"

	"strokebank/rules/gas"
	"strokebank/sensors/signal"
)

// MaxRows is how many strokes Figures.Strokes holds at most.
const MaxRows = 64

// tight is the part of a limit that rounding may take without a stroke being
// lost: a stroke that ends exactly on a limit keeps it.
const tight = 1e-9

// start is a state from which a discharge begins.
type start struct {
	p     float64 // Pa absolute
	gas   float64 // m³
	oil   float64 // m³
	theta float64 // gas over wall temperature
}

// terms are the conditions of a discharge.
type terms struct {
	tau        float64 // s; 0: isothermal; +Inf: adiabatic
	leak       float64 // m³/s of oil
	swell      float64 // gas volume gained per oil volume drawn; 1: ideal gas
	min        float64 // Pa absolute
	atmosphere float64 // Pa absolute
	unusable   float64 // m³

	// cooling is by how much of its temperature the wall cools while the gas
	// grows e-fold at constant temperature; 0: a wall of endless heat capacity.
	cooling float64

	kernels []gas.Kernel // of each phase, for tau
}

// outcome is what a discharge gave until a limit.
type outcome struct {
	cycles  float64 // whole cycles and the fraction of the next one
	oil     float64 // m³ delivered to the strokes
	seconds float64 // to the end of the phase in which the limit was met
	limit   Limit
}

// whole is the count of whole cycles.
func (o outcome) whole() float64 { return math.Floor(o.cycles + tight) }

// discharge is the state as it goes on; s = pV/θ stays constant.
type discharge struct {
	start
	s          float64
	firstGas   float64 // where it began
	firstTheta float64
}

func begin(s start) discharge {
	return discharge{s, s.p * s.gas / s.theta, s.gas, s.theta}
}

// heatRatio is cv/R of air: what warms the gas, as a part of pV.
const heatRatio = 1 / (gas.Gamma - 1)

// wall is the wall's temperature, as a part of its first one, once the gas
// has grown to v, never too high; rested is what θ would be then without the
// work of the phase. What the wall has lost is what has warmed the gas and the
// work that the gas has done. Without the work of this phase the gas would be
// warmer at its end, and the work of a gas that is no warmer than the first
// wall is at most pV ln(V1/V0), of which (r-1)/√r with r = V1/V0 is an upper
// bound.
func (d *discharge) wall(v, rested float64, t *terms) float64 {
	// Branches, not max: which way they go is known before the numbers are.
	r, warmest := v/d.firstGas, d.theta
	if rested > warmest {
		warmest = rested
	}
	heat := float64(heatRatio*(warmest-d.firstTheta)) + (r-1)/math.Sqrt(r)
	if heat < 0 {
		heat = 0
	}
	w := 1 - float64(t.cooling*heat)
	if w < 0.5 {
		return 0.5
	}
	return w
}

// end is the state at the end of a phase, with its prepared heat exchange.
func (d *discharge) end(ph *phase, k *gas.Kernel, t *terms) discharge {
	drawn := ph.oil + float64(t.leak*ph.dt)
	v := d.gas + float64(t.swell*drawn)
	w := 1.0
	if t.cooling > 0 {
		w = d.wall(v, k.Rest(d.theta), t)
	}
	// The energy balance is linear: a colder wall only scales θ.
	theta := d.theta / w
	if drawn == 0 {
		theta = k.Rest(theta)
	} else {
		theta = k.Expand(theta, d.gas, v)
	}
	return d.to(v, drawn, w*theta)
}

// part is the state at a fraction f of a phase.
func (d *discharge) part(ph *phase, f float64, t *terms) discharge {
	dt := float64(f * ph.dt)
	drawn := float64(f*ph.oil) + float64(t.leak*dt)
	v := d.gas + float64(t.swell*drawn)
	w := 1.0
	if t.cooling > 0 {
		w = d.wall(v, gas.Rest(d.theta, dt, t.tau), t)
	}
	return d.to(v, drawn, w*gas.Expand(d.theta/w, d.gas, v, dt, t.tau))
}

// to is the state with a new gas volume and temperature.
func (d *discharge) to(v, drawn, theta float64) discharge {
	e := *d
	e.theta, e.gas, e.oil = theta, v, d.oil-drawn
	e.p = d.s * theta / v
	return e
}

// run discharges until a limit or MaxCycles. What is drawn in a stroke of
// constant flow can raise the pressure only at its beginning: with
// g = d(ln p)/dt = (1/θ-1)/τ - γQ/V, dg/dt is -Q/(Vτ) wherever g is 0, so that
// g changes sign once at the most, from rising to falling. The lowest
// pressure of a phase is therefore at its start or its end, and looking at
// these two holds the limit throughout.
func (p *plan) run(s start, t *terms, row func(cycle, stroke int, d discharge, counts bool)) outcome {
	d := begin(s)
	out := outcome{}
	slack := float64(tight * p.oil)
	since, next := 0.0, p.first // oil since the last count, and until the next
	for cycle := 1; cycle <= MaxCycles; cycle++ {
		for i := range p.phases {
			ph := &p.phases[i]
			least := max(t.min, ph.demand+t.atmosphere) * (1 - tight)
			end := d.end(ph, &t.kernels[i], t)
			out.seconds += ph.dt
			kept := !ph.moving || (d.p >= least && end.p >= least && end.oil >= t.unusable-slack)
			if row != nil {
				for _, k := range ph.ends {
					row(cycle, k, end, kept)
				}
			}
			if !kept {
				f, limit := d.reach(ph, &end, least, t)
				out.oil += float64(f * ph.oil)
				return out.stop(limit, since+float64(f*ph.oil), next)
			}
			d = end
			out.oil += ph.oil
			since += ph.oil
			if ph.counts {
				out.cycles++
				since, next = 0, p.oil
			}
		}
	}
	return out
}

func (o outcome) stop(by Limit, since, next float64) outcome {
	o.limit = by
	// Rounding makes neither a whole cycle nor a part of one.
	if f := min(since/next, 1-2*tight); f > tight {
		o.cycles += f
	}
	return o
}

// reach is the fraction of a phase at which its first limit is met, for a
// phase that does not keep its limits.
func (d *discharge) reach(ph *phase, end *discharge, least float64, t *terms) (float64, Limit) {
	if d.p < least {
		return 0, ByPressure
	}
	byOil := 1.0
	if end.oil < t.unusable {
		byOil = max(0, (d.oil-t.unusable)/(d.oil-end.oil))
	}
	if end.p >= least {
		return byOil, ByOil
	}
	if byOil < 1 && d.part(ph, byOil, t).p >= least {
		return byOil, ByOil
	}
	return d.crossing(ph, end.p-least, least, t), ByPressure
}

// crossing is the fraction of a phase at which the pressure falls to least,
// from above it at the start to below it, by miss, at the end. Illinois: false
// position that halves the weight of an end that stays.
func (d *discharge) crossing(ph *phase, miss, least float64, t *terms) float64 {
	low, high := 0.0, 1.0
	a, b := d.p-least, miss
	f, side := 0.0, 0
	for range 40 {
		f = low + float64((high-low)*(a/(a-b)))
		miss = d.part(ph, f, t).p - least
		if math.Abs(miss) <= 1e-10*least {
			break
		}
		if miss > 0 {
			low, a = f, miss
			if side > 0 {
				b /= 2
			}
			side = 1
		} else {
			high, b = f, miss
			if side < 0 {
				a /= 2
			}
			side = -1
		}
	}
	return f
}

// margin is by how much the pressure stays above what the strokes need, as a
// part of it, at the worst moment of the given number of cycles. Below 0 the
// cycles cannot all be done.
func (p *plan) margin(s start, t *terms, cycles int) float64 {
	d := begin(s)
	worst := math.Inf(1)
	for cycle := 1; cycle <= cycles; cycle++ {
		for i := range p.phases {
			ph := &p.phases[i]
			before := d.p
			d = d.end(ph, &t.kernels[i], t)
			if ph.moving {
				least := max(t.min, ph.demand+t.atmosphere)
				worst = min(worst, min(before, d.p)/least-1)
			}
			if ph.counts && cycle == cycles {
				break
			}
		}
	}
	return worst
}

// number is v, or unknown where it is not finite.
func number(v float64) signal.Number {
	n := signal.Number(v)
	if !n.Known() {
		return signal.Unknown()
	}
	return n
}
