package simulator

import "time"

// Truth is the true state, which no instrument shows.
type Truth struct {
	Elapsed time.Duration
	Wall    time.Time // wall clock of the plant

	Pressure, Gauge                   float64    // Pa absolute, Pa gauge, of the gas
	GasVolume, OilVolume, Level       float64    // m³, m³, m
	GasTemperature, WallTemperature   float64    // K
	OilTemperature, SumpTemperature   float64    // K
	Ambient                           float64    // K
	SumpVolume                        float64    // m³
	Air, DissolvedAir                 float64    // kg in the gas, in the tank's oil
	AirIn, AirOut                     float64    // kg into and out of the tank since the start
	OilMass                           float64    // kg in tank, sump and cylinders
	OilLost, OilAdded                 float64    // kg through the external leak; by service
	Delivered, Leaked                 float64    // m³ of oil to the cylinders; out of the tank by leaks
	Pumped, FreeAir                   [2]float64 // m³ by each pump; of free air by each compressor
	Flow, AirFlow                     [2]float64 // m³/s now
	HeatSeconds                       float64    // s, thermal time constant at this moment
	ReliefOpen, LowLevel, LowPressure bool
	Called, Running                   [4]bool // pump1, pump2, compressor1, compressor2
	RunSeconds                        [4]float64
	Starts                            [4]uint32
	Lead                              [2]int     // index in each pair that leads next or now
	Position                          [8]float64 // of each valve: 0 open, 1 closed
	Moving                            bool       // a stroke is under way or due
}

// Truth is the true state now. It does not allocate.
func (p *Plant) Truth() Truth {
	p.mu.Lock()
	defer p.mu.Unlock()
	s, n := &p.s, &p.panel
	t := Truth{
		Elapsed: p.elapsed, Wall: p.sky.w.Begin.Add(p.elapsed),
		Pressure: s.pressure, Gauge: s.gauge,
		GasVolume: s.volume, OilVolume: s.tank / oilDensity(p.rating.density15, s.oilT), Level: s.level,
		GasTemperature: s.gas, WallTemperature: s.wall, OilTemperature: s.oilT, SumpTemperature: s.sumpT,
		Ambient:    p.sky.ambient,
		SumpVolume: s.sump / oilDensity(p.rating.density15, s.sumpT),
		Air:        s.air, DissolvedAir: s.dissolved, AirIn: s.airIn, AirOut: s.airOut,
		OilMass: s.tank + s.sump, OilLost: s.lost, OilAdded: s.serviceOil,
		Delivered: s.delivered, Leaked: s.leaked, Pumped: s.pumped, FreeAir: s.charged,
		Flow: s.flow, AirFlow: s.freeAir, HeatSeconds: s.heatSeconds,
		ReliefOpen: s.reliefOpen, LowLevel: n.pairs[0].low.on, LowPressure: n.pairs[1].low.on,
		Called: n.called, Running: n.running, RunSeconds: n.seconds, Starts: n.starts,
		Lead: [2]int{n.pairs[0].lead, n.pairs[1].lead}, Moving: p.moving() || len(p.orders) > 0,
	}
	for i, c := range p.valves {
		t.OilMass += c.closing + c.opening
		t.Position[i] = c.position
	}
	return t
}
