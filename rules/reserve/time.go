package reserve

import "math"

// HoldTimeMax is the longest hold time that is given, s: one year. A unit
// without a leak holds "a year or more".
const HoldTimeMax = 365 * 86400.0

// hold is how long, s, the required cycles are kept at least if the unit is
// left alone without mains: oil leaves at the present leak (the learned one,
// or the configured maximum), the gas settles and grows into its room. 0
// where the required cycles are not kept now.
func (e *Engine) hold(v *view, now outcome) float64 {
	need := e.config.Required
	if now.whole() < float64(need) {
		if !e.plan.oneWay || now.cycles < 1-tight {
			return 0
		}
	}
	leak := v.leak
	if leak == 0 {
		leak = v.leakUpper
	}
	if leak <= 0 {
		return HoldTimeMax
	}
	// By oil, the end of the level's band with less of it decides.
	oil := e.plan.first + float64(float64(need-1)*e.plan.oil)
	seconds := e.plan.firstSeconds + float64(float64(need-1)*e.plan.seconds)
	byOil := (v.oilLow - v.unusable - oil - float64(v.leakUpper*seconds)) / leak
	end := max(0, min(HoldTimeMax, byOil))
	// By pressure, the end with less gas decides.
	s, t := v.worst(e.plan, v.oilHigh)
	late := func(after float64) float64 {
		d := begin(s)
		lost := min(leak*after, d.oil)
		d.gas, d.oil = d.gas+lost, d.oil-lost
		d.theta = 1 + float64((d.theta-1)*math.Exp(-after/t.tau))
		d.p = d.s * d.theta / d.gas
		return e.plan.margin(d.start, &t, need)
	}
	return lastKept(late, s.gas/leak, end)
}

// lastKept is the last time up to end at which margin is not below 0, to 1 %
// and never late. margin is not below 0 at time 0; double is the time in which
// the gas, growing at constant temperature, would halve its pressure, which
// gives the first guess.
func lastKept(margin func(float64) float64, double, end float64) float64 {
	first := max(0, margin(0))
	low, a := 0.0, first
	high, b := end, 0.0 // b is below 0 once a time that is too late is known
	for at := min(end, double*first); high-low > 1e-3*high; {
		miss := margin(at)
		switch {
		case miss >= 0 && (at == end || miss <= 0.01*first):
			return at
		case miss >= 0:
			low, a = at, miss
		default:
			high, b = at, miss
		}
		switch {
		case b < 0:
			at = low + float64((high-low)*(a/(a-b)))
			// Stay off the ends, so that the bracket shrinks from both sides.
			at = max(low+float64(0.05*(high-low)), min(high-float64(0.05*(high-low)), at))
		case a < first:
			at = min(end, low+float64(low*(a/(first-a))))
		default:
			at = end
		}
	}
	return low
}

// both and weaker say what a pair of machines gives.
func both(r [2]float64) float64 { return r[0] + r[1] }

func weaker(r [2]float64) float64 {
	if r[0] == 0 || r[1] == 0 {
		return max(r[0], r[1])
	}
	return min(r[0], r[1])
}

// refill is the time, s, to full charge: oil first, against the leak, then
// air, since compressors wait for the level. NaN where a rating that is needed
// is not given or the leak takes more than the pumps give.
func (e *Engine) refill(v *view, of func([2]float64) float64) float64 {
	c := &e.config
	set := c.Tank.Volume(c.SetLevel)
	total := 0.0
	if lack := set - v.oil; lack > 0 {
		flow := of(c.PumpFlow) - v.leak
		if flow <= 0 {
			return math.NaN()
		}
		total += lack / flow
	}
	// Free air at the site's pressure and the wall's temperature.
	settled := float64(v.p * (v.tank - v.oil) / v.theta)
	want := float64((c.SetPressure + v.atmosphere) * (v.tank - set))
	if lack := (want - settled) / v.atmosphere; lack > tight*want/v.atmosphere {
		flow := of(c.CompressorAir)
		if flow <= 0 {
			return math.NaN()
		}
		total += lack / flow
	}
	return total
}
