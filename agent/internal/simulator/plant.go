package simulator

import (
	"fmt"
	"math"
	"math/rand/v2"
	"sync"
	"time"
)

// Plant is one simulated unit. Its methods may be called from several
// goroutines; each takes the plant's lock.
type Plant struct {
	mu    sync.Mutex
	build Build
	shape *geometry

	elapsed time.Duration
	now     float64 // s, elapsed within a step

	s         state
	panel     panel
	faults    faults
	catalogue []FaultInfo
	valves    []cylinder
	orders    []order
	done      []StrokeDone
	routine   routine
	sky       sky
	sensors   transmitters
	points    []point

	nominalAir float64 // kg of air at the start
	rating     ratings
}

// state is the matter and heat in the unit.
type state struct {
	air, gas, wall         float64 // kg, K, K
	dissolved              float64 // kg of air in the tank's oil
	tank, sump, lost       float64 // kg of oil
	oilT, sumpT            float64 // K
	serviceAir, serviceOil float64 // kg let in by the faults that move matter

	airIn, airOut     float64 // kg through compressors, service and oil; out of the tank
	volume, level     float64 // m³ of gas, m
	pressure          float64 // Pa absolute
	gauge             float64
	reliefOpen        bool
	flow, freeAir     [2]float64 // m³/s of each pump and compressor now
	pumped, charged   [2]float64 // m³ in all
	delivered, leaked float64    // m³ of oil to cylinders; out of the tank by leaks
	filter            float64    // Pa
	slosh             float64    // m, amplitude
	heatSeconds       float64
}

// New builds a unit in its start state. It starts nothing.
func New(b Build, seed uint64) (*Plant, error) {
	if len(b.Valves) > 8 {
		return nil, fmt.Errorf("simulator: %d valves, at most 8", len(b.Valves))
	}
	p := &Plant{build: b, shape: newGeometry(b.Tank)}
	p.build.Valves = append([]Valve(nil), b.Valves...)
	p.build.Registers = append([]Register(nil), b.Registers...)
	if p.build.Tank.HeatFactor == 0 {
		p.build.Tank.HeatFactor = 1
	}
	p.catalogue = catalogueOf(p.build, &p.faults)
	p.sky = newSky(b.Weather, rand.New(rand.NewPCG(seed, 3)))
	if err := p.fill(); err != nil {
		return nil, err
	}
	p.rating = newRatings(p)
	p.panel = newPanel(p, rand.New(rand.NewPCG(seed, 1)))
	p.routine = newRoutine(b, rand.New(rand.NewPCG(seed, 2)))
	p.sensors = newTransmitters(p, rand.New(rand.NewPCG(seed, 4)))
	points, err := p.wire()
	if err != nil {
		return nil, err
	}
	p.points = points
	return p, nil
}

// fill puts oil and air in their start state, the oil saturated with air.
func (p *Plant) fill() error {
	b, s := &p.build, &p.s
	start := b.Start
	ambient := p.sky.at(0)
	for _, t := range []*float64{&start.Wall, &start.OilTemperature} {
		if *t == 0 {
			*t = ambient
		}
	}
	if start.Gas == 0 {
		start.Gas = start.Wall
	}
	if start.Oil == 0 {
		start.Oil = p.shape.volumeAt(b.Level.CutOut - 0.2*(b.Level.CutOut-b.Level.CutIn))
	}
	if start.Pressure == 0 {
		start.Pressure = b.Pressure.CutOut - 0.2*(b.Pressure.CutOut-b.Pressure.CutIn)
	}
	if start.Oil >= 0.99*p.shape.volume {
		return fmt.Errorf("simulator: %.3f m³ of oil leave no gas in a tank of %.3f m³", start.Oil, p.shape.volume)
	}
	s.gas, s.wall, s.oilT, s.sumpT = start.Gas, start.Wall, start.OilTemperature, start.OilTemperature
	density := oilDensity(b.Tank.OilDensity, s.oilT)
	s.tank, s.sump = start.Oil*density, b.Sump.Filled*density
	absolute := start.Pressure + b.Tank.Atmosphere
	s.air = airMass(absolute, p.shape.volume-start.Oil, s.gas)
	s.dissolved = saturation(absolute, s.oilT, density) * s.tank
	p.nominalAir = s.air
	p.valves = make([]cylinder, len(b.Valves))
	for i, v := range b.Valves {
		p.valves[i] = cylinder{opening: v.Open * density}
	}
	p.settle()
	return nil
}

// settle recomputes what follows from the masses and temperatures.
func (p *Plant) settle() {
	s := &p.s
	oil := s.tank / oilDensity(p.build.Tank.OilDensity, s.oilT)
	s.volume = math.Max(p.shape.volume-oil, 1e-3*p.shape.volume)
	s.level = p.shape.levelAt(oil)
	s.pressure = airPressure(s.air, s.volume, s.gas)
	s.gauge = s.pressure - p.build.Tank.Atmosphere
}

// Step lets dt pass and then reads every transmitter once.
func (p *Plant) Step(dt time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for left := dt.Seconds(); left > 1e-9; {
		h := math.Min(left, p.pace())
		p.advance(h)
		left -= h
	}
	p.elapsed += dt
	p.now = p.elapsed.Seconds()
	p.sensors.read(p, dt.Seconds())
}

// pace is the longest inner step that the present state allows, s.
func (p *Plant) pace() float64 {
	s := &p.s
	switch {
	case p.moving():
		return 0.05
	case p.panel.switching:
		return 0.1
	case p.panel.busy || p.serving() || s.reliefOpen || math.Abs(s.gas-s.wall) > 2:
		return 0.5
	}
	h := 10.0
	if len(p.orders) > 0 {
		h = math.Min(h, math.Max(p.orders[0].at-p.now, 0.05))
	}
	return math.Max(math.Min(h, p.routine.next-p.now), 0.05)
}

// advance lets h seconds pass in one inner step.
func (p *Plant) advance(h float64) {
	if p.sky.update(p.now) {
		p.sky.viscosity = oilViscosity(p.s.sumpT)
	}
	p.plan()
	p.panel.decide(p, h)
	oil := p.moveOil(h)
	p.moveAir(h, oil)
	p.now += h
	p.settle()
	p.witness()
}
