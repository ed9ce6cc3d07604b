package simulator

import (
	"math"
	"math/rand/v2"
)

// contact is a switch that closes under low and opens again over high. Its
// error is fixed; each time it acts it acts a little elsewhere.
type contact struct {
	low, high   float64
	err, repeat float64
	shift       float64
	on          bool
}

// see lets the switch see v; band is the part of its hysteresis that is left
// and scale what its set points have sunk to.
func (c *contact) see(v, band, scale float64, rng *rand.Rand) {
	low := c.low * scale
	high := low + (c.high*scale-low)*band
	was := c.on
	if at := v - c.err - c.shift; at < low {
		c.on = true
	} else if at > high {
		c.on = false
	}
	if c.on != was {
		c.shift = c.repeat * (2*rng.Float64() - 1)
	}
}

// pair is the panel's logic for two machines.
type pair struct {
	demand, help, low contact
	lead              int
	call              bool
}

// panel is the relay panel. Machines are in the order of positions.
type panel struct {
	pairs     [2]pair
	mains     bool
	mainsBack float64
	dry       bool // sump too low for the pumps
	called    [4]bool
	running   [4]bool
	pending   [4]float64 // when the contactor will have moved; 0: no change asked
	since     [4]float64
	dropped   [4]bool
	seconds   [4]float64
	starts    [4]uint32
	switching bool // a contactor is about to move
	busy      bool // a machine runs
	rng       *rand.Rand
}

func newPanel(p *Plant, rng *rand.Rand) panel {
	out := panel{mains: true, rng: rng}
	b := &p.build
	out.pairs[0] = newPair(b.Level, 0.003, 0.001, 0.02, rng)
	out.pairs[1] = newPair(b.Pressure, 0.03e5, 0.005e5, 0.1e5, rng)
	return out
}

func newPair(s SetPoints, err, repeat, dead float64, rng *rand.Rand) pair {
	at := func(low, high float64) contact {
		return contact{low: low, high: high, err: err * (2*rng.Float64() - 1), repeat: repeat}
	}
	return pair{demand: at(s.CutIn, s.CutOut), help: at(s.Standby, s.CutOut), low: at(s.Low, s.Low+dead)}
}

// decide lets the panel act on what its switches see now.
func (n *panel) decide(p *Plant, h float64) {
	f, s := &p.faults, &p.s
	atmosphere := p.build.Tank.Atmosphere
	// The switches sink in absolute pressure with the air that was lost.
	sunk := 1 - 0.5*f.waterlogged
	seen := s.gauge + atmosphere*(1-sunk)
	for i, v := range [2]float64{s.level, seen} {
		scale := 1.0
		if i == 1 {
			scale = sunk
		}
		q := &n.pairs[i]
		band := 1 - 0.93*f.shortCycle[i]
		q.demand.see(v, band, scale, n.rng)
		q.help.see(v, 1, scale, n.rng)
	}
	n.pairs[0].low.see(s.level, 1, 1, n.rng)
	n.pairs[1].low.see(s.gauge, 1, 1, n.rng)

	if mains := f.mains == 0; mains != n.mains {
		n.mains, n.mainsBack = mains, p.now
	}
	sump := s.sump / p.rating.density15 / p.build.Sump.Area
	if margin := sump - p.build.Sump.Suction; margin < 0.02 {
		n.dry = true
	} else if margin > 0.05 {
		n.dry = false
	}
	n.call(f, p.now)
	n.busy, n.switching = false, false
	for i := range n.running {
		n.drive(p, i, h)
	}
}

// call decides which machines the panel asks for.
func (n *panel) call(f *faults, now float64) {
	n.called = [4]bool{}
	powered := n.mains && now >= n.mainsBack+5*b2f(n.mainsBack > 0)
	for i := range n.pairs {
		q := &n.pairs[i]
		// Oil first, then air: from the pumps' cut-in to their cut-out the
		// compressors stay out.
		locked := i == 1 && n.pairs[0].demand.on && f.lockout == 0
		call := powered && q.demand.on && f.noAnswer[i] == 0 && !locked
		if q.call && !call && powered && f.alternation[i] == 0 {
			q.lead = 1 - q.lead
		}
		q.call = call
		if !call {
			continue
		}
		lead, other := 2*i+q.lead, 2*i+1-q.lead
		if !f.ready(lead) && f.ready(other) {
			lead, other = other, lead
		}
		n.called[lead] = f.ready(lead)
		if q.help.on && f.standby[i] == 0 {
			n.called[other] = f.ready(other)
		}
	}
	if n.dry {
		n.called[0], n.called[1] = false, false
	}
}

// ready reports selector in automatic and no overload.
func (f *faults) ready(i int) bool { return f.automatic(i) && f.overload[i] == 0 }

func (f *faults) automatic(i int) bool { return f.off[i] == 0 && f.hand[i] == 0 }

// drive moves the contactor of machine i and counts.
func (n *panel) drive(p *Plant, i int, h float64) {
	f := &p.faults
	if !n.called[i] {
		n.dropped[i] = false
	}
	want := n.called[i] && !n.dropped[i]
	if f.hand[i] > 0 && f.off[i] == 0 && !(i < 2 && n.dry) {
		want = true
	}
	want = want && f.overload[i] == 0 && (f.noStart[i] == 0 || n.running[i])
	if f.spurious[i] > 0 && n.running[i] && p.now-n.since[i] > 20 {
		n.dropped[i], want = true, false
	}
	if f.welded[i] > 0 || (f.noStop[i] > 0 && n.running[i]) {
		want = true
	}
	if !n.mains {
		want = false
	}
	switch {
	case want == n.running[i]:
		n.pending[i] = 0
	case n.pending[i] == 0:
		delay := 0.1
		if want {
			delay = 0.2 + 10*f.slow[i]
		}
		n.pending[i] = p.now + delay
	case p.now >= n.pending[i]:
		n.pending[i] = 0
		n.turn(p, i, want)
	}
	if n.running[i] {
		n.seconds[i] += h
	}
	n.busy = n.busy || n.running[i]
	n.switching = n.switching || n.pending[i] != 0
}

func (n *panel) turn(p *Plant, i int, on bool) {
	n.running[i] = on
	if i < 2 {
		p.s.slosh = math.Max(p.s.slosh, 0.003)
	}
	if on {
		n.since[i] = p.now
		n.starts[i]++
	}
}

func b2f(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
