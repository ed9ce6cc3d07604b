package metrics

import (
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/rules/machine"
	"strokebank/rules/reserve"
	"strokebank/sensors/signal"
)

// celsius is 0 °C in K, by definition of the Celsius temperature (SI).
const celsius = 273.15

// assessment says everything of one unit.
func (e *lines) assessment(a *rules.Assessment) {
	e.reserve(a)
	e.state(a)
	for _, r := range a.Readings {
		e.reading(r)
	}
	for i := range a.Machines {
		e.machine(&a.Machines[i])
	}
	for _, p := range a.Pairs {
		e.pair(p)
	}
	e.works(a)
	for i := range a.Alarms {
		e.alarm(&a.Alarms[i])
	}
	e.load(&a.AlarmLoad)
}

// number writes nothing for what is not known.
func (e *lines) number(s *series, n signal.Number, labels ...string) {
	if n.Known() {
		e.put(s, float64(n), labels...)
	}
}

func (e *lines) flag(s *series, on bool, labels ...string) {
	v := 0.0
	if on {
		v = 1
	}
	e.put(s, v, labels...)
}

// stamp writes nothing for a time that was never set.
func (e *lines) stamp(s *series, t time.Time, labels ...string) {
	if !t.IsZero() {
		e.put(s, float64(t.UnixMilli())/1000, labels...)
	}
}

// set writes one series for each word that there is, 1 for the one that
// holds and, should it be a new word, for that one too.
func set[W ~string](e *lines, s *series, holds W, all []W, labels ...string) {
	if s != e.only {
		return
	}
	found := false
	for _, w := range all {
		found = found || w == holds
		e.flag(s, w == holds, append(labels[:len(labels):len(labels)], string(w))...)
	}
	if !found && holds != "" {
		e.flag(s, true, append(labels[:len(labels):len(labels)], string(holds))...)
	}
}

var (
	qualities    = []string{signal.Good.String(), signal.Uncertain.String(), signal.Bad.String()}
	limits       = []reserve.Limit{reserve.ByPressure, reserve.ByOil}
	redundancies = []string{"both", "one", "none", "unknown"}
	states       = alarm.States()
	priorities   = []alarm.Priority{alarm.High, alarm.Medium, alarm.Low}
)

func (e *lines) reserve(a *rules.Assessment) {
	r := &a.Reserve
	e.flag(reserveKnown, r.Known)
	set(e, reserveQuality, r.Quality.String(), qualities)
	e.put(reserveNeeded, float64(r.Required))
	if a.LastKnown != nil && !r.Known {
		e.number(lastCycles, a.LastKnown.AtLeast, "at_least")
		e.number(lastCycles, a.LastKnown.Expected, "expected")
		e.put(lastAge, a.LastKnown.Age)
	}
	if !r.Known {
		return // whatever stands in the figures is then no number
	}
	e.number(reserveCycles, r.AtLeast, "at_least")
	e.number(reserveCycles, r.Expected, "expected")
	e.number(reserveCycles, r.FullCharge, "full_charge")
	if r.AtLeastLimit != reserve.NoLimit {
		set(e, reserveLimit, r.AtLeastLimit, limits, "at_least")
	}
	if r.Limit != reserve.NoLimit {
		set(e, reserveLimit, r.Limit, limits, "expected")
	}
	e.number(usableOil, r.UsableAtLeast, "at_least")
	e.number(usableOil, r.UsableOil, "expected")
	e.number(holdTime, r.HoldTime)
	e.number(timeToFull, r.TimeToFull, "both")
	e.number(timeToFull, r.TimeToFullOne, "one")
}

func (e *lines) state(a *rules.Assessment) {
	e.put(scans, float64(a.Scan))
	e.stamp(assessmentTime, a.Time)
	e.flag(clockTrusted, a.ClockTrusted)
	e.flag(powerLost, a.PowerLost)
	e.number(gasPressure, a.GasPressure.Number())
	e.number(oilLevel, a.Level.Number())
	e.number(oilVolume, a.OilVolume.Number())
	e.number(gasVolume, a.GasVolume.Number())
	e.number(tankVolume, a.TankVolume)
}

