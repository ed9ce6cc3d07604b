package rules

import (
	"fmt"
	"time"

	"strokebank/rules/alarm"
	"strokebank/rules/machine"
	"strokebank/rules/proof"
	"strokebank/sensors/signal"
)

// proofs joins the unit to the book of what was seen to work. Its fields are
// the places of the functions in the book, -1 where there is none.
type proofs struct {
	book    *proof.Book
	pending []Event // of commands, for the next step
	tests   []proof.Test

	delivers [4]int // pump1, pump2, compressor1, compressor2
	standby  [2]int
	lead     [2]int
	lockout  int
	low      [2]int // level, pressure
	valves   []int
	drawdown int

	evidence evidence
}

// savedProofs is what a restart needs.
type savedProofs struct {
	Book  proof.State  `json:"book"`
	Tests []proof.Test `json:"tests,omitempty"` // ended, not told yet
}

// newProofs lists the functions that the unit has.
func newProofs(c *Config, points []signal.Point) *proofs {
	p := new(proofs)
	every := c.Proof.WithDefaults()
	var list []proof.Function
	add := func(name, title string, every time.Duration) int {
		list = append(list, proof.Function{Name: name, Title: title, Every: every})
		return len(list) - 1
	}
	for pair, config := range [2]*machine.PairConfig{&c.Pumps, &c.Compressors} {
		for i, m := range config.Machines {
			p.delivers[2*pair+i] = add(m.Position+".delivers", m.Position+" starts on demand and delivers", every.Machine)
		}
		p.standby[pair] = add(pairSources[pair]+".standby", pairSources[pair]+": the standby takes over", every.Standby)
		p.lead[pair] = add(pairSources[pair]+".lead", pairSources[pair]+": the lead changes", every.Lead)
	}
	p.lockout = add("compressors.lockout", "compressors wait for the oil level", every.Lockout)
	p.low[0] = add("low_level.reported", "a low level is reported", every.Low)
	p.low[1] = add("low_pressure.reported", "a low pressure is reported", every.Low)
	for _, v := range newValves(c, points) {
		p.valves = append(p.valves, add("valve."+v.tag+".strokes", v.tag+" completes its stroke in its time", every.Valve))
	}
	p.drawdown = add("unit.drawdown", "the unit delivers what the reserve promised", every.Drawdown)
	p.book = proof.New(list)
	return p
}

func (p *proofs) save() savedProofs { return savedProofs{Book: p.book.State(), Tests: p.tests} }

func (p *proofs) restore(s savedProofs) {
	p.book.Restore(s.Book)
	p.tests = s.Tests
}

// BeginTest announces a proof test by a person: until EndTest what the unit
// does is a test, and the alarms that it provokes are marked so. An error
// where one is under way.
func (u *Unit) BeginTest(by, note string) error {
	if err := u.proofs.book.Begin(by, note, u.out.Time); err != nil {
		return fmt.Errorf("unit %s: %w", u.cfg.Unit, err)
	}
	e := u.event(&signal.Scan{Time: u.out.Time, ClockTrusted: u.out.ClockTrusted}, TestEvent, unitSource, "begun")
	e.Test, e.Reason = true, note
	e.From = by
	u.proofs.pending = append(u.proofs.pending, e)
	return nil
}

// EndTest ends the test and gives its record, which the next assessment
// carries too. An error where none is under way.
func (u *Unit) EndTest() (proof.Test, error) {
	t, err := u.proofs.book.End(u.out.Time)
	if err != nil {
		return t, fmt.Errorf("unit %s: %w", u.cfg.Unit, err)
	}
	u.proofs.tests = append(u.proofs.tests, t)
	e := u.event(&signal.Scan{Time: u.out.Time, ClockTrusted: u.out.ClockTrusted}, TestEvent, unitSource, "ended")
	e.Test, e.Reason, e.From, e.Record = true, t.Note, t.By, &t
	for _, o := range [...]proof.Outcome{proof.Pass, proof.Fail, proof.NotSeen} {
		e.Values = append(e.Values, Value{string(o), signal.Number(t.Count(o)), ""})
	}
	u.proofs.pending = append(u.proofs.pending, e)
	return t, nil
}

// prove records that a function was seen to work, and says so where it is
// news.
func (u *Unit) prove(scan *signal.Scan, function int, by string) {
	if u.proofs.book.Prove(function, scan.Time, by) {
		u.proofEvent(scan, function, "proven", by)
	}
}

// disprove records that a function was needed and did not work.
func (u *Unit) disprove(scan *signal.Scan, function int, why string) {
	u.proofs.book.Fail(function, scan.Time, why)
	u.proofEvent(scan, function, "not done", why)
}

func (u *Unit) proofEvent(scan *signal.Scan, function int, name, reason string) {
	s := &u.proofs.book.All()[function]
	e := u.event(scan, ProofEvent, s.Function, name)
	e.Title, e.Reason, e.Test = s.Title, reason, u.proofs.book.Test() != nil
	u.out.Events = append(u.out.Events, e)
}

// markTest marks the events of an alarm that was raised in a test, until it
// is normal again.
func (u *Unit) markTest(w *watcher, e *Event) {
	if e.To == string(alarm.Unacknowledged) {
		w.test = u.proofs.book.Test() != nil
	}
	e.Test = w.test
	if e.To == string(alarm.Normal) {
		w.test = false
	}
}

// stepProofs looks for what this scan proves.
func (u *Unit) stepProofs(scan *signal.Scan, dt time.Duration) {
	p := u.proofs
	u.out.Events = append(u.out.Events, p.pending...)
	u.out.Tests = append(u.out.Tests, p.tests...)
	p.pending, p.tests = p.pending[:0], p.tests[:0]
	u.seeMachines(scan, dt)
	u.seeLockout(scan, dt)
	u.seeLow(scan)
	for i := range u.leaks.valves {
		v := &u.leaks.valves[i]
		switch done, late := v.step(scan, dt, u.cfg.ScanPeriod); {
		case done:
			u.prove(scan, p.valves[i], fmt.Sprintf("%s stroke in %.0f s", v.way, v.took))
		case late:
			u.disprove(scan, p.valves[i], fmt.Sprintf("%s stroke not done in %.0f s", v.way, v.took))
		}
	}
	p.book.Step(scan.Time, scan.ClockTrusted)
	u.out.Proof = p.book.All()
	u.out.Test = p.book.Test()
}
