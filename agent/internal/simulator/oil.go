package simulator

import "math"

const (
	litrePerHour = 1e-3 / 3600
	faultLeak    = 60 * litrePerHour // a leak of severity 1 at the set pressure
)

// ratings are constants of the build that the steps use.
type ratings struct {
	density15       float64
	setAbsolute     float64
	pumpAtSet       float64 // volumetric efficiency at the set pressure and 20 °C
	compressorAtSet float64
	outlet          float64 // m³ under the outlet
	wallHeat        float64 // J/K of the shell around the gas
	sumpFilled      float64 // kg
}

func newRatings(p *Plant) ratings {
	b := &p.build
	set := b.Pressure.CutOut
	return ratings{
		density15:       b.Tank.OilDensity,
		setAbsolute:     set + b.Tank.Atmosphere,
		pumpAtSet:       pumpEfficiency(set, set, oilViscosity(293.15)),
		compressorAtSet: compressorEfficiency((set + b.Tank.Atmosphere) / b.Tank.Atmosphere),
		outlet:          p.shape.volumeAt(b.Tank.Outlet),
		wallHeat:        steelHeat * b.Tank.Shell * p.shape.shell * (1 - b.Level.CutOut/p.shape.height),
		sumpFilled:      p.s.sump,
	}
}

// pumpEfficiency is the part of its displacement that a gear pump delivers:
// slip grows with pressure and falls with viscosity (8 % at 46 mm²/s and the
// set pressure), and thick oil fills the teeth badly. Practice, no source.
func pumpEfficiency(gauge, set, viscosity float64) float64 {
	slip := 0.08 * gauge / set * 46 / viscosity
	thick := viscosity / 4000
	return math.Max(0, 1-slip) / (1 + thick*thick)
}

// compressorEfficiency is the volumetric efficiency of a piston with 4 %
// clearance at a ratio of absolute pressures. From memory.
func compressorEfficiency(ratio float64) float64 {
	return math.Max(0, 1-0.04*(math.Pow(ratio, 1/1.3)-1))
}

// oilFlow is what one inner step moved that the air has to know.
type oilFlow struct{ pumping bool }

// moveOil moves oil for h seconds.
func (p *Plant) moveOil(h float64) oilFlow {
	s := &p.s
	density := oilDensity(p.rating.density15, s.oilT)
	out := oilFlow{pumping: p.pump(h)}
	returned := p.strokes(h, density)
	p.leakOil(h, density)
	p.serveOil(h)

	thick := math.Sqrt(p.sky.viscosity / 46)
	s.filter = math.Min(2.5e5, 0.3e5*returned/h*1e3*thick*(1+15*p.faults.filter))
	if returned > 0 {
		s.slosh = math.Max(s.slosh, 0.006)
	}
	s.slosh *= math.Exp(-h / 12)
	return out
}

// pump runs the pumps that run; it tells whether any delivers.
func (p *Plant) pump(h float64) bool {
	s, b := &p.s, &p.build
	density := oilDensity(p.rating.density15, s.sumpT)
	delivers := false
	for i := range 2 {
		s.flow[i] = 0
		if !p.panel.running[i] {
			continue
		}
		q := b.Pump.Rating * pumpEfficiency(s.gauge, b.Pressure.CutOut, p.sky.viscosity) / p.rating.pumpAtSet
		q *= 1 - p.faults.weak[i]
		// The oil relief valve opens over 3 % of its set pressure.
		q *= math.Min(math.Max(1-(s.gauge/b.OilRelief-1)/0.03, 0), 1)
		if s.sump/density/b.Sump.Area < b.Sump.Suction {
			q = 0
		}
		m := math.Min(q*h*density, s.sump)
		if m <= 0 {
			continue
		}
		delivers = true
		s.flow[i] = m / density / h
		s.pumped[i] += m / density
		s.sump -= m
		s.oilT += (s.sumpT - s.oilT) * m / (s.tank + m)
		s.tank += m
		air := saturation(b.Tank.Atmosphere, s.sumpT, density) * m
		s.dissolved += air
		s.airIn += air
	}
	return delivers
}

// drain takes up to m kg of oil with its air out of the tank, not below the
// outlet, and returns what came.
func (p *Plant) drain(m, density float64) float64 {
	s := &p.s
	m = math.Min(m, s.tank-p.rating.outlet*density)
	if m <= 0 {
		return 0
	}
	air := s.dissolved * m / s.tank
	s.dissolved -= air
	s.airOut += air
	s.tank -= m
	return m
}

// leakOil lets oil through seals, check valves and to the outside.
func (p *Plant) leakOil(h, density float64) {
	s, f := &p.s, &p.faults
	head := h * density * math.Sqrt(math.Max(s.gauge, 0)/p.build.Pressure.CutOut)
	back := 0.0
	for i := range p.valves {
		back += p.build.Seepage + faultLeak*f.valveLeak[i]
	}
	for i := range 2 {
		if !p.panel.running[i] {
			back += faultLeak * f.check[i]
		}
	}
	m := p.drain(back*head, density)
	s.sump += m
	gone := p.drain(faultLeak*f.oilLeak*head, density)
	s.lost += gone
	s.leaked += (m + gone) / density
}

// serveOil takes oil out of the sump, or brings it back, at 2 L/s until it
// agrees with the fault.
func (p *Plant) serveOil(h float64) {
	s := &p.s
	want := -p.faults.sumpLow * p.rating.sumpFilled
	if want == s.serviceOil {
		return
	}
	most := 2 * h * p.rating.density15 * 1e-3
	m := math.Min(math.Max(want-s.serviceOil, -most), most)
	if s.sump+m < 0 {
		return
	}
	s.serviceOil += m
	s.sump += m
}

// serving reports that matter is still on its way because of a fault.
func (p *Plant) serving() bool {
	s := &p.s
	oil := -p.faults.sumpLow*p.rating.sumpFilled - s.serviceOil
	return math.Abs(p.wantedAir()-s.serviceAir) > 1e-9 || (math.Abs(oil) > 1e-9 && s.sump > 1)
}
