package reserve

import "math"

// plant is an independent, richer model of the tank, stepped in time: real
// air by a virial term, heat to a wall node whose exchange moves with density
// and temperature difference, air that dissolves in the oil and leaves with
// it. It shares no formula with the engine. Its constants are rough values
// from memory; they need not be exact, only different from the engine's.
type plant struct {
	moles, volume, temp float64 // gas
	oil                 float64
	wall, wallHeat      float64 // K, J/K
	nominal             float64 // W/K at density0 and 10 K
	density0            float64
	dissolved           float64 // mol in the oil
}

const molar = 8.314

// virial is B(T) of air, m³/mol, and its derivatives.
func virial(t float64) (b, b1, b2 float64) {
	x := t - 300
	return (-7.5 + 0.215*x - 0.0008*x*x) * 1e-6, (0.215 - 0.0016*x) * 1e-6, -0.0016e-6
}

func (p *plant) pressure() float64 {
	rho := p.moles / p.volume
	b, _, _ := virial(p.temp)
	return rho * molar * p.temp * (1 + b*rho)
}

// solve sets the moles for a pressure.
func (p *plant) solve(pressure float64) {
	p.moles = pressure * p.volume / (molar * p.temp)
	for range 20 {
		p.moles *= pressure / p.pressure()
	}
}

// rates is the derivative of the state while oil leaves at q, m³/s.
func (p *plant) rates(q float64) (dTemp, dWall, dMoles, dDissolved float64) {
	rho := p.moles / p.volume
	b, b1, b2 := virial(p.temp)
	cv := 20.8 - rho*molar*(2*p.temp*b1+p.temp*p.temp*b2)
	slope := rho * molar * (1 + rho*(b+p.temp*b1)) // dp/dT at constant volume
	diff := p.wall - p.temp
	strength := math.Cbrt(math.Max(2, math.Abs(diff))/10) * math.Pow(rho/p.density0, 2.0/3)
	heat := p.nominal * strength * diff
	// Oil holds about 9 % of its volume of air per bar; half an hour to settle.
	full := 0.09 * p.oil * p.pressure() / (molar * p.temp)
	out := (p.dissolved - full) / 1800
	carried := p.dissolved / p.oil * q
	return (heat - p.temp*slope*q) / (p.moles * cv), -heat / p.wallHeat, out, -out - carried
}

func (p *plant) step(q, dt float64) {
	a, b, c, d := p.rates(q)
	half := *p
	half.add(q, dt/2, a, b, c, d)
	a, b, c, d = half.rates(q)
	p.add(q, dt, a, b, c, d)
}

func (p *plant) add(q, dt, temp, wall, moles, dissolved float64) {
	p.temp += temp * dt
	p.wall += wall * dt
	p.moles += moles * dt
	p.dissolved += dissolved * dt
	p.volume += q * dt
	p.oil -= q * dt
}

// deliver discharges equal strokes until the pressure or the oil is under its
// limit, or the oil is most, and gives the oil that the strokes took.
func (p *plant) deliver(c *Case, most float64) (oil float64, by Limit) {
	min := c.MinPressure + c.Atmosphere
	stroke := c.OilPerCycle / float64(c.StrokesPerCycle)
	for oil < most {
		n := int(math.Max(20, math.Ceil(c.StrokeTime/0.25)))
		dt := c.StrokeTime / float64(n)
		for range n {
			if p.pressure() < min {
				return oil, ByPressure
			}
			if p.oil < c.UnusableOil {
				return oil, ByOil
			}
			p.step(stroke/c.StrokeTime, dt)
			oil += stroke / float64(n)
		}
		if p.pressure() < min {
			return oil, ByPressure
		}
		if p.oil < c.UnusableOil {
			return oil, ByOil
		}
		if c.DwellTime > 0 {
			n := int(math.Ceil(c.DwellTime / 0.5))
			for range n {
				p.step(0, c.DwellTime/float64(n))
			}
		}
	}
	return oil, NoLimit
}
