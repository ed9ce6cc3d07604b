package rules

import (
	"fmt"
	"math"
	"time"

	"strokebank/rules/alarm"
	"strokebank/rules/machine"
	"strokebank/sensors/signal"
)

// evidence is what the proofs remember from scan to scan. A restart begins it
// anew: a proof under way is then not seen.
type evidence struct {
	ran      [2]bool    // pumps that ran in the present lift
	running  [4]bool    // at the scan before
	ready    bool       // running is of a scan before
	leads    [2]string  // whose turn it was at the scan before
	helping  [2]int     // 1 + the machine that took over; 0: none
	settled  smoothed   // J, S before a compressor's run
	charge   [2]float64 // J before, s of the run
	charging int        // 1 + the compressor whose run is judged; 0: none
	rest     float64    // s since it ended
	after    smoothed
	waited   float64 // s that compressors were wanted and held back
	locked   bool
	held     float64 // s that one ran although held back
	low      [2]bool // the alarm stood at the scan before
}

// A machine that gives half of its rating delivers; one that gives less than
// a fifth does not; in between nothing is proven (common practice, no source).
const (
	givesEnough = 0.5
	givesNone   = 0.2
)

// seeMachines looks for starts that delivered, for the standby and for the
// change of the lead.
func (u *Unit) seeMachines(scan *signal.Scan, dt time.Duration) {
	e := &u.proofs.evidence
	for pair := range u.machines {
		out := u.machines[pair]
		for i := range out.Machines {
			m := &out.Machines[i]
			on := m.State == machine.Running
			if on && pair == pumps {
				e.ran[i] = true
			}
			if on && !e.running[2*pair+i] && e.ready {
				u.seeStart(scan, pair, i)
			}
		}
		u.seeHelp(scan, pair)
	}
	for pair := range u.machines {
		for i := range u.machines[pair].Machines {
			e.running[2*pair+i] = u.machines[pair].Machines[i].State == machine.Running
		}
		e.leads[pair] = u.machines[pair].Pair.NextLead
	}
	e.ready = true
	u.seeLift(scan)
	u.seeCharge(scan, dt.Seconds())
}

// seeStart judges the start of machine i of a pair.
func (u *Unit) seeStart(scan *signal.Scan, pair, i int) {
	e, out := &u.proofs.evidence, u.machines[pair]
	m, other := &out.Machines[i], 1-i
	if u.contacts[pair][i].read(scan).Hand.On() {
		return
	}
	value, config := u.processOf(scan, pair), u.pairConfigs()[pair]
	wanted := value.Known() && value.Value < config.CutIn
	partnerFailed := u.contacts[pair][other].read(scan).Called.On() && out.Machines[other].State != machine.Running
	switch {
	case wanted && (out.Machines[other].State == machine.Running || partnerFailed):
		e.helping[pair] = 1 + i
	case m.Lead && e.leads[pair] == m.Position:
		u.prove(scan, u.proofs.lead[pair], m.Position+" took its turn")
	case m.Lead && e.leads[pair] != "" && out.Machines[other].Available && wanted:
		u.disprove(scan, u.proofs.lead[pair], m.Position+" led although it was the turn of "+e.leads[pair])
	}
}

// processOf is what a pair holds: the level, or the pressure.
func (u *Unit) processOf(scan *signal.Scan, pair int) signal.Reading {
	if pair == pumps {
		return u.out.Level
	}
	return scan.Readings[u.at.pressure]
}

// seeHelp proves the standby once it has brought the value back.
func (u *Unit) seeHelp(scan *signal.Scan, pair int) {
	e := &u.proofs.evidence
	if e.helping[pair] == 0 {
		return
	}
	i := e.helping[pair] - 1
	value, config := u.processOf(scan, pair), u.pairConfigs()[pair]
	switch {
	case u.machines[pair].Machines[i].State != machine.Running:
		e.helping[pair] = 0
	case value.Known() && value.Value > config.CutIn:
		e.helping[pair] = 0
		u.prove(scan, u.proofs.standby[pair], config.Machines[i].Position+" started as the standby and helped")
	}
}

// seeLift judges a pump by the oil that it raised.
func (u *Unit) seeLift(scan *signal.Scan) {
	e, lift := &u.proofs.evidence, u.leaks.found.Lift
	if lift == nil {
		return
	}
	ran := e.ran
	e.ran = [2]bool{}
	if ran[0] == ran[1] {
		return // none of them alone
	}
	i := 0
	if ran[1] {
		i = 1
	}
	m := u.cfg.Pumps.Machines[i]
	u.seeDelivery(scan, u.proofs.delivers[i], m.Position, lift.Raised, m.Rating*lift.Seconds, lift.Seconds)
}

