// Package work measures what each run of a machine has achieved: the oil that
// a pump raised (Fill), the air that a compressor brought in (Charge), with
// their uncertainty, and judges from them how well the machine still works
// (Output). Pure computation; nothing in it is safe for concurrent use of one
// value, and no step allocates.
package work

import (
	"math"
	"time"

	"strokebank/rules/machine"
	"strokebank/sensors/signal"
)

// The places that a machine can have in a run.
const (
	Lead    = "lead"
	Standby = "standby"
)

// MostUncertainty is the largest relative standard uncertainty with which a
// fill counts for health.
const MostUncertainty = 0.02

// Fill is one run of a pump. Flow is what the pump delivered: the oil raised,
// with the leak added, by time, taken from the part of the run in which nothing
// else moved the level. Corrected is Flow at the set pressure and, where the
// oil's temperature is measured, at 20 °C.
type Fill struct {
	Position       string         `json:"position"`
	Serial         string         `json:"serial,omitempty"`
	Start          time.Time      `json:"start"`
	End            time.Time      `json:"end"`
	Seconds        float64        `json:"seconds"`
	Place          string         `json:"place,omitempty"` // "lead", "standby", empty: not known
	Volume         signal.Number  `json:"volume_cubic_meters"`
	Flow           signal.Number  `json:"flow_cubic_meters_per_second"`
	Corrected      signal.Number  `json:"corrected_flow_cubic_meters_per_second"`
	Uncertainty    signal.Number  `json:"uncertainty_ratio"` // one standard deviation, of the flow that is due
	LevelBefore    signal.Number  `json:"level_before_meters"`
	LevelAfter     signal.Number  `json:"level_after_meters"`
	PressureBefore signal.Number  `json:"pressure_before_pascals"` // gauge
	PressureAfter  signal.Number  `json:"pressure_after_pascals"`
	OilTemperature signal.Number  `json:"oil_temperature_kelvins"`
	Quality        signal.Quality `json:"quality"`
	Counts         bool           `json:"counts"`           // for the machine's health
	Reason         string         `json:"reason,omitempty"` // why it does not
	Ratio          signal.Number  `json:"ratio"`            // of the flow that is due
}

// FillIn is one scan of a pump that runs.
type FillIn struct {
	Elapsed     time.Duration
	Oil         signal.Reading // m³ in the tank
	Level       float64        // m, smoothed
	Pressure    signal.Reading // Pa gauge
	Temperature float64        // K, of the oil; not above 0: not known
	Absolute    float64        // Pa, of the gas; not above 0: not known
	Gas         float64        // m³
	Charging    bool           // a compressor runs
	// Disturbed: something else is known to move the level, such as the other
	// pump or a valve.
	Disturbed bool
	Standby   bool // the other machine was already running
}

const (
	// lag is the time after a start that a transmitter needs to follow, s;
	// common practice, no source.
	lag = 5
	// leastNoise is the least noise of a level, m, that is believed.
	leastNoise = 0.0003
	// liveSeconds is the time by which a pump that raises nothing is known.
	liveSeconds = 180
)

// FillMeter measures the fills of one pump.
type FillMeter struct {
	set   float64 // Pa gauge
	floor float64 // m³, least noise
	fillState
}

type fillState struct {
	open     bool
	since    time.Duration
	now      time.Duration
	ramp     ramp
	best     line
	live     line
	read     bool // a reading was known
	quality  signal.Quality
	standby  bool
	level    [2]float64 // first and last
	pressure [2]float64
	absolute [2]float64
	gas      float64 // m³, at first
	charged  bool    // a compressor ran meanwhile
	sumP, nP float64
	sumT, nT float64
}

// NewFillMeter measures fills of a tank with the set pressure, Pa gauge, and
// the surface of the oil in m².
func NewFillMeter(set, area float64) FillMeter { return FillMeter{set: set, floor: leastNoise * area} }

// Open reports whether a run is being measured.
func (m *FillMeter) Open() bool { return m.open }

// Step takes one scan of the running pump in.
func (m *FillMeter) Step(in *FillIn) {
	if !m.open {
		m.fillState = fillState{open: true, since: in.Elapsed, quality: signal.Good, standby: in.Standby}
		m.ramp.reset()
	}
	m.now = in.Elapsed
	if in.Oil.Known() {
		m.level[1] = in.Level
		if !m.read {
			m.level[0] = in.Level
		}
	}
	if in.Pressure.Known() {
		m.pressure[1] = in.Pressure.Value
		if m.nP == 0 {
			m.pressure[0] = in.Pressure.Value
		}
		m.sumP, m.nP = m.sumP+in.Pressure.Value, m.nP+1
	}
	m.charged = m.charged || in.Charging
	if in.Absolute > 0 {
		if m.absolute[1] = in.Absolute; m.absolute[0] == 0 {
			m.absolute[0], m.gas = in.Absolute, in.Gas
		}
	}
	if in.Temperature > 0 {
		m.sumT, m.nT = m.sumT+in.Temperature, m.nT+1
	}
	if !in.Oil.Known() || in.Disturbed {
		m.read = m.read || in.Oil.Known()
		m.cut()
		return
	}
	m.read = true
	m.quality = min(m.quality, in.Oil.Quality, in.Pressure.Quality)
	if t := (in.Elapsed - m.since).Seconds(); t >= lag && m.ramp.add(t, in.Oil.Value) {
		m.live = m.ramp.recent(liveSeconds, m.floor)
	}
}

