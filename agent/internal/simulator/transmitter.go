package simulator

import (
	"math"
	"math/rand/v2"
)

// The analog values in the order of transmitters.all.
const (
	atPressure = iota
	atLevel
	atSump
	atFilter
	atDischarge1
	atDischarge2
	atOilTemperature
	atWallTemperature
	analogs
)

// milliampStep is the resolution of the input module: 12 bits over 20 mA.
const milliampStep = 20.0 / 4096

// transmitter is one instrument with its present output.
type transmitter struct {
	Instrument
	used    bool
	lagged  float64
	started bool
	drifted float64
	held    bool
	heldAt  float64
	value   float64 // SI, before the current loop
	current float64 // mA
}

type transmitters struct {
	all [analogs]transmitter
	rng *rand.Rand
}

func newTransmitters(p *Plant, rng *rand.Rand) transmitters {
	t := transmitters{rng: rng}
	i := &p.build.Instruments
	probe := Instrument{Low: 223.15, High: 423.15, Lag: 30, Noise: 0.05}
	for at, inst := range [analogs]Instrument{i.Pressure, i.Level, i.Sump, i.Filter, i.Discharge, i.Discharge, probe, probe} {
		t.all[at].Instrument = inst
	}
	return t
}

// read takes one reading of every transmitter that is wired, dt after the
// last.
func (t *transmitters) read(p *Plant, dt float64) {
	for at := range t.all {
		x := &t.all[at]
		if !x.used {
			continue
		}
		v := p.seenBy(at)
		if !x.started || x.Lag <= 0 {
			x.lagged, x.started = v, true
		} else {
			x.lagged += (v - x.lagged) * -math.Expm1(-dt/x.Lag)
		}
		x.value = x.lagged + x.Error
		if x.Noise > 0 {
			x.value += x.Noise * t.rng.NormFloat64()
		}
		if at <= atLevel {
			x.suffer(&p.faults.transmitter[at], dt)
		}
		x.drive()
		if at <= atLevel {
			x.fail(&p.faults.transmitter[at])
		}
	}
}

// suffer applies drift and the stuck value.
func (x *transmitter) suffer(f *transmitterFaults, dt float64) {
	span := x.High - x.Low
	target := 0.1 * f.drift * span
	most := 0.005 * span / 3600 * dt
	if f.drift == 0 {
		x.drifted = 0
	}
	x.drifted += math.Min(math.Max(target-x.drifted, -most), most)
	x.value += x.drifted
	if f.stuck == 0 {
		x.held = false
		return
	}
	if !x.held {
		x.held, x.heldAt = true, x.value
	}
	x.value = x.heldAt
}

// drive sets the loop current, which saturates at 3.8 and 20.5 mA (NAMUR NE
// 43), in steps of the input module.
func (x *transmitter) drive() {
	i := 4 + 16*(x.value-x.Low)/(x.High-x.Low)
	x.current = math.Round(math.Min(math.Max(i, 3.8), 20.5)/milliampStep) * milliampStep
}

func (x *transmitter) fail(f *transmitterFaults) {
	switch {
	case f.open > 0:
		x.current = 0
	case f.short > 0:
		x.current = 22
	case f.low > 0:
		x.current = 3.5
	}
}

// seenBy is the true value in front of a transmitter.
func (p *Plant) seenBy(at int) float64 {
	s, b := &p.s, &p.build
	switch at {
	case atPressure:
		if tap := b.Tank.PressureTap; tap > 0 && s.level > tap {
			return s.gauge + gravity*(s.level-tap)*oilDensity(p.rating.density15, s.oilT)
		}
		return s.gauge
	case atLevel:
		return p.levelSignal()
	case atSump:
		return s.sump / oilDensity(p.rating.density15, s.sumpT) / b.Sump.Area
	case atFilter:
		return s.filter
	case atDischarge1, atDischarge2:
		return p.discharge(at - atDischarge1)
	case atOilTemperature:
		return s.oilT
	default:
		return s.wall
	}
}

// levelSignal is the level over the transmitter's zero, m, moving with the
// surface; or the pressure across the cell, Pa.
func (p *Plant) levelSignal() float64 {
	s, i := &p.s, &p.build.Instruments
	level := s.level - i.LevelZero
	if s.slosh > 1e-4 {
		level += s.slosh * math.Sin(2*math.Pi*0.6*p.now)
	}
	if !i.LevelCell {
		return level
	}
	return (oilDensity(p.rating.density15, s.oilT)-s.air/s.volume)*gravity*level + i.LevelLeg
}

// discharge is the pressure behind pump i: the tank's and the line's while it
// delivers, what a worn pump can hold otherwise, none at rest.
func (p *Plant) discharge(i int) float64 {
	if !p.panel.running[i] {
		return 0
	}
	if p.s.flow[i] <= 0 {
		return 0.02e5
	}
	part := p.s.flow[i] / p.build.Pump.Rating
	return p.s.gauge + 0.4e5*part*part
}

// current is what the motor of machine i draws, A.
func (p *Plant) current(i int) float64 {
	if !p.panel.running[i] {
		return 0
	}
	rated, load := p.build.Pump.Current, p.s.gauge/p.build.Pressure.CutOut
	if i >= 2 {
		rated = p.build.Compressor.Current
	}
	if p.faults.weak[i] >= 0.99 || (i < 2 && p.s.flow[i] <= 0) {
		load = 0.05
	}
	return rated * math.Sqrt(0.2+0.8*load*load)
}
