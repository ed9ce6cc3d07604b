package rules

import (
	"encoding/json"
	"fmt"
	"time"

	"strokebank/rules/alarm"
	"strokebank/rules/leak"
	"strokebank/rules/machine"
	"strokebank/sensors/signal"
)

// saved is what a unit needs to go on after a restart.
type saved struct {
	Schema       int              `json:"schema"`
	Time         time.Time        `json:"time"`
	ClockTrusted bool             `json:"clock_trusted"`
	Pairs        [2]machine.Saved `json:"pairs"`
	Alarms       []savedAlarm     `json:"alarms"`
	Air          savedAir         `json:"air"`
	Works        savedWorks       `json:"works"`
	LastKnown    *LastKnown       `json:"last_known_reserve,omitempty"`
	Leaks        leak.State       `json:"leaks"`
	Proofs       savedProofs      `json:"proofs"`
	Leaves       []absence        `json:"out_of_service,omitempty"`
	AlarmLoad    alarm.Load       `json:"alarm_load,omitzero"`
	Testing      alarm.Leave      `json:"testing,omitzero"`
	Countdown    *savedCountdown  `json:"countdown,omitempty"`
	Failures     failures         `json:"failures,omitzero"`
}

// savedAlarm is an alarm with its name: the catalogue may have grown since.
type savedAlarm struct {
	Name   string       `json:"alarm"`
	Source string       `json:"source"`
	Alarm  alarm.Alarm  `json:"standing"`
	Test   bool         `json:"test,omitempty"`
	Failed bool         `json:"failed,omitempty"` // its failure was found
	Tally  *alarm.Tally `json:"tally,omitempty"`
}

// beat is the part of the state that a run under way moves.
type beat struct {
	Time         time.Time       `json:"time"`
	ClockTrusted bool            `json:"clock_trusted"`
	Pairs        [2]machine.Beat `json:"pairs"`
	Countdown    *savedCountdown `json:"countdown,omitempty"` // while the mains are lost
}

// Save is the state after the last step, for New after a restart.
func (u *Unit) Save() ([]byte, error) {
	s := saved{Schema: Schema, Time: u.out.Time, ClockTrusted: u.out.ClockTrusted}
	for i, p := range u.pairs {
		s.Pairs[i] = p.Save()
	}
	for i := range u.alarms {
		w := &u.alarms[i]
		s.Alarms = append(s.Alarms, w.save())
	}
	s.Leaves, s.AlarmLoad, s.Testing = u.savedLeaves(), u.load, u.testing
	s.Air = u.air.save()
	s.Leaks, s.Proofs = u.leaks.watch.State(), u.proofs.save()
	s.Works = u.saveWorks()
	s.Countdown, s.Failures = &u.countdown.savedCountdown, u.failures
	if !u.known.last.Time.IsZero() {
		s.LastKnown = &u.known.last
	}
	return json.Marshal(s)
}

// Beat is the small part of the state that changes while a machine runs, at
// most 2000 bytes.
func (u *Unit) Beat() ([]byte, error) {
	b := beat{Time: u.out.Time, ClockTrusted: u.out.ClockTrusted}
	for i, p := range u.pairs {
		b.Pairs[i] = p.Beat()
	}
	if u.countdown.Lost {
		b.Countdown = &u.countdown.savedCountdown
	}
	return json.Marshal(b)
}

// restore takes a saved state and a later beat over; with none it starts
// from nothing.
func (u *Unit) restore(state, pulse []byte) error {
	var s *saved
	var b *beat
	if state != nil {
		s = new(saved)
		if err := json.Unmarshal(state, s); err != nil {
			return err
		}
		if s.Schema > Schema {
			return fmt.Errorf("it has schema %d, this program knows up to %d: install the newer version again", s.Schema, Schema)
		}
	}
	if s != nil && pulse != nil {
		b = new(beat)
		if err := json.Unmarshal(pulse, b); err != nil {
			return fmt.Errorf("heartbeat: %w", err)
		}
	}
	for i, config := range u.pairConfigs() {
		var state *machine.Saved
		var pulse *machine.Beat
		if s != nil {
			state = &s.Pairs[i]
		}
		if b != nil {
			pulse = &b.Pairs[i]
		}
		u.pairs[i] = machine.NewPair(*config, u.cfg.ScanPeriod, state, pulse)
	}
	if s == nil {
		return nil
	}
	u.restoreAlarms(s.Alarms)
	u.restoreLeaves(s.Leaves)
	u.load, u.testing, u.failures = s.AlarmLoad, s.Testing, s.Failures
	u.air.learner.Restore(s.Air.Learner)
	u.proofs.restore(s.Proofs)
	if s.LastKnown != nil {
		u.known.last = *s.LastKnown
	}
	if b != nil && b.Time.After(s.Time) {
		s.Time, s.ClockTrusted = b.Time, b.ClockTrusted
		s.Countdown = b.Countdown
	}
	u.countdown.restore(s.Countdown)
	u.restored = s
	return nil
}

// restoreAlarms puts every alarm that still exists back into its state.
func (u *Unit) restoreAlarms(list []savedAlarm) {
	for _, s := range list {
		for i := range u.alarms {
			if w := &u.alarms[i]; w.definition.Name == s.Name && w.source == s.Source {
				w.alarm, w.test, w.failing = s.Alarm, s.Test, s.Failed
				if s.Tally != nil {
					w.tally = *s.Tally
				}
			}
		}
	}
}

// reportGap says, with the first scan after a restart, how long nobody
// watched. Without a trusted clock on both sides that is not known.
func (u *Unit) reportGap(scan *signal.Scan) {
	if u.restored == nil {
		return
	}
	e := u.event(scan, GapEvent, unitSource, "not observed")
	gap := signal.Unknown()
	if u.restored.ClockTrusted && scan.ClockTrusted && !scan.Time.Before(u.restored.Time) {
		gap = signal.Number(scan.Time.Sub(u.restored.Time).Seconds())
	} else {
		e.Reason = "the clock was not trusted"
	}
	e.From, e.To = u.restored.Time.UTC().Format(time.RFC3339), scan.Time.UTC().Format(time.RFC3339)
	e.Values = []Value{{"not_observed", gap, signal.Second.String()}}
	u.out.Events = append(u.out.Events, e)
	u.air.resume(u.restored.Air, float64(gap))
	u.leaks.watch.Restore(u.restored.Leaks, float64(gap))
	if gap.Known() {
		u.countdown.Seconds += float64(gap)
		u.load.Pass(time.Duration(float64(gap)*float64(time.Second)), false)
	}
	u.restored = nil
}