// cut ends the undisturbed part of the run that is under way and keeps it if it
// is the best one so far.
func (m *FillMeter) cut() {
	if m.ramp.count == 0 && m.ramp.open.n == 0 {
		return
	}
	if l := m.ramp.straight(m.floor); l.ok && (!m.best.ok || l.sigma < m.best.sigma) {
		m.best = l
	}
	m.ramp.reset()
	m.live = line{}
}

// Live is the net flow of the last minutes of a run under way, m³/s, and its
// standard error; not known before three undisturbed minutes.
func (m *FillMeter) Live() (flow, sigma float64, known bool) {
	return m.live.slope, m.live.sigma, m.open && m.live.ok
}

// squeezed reports that the gas was pressed together as by half of a flow, m³/s,
// over so many seconds, while no compressor ran: whatever the level shows, oil
// came in. Between an isothermal and an adiabatic compression.
func (m *FillMeter) squeezed(flow, seconds float64) bool {
	p := m.absolute
	if m.charged || !(p[0] > 0) || !(flow > 0) {
		return false
	}
	return m.gas*(1-math.Pow(p[0]/p[1], 1/1.2)) > flow*seconds/2
}

// Belied reports that a pump under way that should have a flow, m³/s, is not
// to be judged by the level: the pressure says that it delivers.
func (m *FillMeter) Belied(due float64) bool {
	return m.live.slope < nothing*due && m.squeezed(due, (m.now-m.since).Seconds())
}

// Finish is the fill of the run that has just been completed. leak is what
// the tank loses meanwhile, m³/s; due is the corrected flow that the pump
// should have, m³/s, 0 where that is not known.
func (m *FillMeter) Finish(r *machine.Run, leak, due float64) Fill {
	no := signal.Unknown()
	f := Fill{
		Position: r.Position, Serial: r.Serial, Start: r.Start, End: r.End, Seconds: r.Seconds,
		Volume: no, Flow: no, Corrected: no, Uncertainty: no, LevelBefore: no, LevelAfter: no,
		PressureBefore: no, PressureAfter: no, OilTemperature: no, Ratio: no,
	}
	switch {
	case r.Lead:
		f.Place = Lead
	case m.standby && r.StartSeen:
		f.Place = Standby
	}
	defer func() { m.fillState = fillState{} }()
	if !m.open || !m.read {
		f.Reason = "no reading of the level"
		return f
	}
	m.cut()
	f.Quality = m.quality
	f.LevelBefore, f.LevelAfter = signal.Number(m.level[0]), signal.Number(m.level[1])
	factor := m.factor(&f)
	switch {
	case !m.best.ok:
		f.Reason = "too short or not steady"
	case r.Cut:
		m.measure(&f, factor, leak, due)
		f.Counts, f.Reason = false, "its end was not seen"
	default:
		m.measure(&f, factor, leak, due)
	}
	return f
}

// factor fills in pressures and temperature and gives the correction.
func (m *FillMeter) factor(f *Fill) float64 {
	if m.nP == 0 {
		return 1
	}
	f.PressureBefore, f.PressureAfter = signal.Number(m.pressure[0]), signal.Number(m.pressure[1])
	t := 0.0
	if m.nT > 0 {
		t = m.sumT / m.nT
		f.OilTemperature = signal.Number(t)
	}
	return PumpFactor(m.sumP/m.nP, m.set, t)
}

// measure writes the flow and whether it counts.
func (m *FillMeter) measure(f *Fill, factor, leak, due float64) {
	flow := m.best.slope + math.Max(leak, 0)
	corrected := flow * factor
	reference := due
	if !(reference > 0) {
		reference = math.Abs(corrected)
	}
	u := m.best.sigma * factor / reference
	f.Flow, f.Corrected, f.Volume = signal.Number(flow), signal.Number(corrected), signal.Number(flow*f.Seconds)
	f.Uncertainty = signal.Number(u)
	if due > 0 {
		f.Ratio = signal.Number(corrected / due)
	}
	switch {
	case flow < nothing*due && m.squeezed(due, f.Seconds):
		f.Reason = "the pressure rose as by a fill, the level did not"
	case !(u <= MostUncertainty):
		f.Reason = "too uncertain"
	case m.nP == 0:
		f.Reason = "no reading of the pressure"
	case f.Quality != signal.Good:
		f.Reason = "readings not good"
	default:
		f.Counts = true
	}
}
