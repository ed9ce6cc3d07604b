package leak

import "math"

// Lift is oil raised while pumps ran, by the tank's level between quiet
// moments before and after.
type Lift struct {
	Raised   float64 // m³
	Pressure float64 // Pa, by how much it rose
	By       float64 // m³ that the rise of the pressure alone tells
	Seconds  float64 // pumps ran
	Alone    bool    // no compressor ran meanwhile
}

// StuckState is which instrument did not follow the last fill.
type StuckState struct {
	Level    bool    `json:"level"`
	Pressure bool    `json:"pressure"`
	Raised   float64 `json:"raised_m3"` // what the other one told
	Seen     float64 `json:"seen_m3"`   // and this one
}

// lift watches pump runs from outside.
type lift struct {
	cfg   *Config
	stuck StuckState

	byLevel, byPressure noise
	oil, gas, pressure  average
	running             bool
	before              [3]float64 // oil, gas, pressure
	known               bool
	seconds, after      float64
	alone               bool
	out                 Lift
}

const (
	calm      = 30.0 // s of quiet before and after a run
	calmScans = 5
)

// step reports a completed lift; it stands in l.out.
func (l *lift) step(s *Scan) bool {
	if !s.Read {
		l.running, l.known = false, false
		l.reset()
		return false
	}
	l.byLevel.add(s.Gas)
	l.byPressure.add(s.Pressure)
	if s.Pumps {
		if !l.running {
			l.begin()
		}
		l.seconds += s.Seconds
		l.after = 0
		l.reset()
		l.alone = l.alone && !s.Compressors
		return false
	}
	if l.running && l.after < 5 {
		l.after += s.Seconds // the surface comes to rest
		return false
	}
	l.oil.add(s.Oil, s.Seconds, calm)
	l.gas.add(s.Gas, s.Seconds, calm)
	l.pressure.add(s.Pressure, s.Seconds, calm)
	if !l.running {
		return false
	}
	l.after += s.Seconds
	l.alone = l.alone && !s.Compressors
	if l.oil.n < calmScans || l.oil.seconds < calm {
		return false
	}
	l.running = false
	if l.known {
		l.judge()
	}
	return l.known
}

func (l *lift) reset() {
	l.oil.reset()
	l.gas.reset()
	l.pressure.reset()
}

// begin keeps what was before the run.
func (l *lift) begin() {
	if l.running = true; l.oil.n > 0 {
		l.known = true
		l.before = [3]float64{l.oil.value, l.gas.value, l.pressure.value}
	} else {
		l.known = false
	}
	l.seconds, l.after, l.alone = 0, 0, true
}

// judge compares what level and pressure tell of the run.
func (l *lift) judge() {
	o := &l.out
	p1, p2, v := l.before[2], l.pressure.value, l.before[1]
	*o = Lift{Raised: l.oil.value - l.before[0], Pressure: p2 - p1, Seconds: l.seconds, Alone: l.alone}
	// Between an isothermal and an adiabatic compression.
	o.By = v * (1 - math.Pow(p1/p2, 1/1.2))
	if !l.alone {
		return
	}
	few := math.Sqrt(2.0 / calmScans)
	level := 5 * few * l.byLevel.sigma(0)
	pressure := 5 * few * l.byPressure.sigma(0) / p1 * v
	least := math.Max(math.Max(level, pressure), 0.005*v)
	switch {
	case o.By > least && math.Abs(o.Raised) < 0.2*o.By:
		l.stuck = StuckState{Level: true, Raised: o.By, Seen: o.Raised}
	case o.Raised > least && math.Abs(o.By) < 0.2*o.Raised:
		l.stuck = StuckState{Pressure: true, Raised: o.Raised, Seen: o.By}
	case o.Raised > least && o.By > least:
		l.stuck = StuckState{}
	}
}