// seeDelivery holds what a run gave against what its rating gives.
func (u *Unit) seeDelivery(scan *signal.Scan, function int, position string, gave, rated, seconds float64) {
	if !(rated > 0) || seconds < 30 {
		return
	}
	by := fmt.Sprintf("%s ran %.0f s and gave %.0f %% of its rating", position, seconds, 100*gave/rated)
	switch {
	case gave >= givesEnough*rated:
		u.prove(scan, function, by)
	case gave < givesNone*rated && seconds >= 60 && !u.leaks.found.Stuck.Level && !u.leaks.found.Stuck.Pressure:
		u.disprove(scan, function, by)
	}
}

// seeCharge judges a compressor by what S gained.
func (u *Unit) seeCharge(scan *signal.Scan, dt float64) {
	e := &u.proofs.evidence
	s := &u.leaks.scan
	on := [2]bool{e.running[2], e.running[3]}
	if !s.Read || on[0] && on[1] {
		e.charging, e.settled = 0, smoothed{}
		return
	}
	switch {
	case on[0] || on[1]:
		i := 1
		if on[1] {
			i = 2
		}
		if e.charging != i {
			e.charging, e.charge = i, [2]float64{e.settled.value, 0}
			if e.settled.seconds < 30 {
				e.charging = 0
			}
			e.settled = smoothed{}
		}
		e.charge[1] += dt
		e.rest, e.after = 0, smoothed{}
	case e.charging > 0:
		e.rest += dt
		if e.rest > 10 {
			e.after.add(s.Settled, dt)
		}
		if e.after.seconds >= 60 {
			i := e.charging - 1
			m := u.cfg.Compressors.Machines[i]
			u.seeDelivery(scan, u.proofs.delivers[2+i], m.Position, e.after.value-e.charge[0], m.Rating*u.atmosphere*e.charge[1], e.charge[1])
			e.settled, e.charging = e.after, 0
		}
	default:
		e.settled.add(s.Settled, dt)
	}
}

// seeLockout looks for compressors that were wanted and waited for the level.
func (u *Unit) seeLockout(scan *signal.Scan, dt time.Duration) {
	e := &u.proofs.evidence
	p := scan.Readings[u.at.pressure]
	running := e.running[2] || e.running[3]
	if !p.Known() || !u.out.Level.Known() {
		e.waited, e.held = 0, 0
		return
	}
	pumping := e.running[0] || e.running[1]
	switch {
	case u.locked && running:
		// One that ran when the lock came may need a moment to stop; the level
		// must clearly be low.
		if u.out.Level.Value < u.cfg.Pumps.CutIn-u.cfg.Reserve.LevelBand || pumping {
			e.held += dt.Seconds()
		}
		e.waited = 0
		if e.held > 60 && e.held-dt.Seconds() <= 60 {
			u.disprove(scan, u.proofs.lockout, "a compressor ran while the level was low")
		}
	case u.locked:
		e.held = 0
		if p.Value < u.cfg.Compressors.CutIn-u.cfg.Reserve.PressureBand {
			e.waited += dt.Seconds()
		}
	default:
		if e.locked && e.waited >= 20 && !running {
			u.prove(scan, u.proofs.lockout, fmt.Sprintf("compressors waited %.0f s for the level", e.waited))
		}
		e.waited, e.held = 0, 0
	}
	e.locked = u.locked
}

// seeLow proves the reports of a low level and a low pressure: the alarm
// stands, and the panel's own switch too where it is wired.
func (u *Unit) seeLow(scan *signal.Scan) {
	e := &u.proofs.evidence
	for i, name := range [...]string{alarm.LowLevel, alarm.LowPressure} {
		stands := u.stands(name)
		s := &u.leaks.low[i]
		wired := s.at >= 0 && pick(scan, s.at, signal.Boolean).Known()
		seen := stands && (!wired || s.on)
		if seen && !e.low[i] {
			by := "the alarm was raised"
			if wired {
				by = "the switch tripped and the alarm was raised"
			}
			u.prove(scan, u.proofs.low[i], by)
		}
		e.low[i] = seen
	}
}

// stands reports whether an alarm of the unit was active at the scan before.
func (u *Unit) stands(name string) bool {
	for i := range u.alarms {
		if w := &u.alarms[i]; w.definition.Name == name {
			return w.alarm.State.Active()
		}
	}
	return false
}

// enoughDrawn is how many accuracy bands the pressure must fall in a draw for
// it to prove anything.
const enoughDrawn = 5

// proveDraw judges a draw that was large enough against its prediction.
func (u *Unit) proveDraw(scan *signal.Scan, d *Draw) {
	fell := float64(d.Before - d.Predicted)
	if !d.Predicted.Known() || d.Cut || fell < enoughDrawn*math.Max(u.cfg.Reserve.PressureBand, 1e3) {
		return
	}
	by := fmt.Sprintf("%.1f L drawn in %.0f s, %.1f L promised", 1e3*float64(d.Oil), d.Seconds, 1e3*float64(d.Promised))
	if d.Kept {
		u.prove(scan, u.proofs.drawdown, by)
	} else {
		u.disprove(scan, u.proofs.drawdown, by)
	}
}
