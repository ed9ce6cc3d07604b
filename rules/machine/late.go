package machine

import (
	"math"
	"time"

	"strokebank/sensors/signal"
)

const (
	// smooth is the time constant, s, of the level or pressure by which a
	// demand is judged: slosh and noise must not start it anew.
	smooth = 5.0
	// under is how far under the cut-in, as a part of the dead band, a demand
	// is sure: switches and transmitters have errors of their own. Common
	// practice, no source.
	under = 0.1
	// overdue is how many times the time for an answer a demand has stood that
	// was surely not answered, wherever the level is.
	overdue = 10
	// dropAfter is how long a machine must have been stopped while it is
	// called: contact and call may be read some time apart.
	dropAfter = 5 * time.Second
)

// late is what tells that a machine missed its turn where no contact says that
// it was called: its partner, whose turn it was not, had to start far under the
// cut-in, or long after, a demand that had stood longer than an answer takes.
type late struct {
	Demand wait `json:"demand"`

	level float64 // smoothed
	known bool
}

// watchDemand follows the demand while nobody runs.
func (p *Pair) watchDemand(in *In, watched time.Duration) {
	l, v := &p.late, in.Process
	if !v.Known() {
		l.known = false
		return
	}
	if l.known {
		l.level += float64((v.Value - l.level) * -math.Expm1(-watched.Seconds()/smooth))
	} else {
		l.level, l.known = v.Value, true
	}
	idle := p.m[0].state == Stopped && p.m[1].state == Stopped
	sure := p.cfg.CutIn - float64(under*(p.cfg.CutOut-p.cfg.CutIn))
	switch {
	case !idle || l.level >= p.cfg.CutIn || in.Locked.On() || (in.Mains.Known() && !in.Mains.On()):
		l.Demand = wait{}
	case l.level < sure || l.Demand.On:
		l.Demand.stand(watched)
	}
}

// missTurns marks a machine as failed whose partner has just had to start in
// its place. It looks at the demand before that is taken back.
func (p *Pair) missTurns(in *In, before [2]State, started [2]bool) {
	if before[0] == Running || before[1] == Running || started[0] == started[1] {
		return
	}
	other := 0
	if started[0] {
		other = 1
	}
	stood := p.late.Demand.Stood
	far := p.cfg.NoAnswer > 0 && p.late.known && p.late.level < (p.cfg.CutIn+p.cfg.NoAnswer)/2
	long := stood >= overdue*p.cfg.Answer
	if stood < p.cfg.Answer || !(far || long) || p.turn.next() != other || p.m[other].state != Stopped {
		return
	}
	if why, known := in.blocked(other); why == "" && known {
		p.m[other].Failed = true
	}
}

// dropped follows whether a machine stopped although it was still called: the
// panel goes on calling, and it has run on this call. It stays until the
// machine has made a whole run.
func (p *Pair) dropped(i int, in *In, why string, known bool, watched time.Duration) signal.Reading {
	m, s := &p.m[i], &in.Machines[i]
	switch {
	case s.Called.Reason == signal.NotConfigured && !s.Called.Known():
		return signal.Missing(signal.Boolean, signal.NotConfigured, in.Time)
	case !s.Called.Known() || !s.Running.Known():
		return condition(false, s.Called, s.Running)
	case !s.Called.On():
		if m.RanOnCall && m.Dropping.Stood < dropAfter {
			m.Dropped = false
		}
		m.RanOnCall, m.Dropping = false, wait{}
	case s.Running.On():
		m.RanOnCall, m.Dropping = true, wait{}
	case why != "":
		m.RanOnCall, m.Dropping = false, wait{} // stopped for a known cause
	case m.RanOnCall && known && m.Dropping.stand(watched) >= dropAfter:
		m.Dropped = true
	}
	return condition(m.Dropped, s.Running)
}
