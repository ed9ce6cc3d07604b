package work

import (
	"time"

	"strokebank/sensors/signal"
)

// Charge is one charge of air: what the settled product of pressure and volume
// gained between two settled states, by the run time of the compressor that
// brought it in, as free air at ambient conditions (ISO 1217 speaks of free
// air). Runs that follow each other before the gas has settled are one charge.
type Charge struct {
	Position       string         `json:"position"`
	Serial         string         `json:"serial,omitempty"`
	Start          time.Time      `json:"start"`
	End            time.Time      `json:"end"` // of its last run
	Seconds        float64        `json:"seconds"`
	Runs           int            `json:"runs"`
	Place          string         `json:"place,omitempty"`
	FreeAir        signal.Number  `json:"free_air_cubic_meters"`
	Flow           signal.Number  `json:"free_air_cubic_meters_per_second"`
	Corrected      signal.Number  `json:"corrected_free_air_cubic_meters_per_second"` // at the set pressure
	Uncertainty    signal.Number  `json:"uncertainty_ratio"`
	OilBefore      signal.Number  `json:"oil_before_cubic_meters"`
	OilAfter       signal.Number  `json:"oil_after_cubic_meters"`
	PressureBefore signal.Number  `json:"pressure_before_pascals"` // absolute, settled
	PressureAfter  signal.Number  `json:"pressure_after_pascals"`
	Quality        signal.Quality `json:"quality"`
	Counts         bool           `json:"counts"`
	Reason         string         `json:"reason,omitempty"`
	Ratio          signal.Number  `json:"ratio"`
	Machine        int            `json:"-"` // 0 or 1
}

// ChargeIn is one scan of a pair of compressors.
type ChargeIn struct {
	Elapsed    time.Duration
	Settled    float64 // J, S = pV/θ
	Theta      float64
	Known      bool    // S and θ are
	Wall       float64 // K; not above 0: not known
	Pressure   float64 // Pa absolute
	Oil        float64 // m³
	Atmosphere float64 // Pa absolute
	Quality    signal.Quality
	On         [2]bool
	Moved      bool // a pump runs or a valve is known to move
}

const (
	// mostUncertain is the largest uncertainty with which a charge counts: where
	// the wall's temperature is not measured hardly one is better than 2 %.
	mostUncertain = 0.04

	calmSeconds = 240.0    // averaged before and after a charge
	fewSeconds  = 20.0     // and at least before it
	enoughAfter = 60.0     // and after it, when something else begins
	oldBefore   = 3600.0   // s, how long a state before lasts
	longestWait = 3 * 3600 // s, for the gas to settle after a charge
	settleTaus  = 3.5
	airLag      = 30.0  // s, in which the heat of compression builds up
	airLive     = 240.0 // s, by which a compressor that brings nothing is known

	thetaDoubt   = 0.3                 // of what θ is away from 1: τ is not better known
	wallDrift    = 0.6 / 288.15 / 3600 // a second: a wall that is not measured moves by 0.6 K an hour
	leastShare   = 0.8                 // of a charge's run time by one machine
	otherDoubt   = 0.2                 // of what the other one brought in
	leastSettled = 0.0002              // of S: least noise that is believed
)

// ChargeMeter measures the charges of a pair of compressors.
type ChargeMeter struct {
	Tau       float64 // s, time constant of the gas
	set       float64 // Pa absolute
	positions [2]string

	now    float64 // s
	unit   float64 // J in a m³ of free air
	air    float64 // Pa absolute, outside
	wall   bool    // its temperature is known
	calm   calm    // under way
	before calm    // the last one that was long enough
	still  float64 // s since anything ran
	was    bool    // a compressor ran at the last scan
	group  group
	ramp   ramp
	alone  int // the machine whose rise the ramp holds, or -1
	live   line
}

// NewChargeMeter measures the charges of the compressors at two positions; set
// is the set pressure, Pa absolute, tau the gas's time constant, s.
func NewChargeMeter(positions [2]string, set, tau float64) ChargeMeter {
	return ChargeMeter{Tau: tau, set: set, positions: positions, alone: -1}
}

