package simulator

import "math"

// moveAir lets the gas follow h seconds of oil and air movement. The work is
// taken at the middle of the step, the heat exchange as an exponential.
func (p *Plant) moveAir(h float64, oil oilFlow) {
	s := &p.s
	after := math.Max(p.shape.volume-s.tank/oilDensity(p.rating.density15, s.oilT), 1e-3*p.shape.volume)
	middle := (s.volume + after) / 2
	r := thermalPressure(s.air, middle, s.gas) * (after - s.volume) / (s.air * airCv(s.gas) * s.gas)
	s.gas *= (1 - r/2) / (1 + r/2)
	s.volume = after

	p.compress(h)
	p.ventAir(p.leakingAir(h))
	p.serveAir(h)
	p.dissolve(h, oil)
	p.exchangeHeat(h)
}

// compress lets the running compressors draw in ambient air.
func (p *Plant) compress(h float64) {
	s, b := &p.s, &p.build
	for i := range 2 {
		s.freeAir[i] = 0
		if !p.panel.running[2+i] {
			continue
		}
		q := b.Compressor.Rating * compressorEfficiency(s.pressure/b.Tank.Atmosphere) / p.rating.compressorAtSet
		q *= 1 - p.faults.weak[2+i]
		s.freeAir[i] = q
		s.charged[i] += q * h
		m := q * h * b.Tank.Atmosphere * molarMass / (molarGas * p.sky.ambient)
		p.admit(m, p.sky.ambient+25)
	}
}

// admit brings m kg of air at temperature t into the gas.
func (p *Plant) admit(m, t float64) {
	if m <= 0 {
		return
	}
	s := &p.s
	v := s.volume / s.air
	excess := thermalPressure(s.air, s.volume, s.gas) - airPressure(s.air, s.volume, s.gas)
	s.gas += m * (airCp*t - airEnergy(s.air, s.volume, s.gas) + excess*v) / (s.air * airCv(s.gas))
	s.air += m
	s.airIn += m
}

// leave takes m kg of air out of the gas at the gas's own state.
func (p *Plant) leave(m float64) {
	s := &p.s
	s.gas -= m * thermalPressure(s.air, s.volume, s.gas) * s.volume / s.air / (s.air * airCv(s.gas))
	s.air -= m
}

// ventAir takes m kg of air out of the tank.
func (p *Plant) ventAir(m float64) {
	m = math.Min(math.Max(m, 0), 0.5*p.s.air)
	p.leave(m)
	p.s.airOut += m
}

// leakingAir is what fittings, the leak and the relief valve let out in h.
func (p *Plant) leakingAir(h float64) float64 {
	s, b := &p.s, &p.build
	over := math.Max(s.pressure-b.Tank.Atmosphere, 0) / b.Pressure.CutOut
	m := p.nominalAir * (b.AirLoss + 0.2*p.faults.airLeak) / 86400 * over * h
	low := b.Pressure.CutIn + 0.3*(b.Pressure.CutOut-b.Pressure.CutIn)
	opens := b.AirRelief - p.faults.relief*(b.AirRelief-low)
	// Pops open at the set pressure, reseats 4 % lower.
	if s.gauge > opens {
		s.reliefOpen = true
	} else if s.gauge < 0.96*opens {
		s.reliefOpen = false
	}
	if s.reliefOpen {
		m += 0.02 * s.pressure / p.rating.setAbsolute * h
	}
	return m
}

// wantedAir is the air, kg, that faults have let in (negative: out).
func (p *Plant) wantedAir() float64 {
	return 0.5 * (p.faults.overcharged - p.faults.waterlogged) * p.nominalAir
}

// serveAir lets air in or out, 0.2 % of the nominal mass a second, until it
// agrees with the faults.
func (p *Plant) serveAir(h float64) {
	s := &p.s
	want := p.wantedAir()
	if want == s.serviceAir {
		return
	}
	most := 0.002 * p.nominalAir * h
	m := math.Min(math.Max(want-s.serviceAir, -most), most)
	s.serviceAir += m
	if m > 0 {
		p.admit(m, p.sky.ambient)
	} else {
		p.ventAir(-m)
	}
}

// dissolve moves air between gas and oil: hours into quiet oil, faster back
// out of it, ten times faster while a pump stirs. Times are practice, no
// source.
func (p *Plant) dissolve(h float64, oil oilFlow) {
	s := &p.s
	density := oilDensity(p.rating.density15, s.oilT)
	m := saturation(s.pressure, s.oilT, density)*s.tank - s.dissolved
	slow := 4 * 3600.0
	if m < 0 {
		slow = 2 * 3600
	}
	if oil.pumping {
		slow /= 10
	}
	m *= h / slow
	s.dissolved += m
	p.leave(m)
}

// exchangeHeat lets heat flow between gas, wall, oil and the air around.
func (p *Plant) exchangeHeat(h float64) {
	s, b := &p.s, &p.build
	density := s.air / s.volume
	gasArea := p.shape.shell * (1 - s.level/p.shape.height)
	surface := b.Tank.plane(s.level)
	factor := b.Tank.HeatFactor
	toWall := factor * film(density, s.gas, s.gas-s.wall) * gasArea
	toOil := factor * film(density, s.gas, s.gas-s.oilT) * surface
	if s.gas > s.oilT {
		// Warm gas over cold oil lies in layers.
		toOil *= 0.3
	}
	heat := s.air * airCv(s.gas)
	both := toWall + toOil
	s.heatSeconds = heat / both
	rest := (toWall*s.wall + toOil*s.oilT) / both
	x := h * both / heat
	decay := math.Exp(-x)
	mean := rest - (s.gas-rest)*math.Expm1(-x)/x
	s.gas = rest + (s.gas-rest)*decay

	oilHeatNow := s.tank * oilHeat
	outside := p.shape.shell - gasArea
	wallOil := 5.0
	s.wall += h / p.rating.wallHeat * (toWall*(mean-s.wall) + 8*gasArea*(p.sky.ambient-s.wall) + wallOil*(s.oilT-s.wall))
	s.oilT += h / oilHeatNow * (toOil*(mean-s.oilT) + 6*outside*(p.sky.ambient-s.oilT) + wallOil*(s.wall-s.oilT))
	s.sumpT += h * (p.sky.ambient - s.sumpT) / (20 * 3600)
}
