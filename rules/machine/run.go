package machine

import (
	"math"
	"time"

	"strokebank/sensors/signal"
)

// observe follows the running contact of machine i. It reports a start that
// was seen.
func (p *Pair) observe(i int, in *In) (started bool) {
	m, contact := &p.m[i], in.Machines[i].Running
	at := contact.Time
	if at.IsZero() {
		at = in.Time
	}
	now := stateOf(contact)
	switch {
	case now == StateUnknown:
		p.lose(i, in.Time)
		return false
	case m.state == StateUnknown:
		p.regain(i, now, at, in)
	case now == m.state:
	case now == Running:
		m.open(at, true)
		m.count(p.age, 1)
		m.process.Starts++
		p.change(i, Started, at)
		started = true
	default:
		p.finish(i, at, false)
	}
	if m.state != now {
		m.state, m.since = now, at
	}
	// After the contact's own edge, so that a start which both saw counts once.
	p.reconcile(i, in)
	m.check(&in.Machines[i])
	return started
}

// stateOf is what a running contact says.
func stateOf(contact signal.Reading) State {
	switch {
	case !contact.Known():
		return StateUnknown
	case contact.On():
		return Running
	default:
		return Stopped
	}
}

// lose marks that nobody watches machine i since at.
func (p *Pair) lose(i int, at time.Time) {
	m := &p.m[i]
	if m.state == StateUnknown && !m.since.IsZero() {
		return
	}
	m.state, m.since, m.lost = StateUnknown, at, at
	p.turn.Doubtful = true
}

// regain is the first known contact after a time that nobody watched. A run
// goes on if it was under way before, unless the start counter tells of
// another start.
func (p *Pair) regain(i int, now State, at time.Time, in *In) {
	m := &p.m[i]
	restarted := p.reconcile(i, in)
	if m.Run.Open && now == Running && !restarted {
		m.state, m.since = Running, m.Run.Start
		return
	}
	if m.Run.Open {
		p.finish(i, m.lost, true)
	}
	if now == Running {
		m.open(at, false)
		m.Run.Lead = m.wasLead
		p.change(i, FoundRunning, at)
	}
	m.wasLead = false
}

// reconcile fills what nobody watched from the panel's own counters, and
// reports whether a start was found that way.
func (p *Pair) reconcile(i int, in *In) (starts bool) {
	if p.down {
		return false // how long the gap was is not known yet
	}
	m := &p.m[i]
	run := m.Meter.missed(in.Machines[i].HourMeter, m.Totals.Run.Seconds(), mostRun)
	if d := time.Duration(run * float64(time.Second)); d > 0 {
		d = min(d, m.Totals.Unobserved)
		m.Totals.Run += d
		m.Totals.Filled += d
		m.Totals.Unobserved -= d
		m.Rings.fill(p.age, d)
		m.window = m.Rings.sums(p.age)
	}
	n := m.Counter.missed(in.Machines[i].StartCounter, float64(m.Totals.Starts), mostStarts)
	if more := int64(math.Round(n)); more > 0 {
		m.Totals.FilledStarts += more
		m.count(p.age, more)
		return true
	}
	return false
}

// open begins a run.
func (m *member) open(at time.Time, seen bool) {
	m.Run = openRun{Open: true, Start: at, StartSeen: seen}
}

// count adds starts.
func (m *member) count(age time.Duration, n int64) {
	b := bucket{Starts: n}
	m.Totals.Starts += n
	m.Rings.put(age, b)
	for w := range m.window {
		m.window[w].add(b)
	}
}

// finish ends the run of machine i: seen to stop at the given time, or cut,
// last seen then.
func (p *Pair) finish(i int, at time.Time, cut bool) {
	m := &p.m[i]
	p.out.Runs = append(p.out.Runs, Run{
		Position: m.Position, Serial: m.Serial,
		Start: m.Run.Start, End: at, Seconds: m.Run.Watched.Seconds(),
		Lead: m.Run.Lead, StartSeen: m.Run.StartSeen,
		Cut: cut, Doubt: m.Run.Unobserved.Seconds(),
	})
	what := Ended
	if cut {
		what = RunCut
	} else if m.Run.Lead {
		p.turn.completed(i)
	}
	p.change(i, what, at)
	m.Run = openRun{}
}

func (p *Pair) change(i int, what string, at time.Time) {
	p.out.Changes = append(p.out.Changes, Change{i, what, at})
}