// Step takes one scan in. due is the corrected free air that each machine
// should bring, m³/s. It gives a charge once it is known.
func (m *ChargeMeter) Step(in *ChargeIn, due [2]float64) (Charge, bool) {
	now := in.Elapsed.Seconds()
	dt := max(0, now-m.now)
	m.now = now
	m.unit, m.air, m.wall = in.Atmosphere, in.Atmosphere, in.Wall > 0
	on := in.On[0] || in.On[1]
	if !in.Known {
		m.forget(on)
		return Charge{}, false
	}
	s := in.Settled
	if m.wall {
		// Then S follows the mass of air. Ambient conditions are those at the
		// wall: what it is warmer than the air outside is not known.
		s *= referenceTemperature / in.Wall
		m.unit *= referenceTemperature / in.Wall
	}
	if on && !m.was {
		m.begin(in)
	}
	m.was = on
	if on {
		m.charge(in, dt, s)
		return Charge{}, false
	}
	return m.rest(in, dt, s, due)
}

// forget drops what a gap in the readings has spoilt.
func (m *ChargeMeter) forget(on bool) {
	m.calm, m.before, m.still, m.was = calm{}, calm{}, 0, on
	m.live = line{}
	m.ramp.reset()
	m.group.known = false
}

// begin opens a charge, or goes on with the one before.
func (m *ChargeMeter) begin(in *ChargeIn) {
	m.ramp.reset()
	m.live, m.alone = line{}, -1
	if in.On[0] != in.On[1] {
		m.alone = 0
		if in.On[1] {
			m.alone = 1
		}
	}
	if !m.group.open {
		m.keep()
		m.group = group{open: true, before: m.before, began: m.now, quality: in.Quality,
			known: m.before.seconds >= fewSeconds && m.now-m.before.at <= oldBefore}
	}
	m.group.on = m.now
	m.calm, m.still = calm{}, 0
}

// keep makes the present average the state before what comes.
func (m *ChargeMeter) keep() {
	if m.calm.seconds >= fewSeconds {
		m.before = m.calm
	}
}

// charge is one scan in which a compressor runs.
func (m *ChargeMeter) charge(in *ChargeIn, dt, s float64) {
	g := &m.group
	g.sumP, g.n = g.sumP+in.Pressure, g.n+1
	g.quality = min(g.quality, in.Quality)
	if m.alone < 0 || !in.On[m.alone] || in.On[1-m.alone] || in.Moved {
		m.ramp.reset()
		m.live = line{}
		return
	}
	if t := m.now - g.on; t >= airLag && m.ramp.add(t, s) {
		m.live = m.ramp.recent(airLive, leastSettled*s)
	}
}

// rest is one scan in which no compressor runs.
func (m *ChargeMeter) rest(in *ChargeIn, dt, s float64, due [2]float64) (Charge, bool) {
	m.live = line{}
	g := &m.group
	if in.Moved {
		c, ok := m.close(due, enoughAfter)
		m.keep()
		m.calm, m.still = calm{}, 0
		return c, ok
	}
	m.still += dt
	if m.still >= settleTaus*m.Tau {
		m.calm.add(dt, m.now, s, in)
	}
	if g.open && m.now-g.began > longestWait {
		g.known = false
		return m.close(due, 0)
	}
	return m.close(due, calmSeconds)
}

// close gives the charge if the state after it has been seen for long enough.
func (m *ChargeMeter) close(due [2]float64, enough float64) (Charge, bool) {
	g := &m.group
	if !g.open || m.calm.seconds < enough || g.runs[0]+g.runs[1] == 0 {
		return Charge{}, false
	}
	c := m.measure(due)
	*g = group{}
	return c, true
}

// Live is the free air that the running compressor brings in, m³/s, its
// standard error and which machine it is; not known before four undisturbed
// minutes.
func (m *ChargeMeter) Live() (flow, sigma float64, which int, known bool) {
	if !m.live.ok || m.alone < 0 || !(m.unit > 0) {
		return 0, 0, 0, false
	}
	return m.live.slope / m.unit, m.live.sigma / m.unit, m.alone, true
}