var readings = map[signal.Unit]*series{
	signal.NoUnit: readingNumber, signal.Count: readingNumber, signal.Boolean: readingState,
	signal.Ratio: readingRatio, signal.Pascal: readingPascals, signal.Metre: readingMeters,
	signal.CubicMetre: readingVolume, signal.CubicMetrePerSecond: readingFlow,
	signal.Kelvin: readingCelsius, signal.Second: readingSeconds, signal.Ampere: readingAmperes,
}

func (e *lines) reading(r rules.NamedReading) {
	id := string(r.ID)
	set(e, readingQuality, r.Reading.Quality.String(), qualities, id)
	e.stamp(readingTime, r.Reading.Time, id)
	n := r.Reading.Number()
	if r.Reading.Unit == signal.Kelvin {
		n -= celsius
	}
	if s := readings[r.Reading.Unit]; s != nil {
		e.number(s, n, id)
	}
}

func (e *lines) machine(m *machine.Status) {
	at := m.Position
	e.put(machineInfo, 1, at, string(m.Kind), m.Tag, m.Serial)
	if m.State != machine.StateUnknown {
		e.flag(machineRunning, m.State == machine.Running, at)
	}
	if m.AvailableKnown {
		e.flag(machineAvailable, m.Available, at)
	}
	e.flag(machineLead, m.Lead, at)
	e.put(machineRun, m.ProcessRunSeconds, at)
	e.put(machineStarts, m.ProcessStarts, at)
	e.put(machineUnobserved, m.ProcessUnobservedSeconds, at)
	e.put(lifeRun, m.LifetimeRunSeconds, at)
	e.put(lifeStarts, m.LifetimeStarts, at)
	e.put(lifeUnobserved, m.LifetimeUnobservedSeconds, at)
	e.put(lifeDoubt, m.DoubtSeconds, at)
	e.put(filledRun, m.FilledRunSeconds, at)
	e.put(filledStarts, m.FilledStarts, at)
	for _, w := range m.Windows {
		if w.Length == "" {
			continue
		}
		e.put(windowRun, w.RunSeconds, at, w.Length)
		e.put(windowStarts, w.Starts, at, w.Length)
		e.put(windowUnobserved, w.UnobservedSeconds, at, w.Length)
		e.put(windowCovered, w.CoveredSeconds, at, w.Length)
		e.number(runShare, w.ShareOfRun, at, w.Length)
		e.number(startShare, w.ShareOfStarts, at, w.Length)
	}
}

func (e *lines) pair(p machine.PairStatus) {
	kind := string(p.Kind)
	e.number(pairImbalance, p.Imbalance, kind)
	set(e, pairRedundancy, p.Redundancy, redundancies, kind)
	if p.Redundancy != "unknown" {
		e.put(pairAvailable, float64(p.Available), kind)
	}
	e.put(pairSameLead, float64(p.SameLead), kind)
	e.put(pairMissed, p.Missed, kind)
}

func (e *lines) alarm(s *alarm.Status) {
	if raised, known := s.Raised(); known {
		e.flag(alarmActive, raised, s.Source, s.Name)
	}
	set(e, alarmState, s.State, states, s.Source, s.Name)
	set(e, alarmPriority, s.Priority, priorities, s.Source, s.Name)
	e.stamp(alarmSince, s.Since, s.Source, s.Name)
}

// load is how many alarms ask for attention.
func (e *lines) load(f *alarm.Figures) {
	for _, s := range f.Shares {
		if s.Priority != "" {
			e.put(alarmsDay, float64(s.Raised), string(s.Priority))
		}
	}
	e.put(alarmsTen, float64(f.TenMinutes))
	e.put(alarmsWorst, float64(f.Worst))
	e.flag(alarmsFlood, f.Flood)
	e.put(alarmsFloods, float64(f.Floods))
	e.put(alarmsWatched, f.Observed)
	for _, c := range []struct {
		condition string
		n         int
	}{{"chattering", f.Chattering}, {"stale", f.Stale}, {"shelved", f.Shelved}, {"suppressed", f.Suppressed}, {"out_of_service", f.Away}} {
		e.put(alarmsCounted, float64(c.n), c.condition)
	}
}
