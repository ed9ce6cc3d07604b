package machine

import "time"

// BeatInterval is how often a Beat is to be written while a machine runs.
const BeatInterval = 5 * time.Second

// Saved is what a pair needs to go on after a restart, as plain JSON of a few
// kB. It is written with every start and stop, and now and then between.
type Saved struct {
	Time         time.Time     `json:"time"`
	ClockTrusted bool          `json:"clock_trusted"`
	Age          time.Duration `json:"age_ns"` // elapsed and accounted for since the first scan ever
	Machines     [2]kept       `json:"machines"`
	Turn         turn          `json:"turn"`
	Demand       wait          `json:"demand"`
	Late         late          `json:"late"`
}

// Beat is how far a pair has come since it was saved; small enough to be
// written every BeatInterval while a machine runs. It adds to the Saved that
// was written at the last start or stop.
type Beat struct {
	Time         time.Time     `json:"time"`
	ClockTrusted bool          `json:"clock_trusted"`
	Age          time.Duration `json:"age_ns"`
	Machines     [2]pulse      `json:"machines"`
}

// pulse is the part of a beat that belongs to one machine.
type pulse struct {
	Running bool   `json:"running"`
	Totals  totals `json:"totals"`
}

// kept is what is saved of one machine.
type kept struct {
	Position string  `json:"position"`
	Serial   string  `json:"serial,omitempty"`
	Totals   totals  `json:"totals"`
	Run      openRun `json:"run"`
	Rings    rings   `json:"rings"`
	Meter    tally   `json:"hour_meter"`
	Counter  tally   `json:"start_counter"`
	Failed   bool    `json:"failed_to_start"`
	Calling  wait    `json:"calling"`
	// On the present call it has run; and stopped although still called.
	RanOnCall bool `json:"ran_on_call"`
	Dropping  wait `json:"dropping"`
	Dropped   bool `json:"dropped"`

	Checks checks `json:"checks"`
	// Exchanged: another individual than the configured one was put in by
	// command.
	Exchanged *Individual `json:"exchanged,omitempty"`
}

// totals count since the individual was first watched. Run, Stopped and
// Unobserved are together the age of the pair for as long as it stands there.
type totals struct {
	Run          time.Duration `json:"run_ns"`
	Stopped      time.Duration `json:"stopped_ns"`
	Unobserved   time.Duration `json:"unobserved_ns"`
	Filled       time.Duration `json:"filled_ns"` // of Run, from the hour meter
	Doubt        time.Duration `json:"doubt_ns"`
	Starts       int64         `json:"starts"`
	FilledStarts int64         `json:"filled_starts"` // of Starts, from the start counter
}

// openRun is a run under way.
type openRun struct {
	Open       bool          `json:"open"`
	Start      time.Time     `json:"start,omitzero"`
	StartSeen  bool          `json:"start_seen"`
	Lead       bool          `json:"lead"`
	Watched    time.Duration `json:"watched_ns"`
	Unobserved time.Duration `json:"unobserved_ns"`
}

// Save is the state after the last step; a copy.
func (p *Pair) Save() Saved {
	s := Saved{Age: p.age, Turn: p.turn, Demand: p.demand, Late: p.late}
	s.Time, s.ClockTrusted = p.stamp()
	for i := range p.m {
		s.Machines[i] = p.m[i].kept
	}
	return s
}

// Beat is how far the pair had come after the last step; a copy.
func (p *Pair) Beat() Beat {
	b := Beat{Age: p.age}
	b.Time, b.ClockTrusted = p.stamp()
	for i := range p.m {
		b.Machines[i] = pulse{p.m[i].state == Running, p.m[i].Totals}
	}
	return b
}

// stamp is the time from which a restart counts its downtime. While an
// earlier downtime is still open it is that one's beginning, moved by what has
// been accounted for since, so that nothing is lost to a second restart.
func (p *Pair) stamp() (time.Time, bool) {
	if p.down {
		return p.saved.Add(p.last - p.first), p.savedTrusted
	}
	return p.time, p.trusted
}

// restore takes over what was saved, as far as it belongs to the machines
// that are configured now, and what a later beat adds to it.
func (p *Pair) restore(saved *Saved, beat *Beat) {
	for i := range p.m {
		if saved.Machines[i].Position != p.cfg.Machines[i].Position {
			return // another pair: nothing of it is ours
		}
	}
	if saved.Age < 0 {
		return // damaged
	}
	p.age, p.saved, p.savedTrusted = saved.Age, saved.Time, saved.ClockTrusted
	p.turn, p.demand, p.late = saved.Turn, saved.Demand, saved.Late
	for i := range p.m {
		p.m[i].kept = saved.Machines[i]
	}
	if beat != nil && beat.follows(saved) {
		p.advance(beat)
	}
	if p.turn.Last != 0 && p.turn.Last != 1 {
		p.turn.Last = nobody
	}
	p.turn.Doubtful = true // a turn may have passed while nobody watched
	p.down = true
	for i := range p.m {
		p.m[i].window = p.m[i].Rings.sums(p.age)
	}
}

// follows reports whether the beat goes on from what was saved: with no total
// that went back, and every moment between accounted for.
func (b *Beat) follows(s *Saved) bool {
	for i := range b.Machines {
		d := b.Machines[i].Totals.since(s.Machines[i].Totals)
		if d.Run < 0 || d.Stopped < 0 || d.Unobserved < 0 || d.Starts < 0 ||
			d.Run+d.Stopped+d.Unobserved != b.Age-s.Age {
			return false
		}
	}
	return true
}

// advance brings what was saved up to the beat.
func (p *Pair) advance(b *Beat) {
	from, to := p.age, b.Age
	for i := range p.m {
		m, pulse := &p.m[i], b.Machines[i]
		more := pulse.Totals.since(m.Totals)
		m.Rings.replay(from, to, more)
		if pulse.Running && !m.Run.Open {
			m.Run = openRun{Open: true, Start: b.Time.Add(-more.Run), StartSeen: more.Starts > 0}
		}
		if m.Run.Open {
			m.Run.Watched += more.Run - more.Filled
			m.Run.Unobserved += more.Unobserved
		}
		m.Totals = pulse.Totals
	}
	p.age, p.saved, p.savedTrusted = b.Age, b.Time, b.ClockTrusted
}

// since is what was added after o.
func (t totals) since(o totals) totals {
	return totals{
		Run: t.Run - o.Run, Stopped: t.Stopped - o.Stopped, Unobserved: t.Unobserved - o.Unobserved,
		Filled: t.Filled - o.Filled, Doubt: t.Doubt - o.Doubt,
		Starts: t.Starts - o.Starts, FilledStarts: t.FilledStarts - o.FilledStarts,
	}
}

// replay spreads what a beat adds over the buckets between two ages. The
// order inside that time is not known: run time is put first, which is right
// for a machine that ran all along.
func (r *rings) replay(from, to time.Duration, more totals) {
	r.put(from, bucket{Starts: more.Starts})
	for from < to {
		chunk := min(to-from, hour-from%hour)
		b := bucket{Run: min(chunk, more.Run)}
		b.Unobserved = min(chunk-b.Run, more.Unobserved)
		more.Run -= b.Run
		more.Unobserved -= b.Unobserved
		r.put(from, b)
		r.turn(from, from+chunk)
		from += chunk
	}
}
