package machine

import (
	"time"
)

// patience is how many scan periods may lie between two scans before the rest
// counts as unobserved: as old as a reading may be before it is bad.
const patience = 3

// Pair follows two machines that back each other up. One goroutine at a time.
type Pair struct {
	cfg  PairConfig
	scan time.Duration

	m      [2]member
	age    time.Duration
	turn   turn
	demand wait
	late   late

	begun   bool          // a step has been made in this process
	first   time.Duration // Elapsed at that step
	last    time.Duration // Elapsed at the last step
	time    time.Time     // wall clock at the last step
	trusted bool

	down         bool // the downtime after saved is not accounted for yet
	saved        time.Time
	savedTrusted bool

	out     Out
	runs    [4]Run // at most two of a restart and two of its first step
	changes [8]Change
}

// member is one machine of a pair.
type member struct {
	kept
	cfg     Config
	state   State // as the last step found it
	since   time.Time
	lost    time.Time // when the contact was last known, while it is not
	wasLead bool      // the run that a restart cut was a lead run
	window  [3]bucket
	process totals // of this process, as watched
}

// NewPair follows the pair from what was saved (nil: from nothing), brought
// up to date by the last beat (nil: none). scan is the scan period.
func NewPair(cfg PairConfig, scan time.Duration, saved *Saved, beat *Beat) *Pair {
	p := &Pair{cfg: cfg, scan: scan, turn: turn{Last: nobody}}
	for i := range p.m {
		m := &p.m[i]
		m.cfg, m.state = cfg.Machines[i], StateUnknown
		m.Position, m.Serial = m.cfg.Position, m.cfg.Serial
	}
	if saved != nil {
		p.restore(saved, beat)
	}
	return p
}

// Step moves the pair on by one scan. The result is overwritten by the next
// Step. It does not allocate.
func (p *Pair) Step(in *In) *Out {
	p.out.Runs, p.out.Changes = p.runs[:0], p.changes[:0]
	watched := p.pass(in)

	before := [2]State{p.m[0].state, p.m[1].state}
	var started [2]bool
	for i := range p.m {
		started[i] = p.observe(i, in)
	}
	p.missTurns(in, before, started)
	p.watchDemand(in, watched)
	p.judge(in, watched)
	p.takeTurns(in, before, started)

	p.time, p.trusted = in.Time, in.ClockTrusted
	p.report(in)
	return &p.out
}

// pass accounts for the time since the last step, by the state that was found
// then, and gives the part that was watched.
func (p *Pair) pass(in *In) time.Duration {
	if !p.begun {
		p.begun, p.first, p.last = true, in.Elapsed, in.Elapsed
		p.resume(in)
		return 0
	}
	p.closeDowntime(in)
	dt := max(in.Elapsed-p.last, 0)
	p.last = in.Elapsed
	watched := min(dt, patience*p.scan)
	p.account(watched, inProcess)
	if dt > watched {
		for i := range p.m {
			p.lose(i, p.time)
		}
		p.account(dt-watched, inProcess)
	}
	return watched
}

// How time is accounted for.
type manner uint8

const (
	inProcess manner = iota // by the machine's state
	downtime                // nobody watched, and the process did not exist
)

// account adds d to the age of the pair and to what each machine did.
func (p *Pair) account(d time.Duration, how manner) {
	const most = (days + 1) * day // longer than any window
	if d > most {
		p.spend(d-most, how)
		d = most
	}
	for d > 0 {
		chunk := min(d, hour-p.age%hour)
		p.spend(chunk, how)
		d -= chunk
	}
}

// spend is account for a time inside one bucket, or longer than all of them.
func (p *Pair) spend(d time.Duration, how manner) {
	next := p.age + d
	for i := range p.m {
		m := &p.m[i]
		b := m.spend(d, how)
		m.Rings.put(p.age, b)
		if p.age/hour == next/hour {
			for w := range m.window {
				m.window[w].add(b)
			}
			continue
		}
		m.Rings.turn(p.age, next)
		m.window = m.Rings.sums(next)
	}
	p.age = next
}

// spend adds d to the totals by the machine's state and gives what belongs
// into the windows.
func (m *member) spend(d time.Duration, how manner) bucket {
	state := m.state
	if how == downtime {
		state = StateUnknown
	}
	switch state {
	case Running:
		m.Totals.Run += d
		m.process.Run += d
		m.Run.Watched += d
		return bucket{Run: d}
	case Stopped:
		m.Totals.Stopped += d
		return bucket{}
	default:
		m.Totals.Unobserved += d
		m.Meter.Open += d
		m.Counter.Open += d
		if how == inProcess {
			m.process.Unobserved += d
			if m.Run.Open {
				m.Run.Unobserved += d
			}
		}
		return bucket{Unobserved: d}
	}
}

// resume is the first step after a start: a run that was under way when the
// process ended is cut there.
func (p *Pair) resume(in *In) {
	if !p.down {
		return
	}
	doubt := max(BeatInterval, p.scan)
	if gap, known := p.downtime(in); known {
		doubt = min(doubt, gap)
	}
	for i := range p.m {
		m := &p.m[i]
		if m.Run.Open {
			m.wasLead = m.Run.Lead
			m.Run.Unobserved += doubt
			m.Totals.Doubt += doubt
			p.finish(i, p.saved, true)
		}
		m.exchange()
	}
	p.closeDowntime(in)
}

// downtime is how long the process did not exist, where the clock that tells
// was trusted at both ends.
func (p *Pair) downtime(in *In) (gap time.Duration, known bool) {
	if !p.savedTrusted || !in.ClockTrusted {
		return 0, false
	}
	return max(in.Time.Sub(p.saved)-(in.Elapsed-p.first), 0), true
}

// closeDowntime counts the downtime as unobserved as soon as the clock is
// trusted. Where it was not trusted when saved nobody will ever know.
func (p *Pair) closeDowntime(in *In) {
	if !p.down {
		return
	}
	gap, known := p.downtime(in)
	if known {
		p.account(gap, downtime)
	}
	p.down = !known && p.savedTrusted
}

// exchange starts the lifetime anew where another individual stands in the
// position now; the windows belong to the position and go on. One that was put
// in by command stays until the configuration names another than it did then.
func (m *member) exchange() {
	if n := m.Exchanged; n != nil && m.cfg.Serial == n.Configured {
		m.put(n)
		return
	}
	was := m.Serial
	m.Serial, m.Exchanged = m.cfg.Serial, nil
	if was == "" || m.Serial == "" || was == m.Serial {
		return // the same one, or its number was not written down
	}
	m.renew()
}
