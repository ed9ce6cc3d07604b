package machine

import (
	"time"

	"strokebank/sensors/signal"
)

// wait is how long something has stood, by what was watched.
type wait struct {
	On    bool          `json:"on"`
	Stood time.Duration `json:"stood_ns"`
}

// stand goes on by d and gives how long it has stood. What is seen for the
// first time has stood for nothing yet.
func (w *wait) stand(d time.Duration) time.Duration {
	if w.On {
		w.Stood += d
	}
	w.On = true
	return w.Stood
}

// judge finds the conditions of the alarms and who is available.
func (p *Pair) judge(in *In, watched time.Duration) {
	p.out.NoAnswer = p.noAnswer(in, watched)
	for i := range p.m {
		s, st := &in.Machines[i], &p.out.Machines[i]
		why, known := in.blocked(i)
		p.out.Overload[i] = asCondition(s.Overload)
		p.out.NotInAutomatic[i] = notInAutomatic(s)
		p.out.SpuriousStop[i] = p.dropped(i, in, why, known, watched)
		p.out.FailedToStart[i] = p.failedToStart(i, in, why, known, watched)
		switch {
		case why != "" && known:
		case p.m[i].Failed:
			why, known = "failed to start", true
		case in.Useless[i]:
			why, known = "delivers nothing", true
		case known && !s.Running.Known():
			why, known = "running contact not known", false
		}
		st.Blocked, st.AvailableKnown = why, known
		st.Available = known && why == ""
	}
}

// noAnswer is whether the value is far below the cut-in and nobody runs, for
// the time that an answer takes. Once the value has fallen under NoAnswer the
// demand stands until a machine runs or the value is back at the cut-in, so a
// value that wavers about the limit does not put it off.
func (p *Pair) noAnswer(in *In, watched time.Duration) signal.Reading {
	a, b, v := in.Machines[0].Running, in.Machines[1].Running, in.Process
	for _, r := range [...]signal.Reading{a, b} {
		if r.On() {
			p.demand = wait{}
			return condition(false, r)
		}
	}
	if p.cfg.NoAnswer <= 0 {
		return signal.Missing(signal.Boolean, signal.NotConfigured, in.Time)
	}
	inputs := [...]signal.Reading{v, a, b, in.Locked}
	used := inputs[:]
	if in.Locked.Reason == signal.NotConfigured {
		used = inputs[:3]
	}
	limit := p.cfg.NoAnswer
	if p.demand.On {
		limit = max(limit, p.cfg.CutIn)
	}
	switch out := condition(false, used...); {
	case v.Known() && v.Value >= limit:
		p.demand = wait{}
		return condition(false, v)
	case in.Locked.On():
		p.demand = wait{}
		return condition(false, in.Locked)
	case !out.Known():
		p.demand = wait{}
		return out
	}
	return condition(p.demand.stand(watched) >= p.cfg.Answer, used...)
}

// failedToStart is whether the machine was called and did not run in time.
// It stays until the machine has been seen to run. A known cause (overload,
// selector, mains) has an alarm of its own and is no failure of the machine.
func (p *Pair) failedToStart(i int, in *In, why string, known bool, watched time.Duration) signal.Reading {
	m, s := &p.m[i], &in.Machines[i]
	if s.Running.On() {
		m.Failed = false
	}
	calling := s.Running.Known() && !s.Running.On() && s.Called.On() && known && why == "" && !m.RanOnCall
	if !calling {
		m.Calling = wait{}
	} else if m.Calling.stand(watched) >= p.cfg.Answer {
		m.Failed = true
	}
	switch {
	case s.Called.Reason == signal.NotConfigured && !s.Called.Known():
		return condition(m.Failed, s.Running) // where its partner had to start instead
	case s.Running.On() || m.Failed:
		return condition(m.Failed, s.Running)
	case known && why != "":
		return condition(false, s.Running)
	case !known && s.Called.On():
		return signal.Missing(signal.Boolean, signal.DependsOnBad, in.Time)
	default:
		return condition(false, s.Running, s.Called)
	}
}

// OutOfService is what Blocked says of a machine that a person has taken out of
// service.
const OutOfService = "out of service"

// blocked says why machine i could not start now, or that it is not known
// because a contact is bad. A contact that the unit does not have is no
// objection.
func (in *In) blocked(i int) (why string, known bool) {
	s, mains := &in.Machines[i], in.Mains
	switch {
	case in.Away[i]:
		return OutOfService, true
	case mains.Known() && !mains.On():
		return "no mains", true
	case s.Overload.On():
		return "overload tripped", true
	case s.Hand.On():
		return "selector in hand", true
	case s.Automatic.Known() && !s.Automatic.On():
		return "not in automatic", true
	case silent(mains):
		return "mains not known", false
	case silent(s.Overload):
		return "overload contact not known", false
	case silent(s.Automatic) || silent(s.Hand):
		return "selector not known", false
	}
	return "", true
}

// silent reports a contact that the unit has and that is bad.
func silent(r signal.Reading) bool { return !r.Known() && r.Reason != signal.NotConfigured }

// notInAutomatic is the selector's condition, from the contact for automatic
// or, without it, the one for hand. Both at once cannot be.
func notInAutomatic(s *Signals) signal.Reading {
	switch {
	case s.Automatic.On() && s.Hand.On():
		return signal.Missing(signal.Boolean, signal.Contradiction, s.Automatic.Time)
	case s.Automatic.Known():
		return condition(!s.Automatic.On(), s.Automatic)
	case s.Automatic.Reason == signal.NotConfigured:
		return asCondition(s.Hand)
	default:
		return asCondition(s.Automatic)
	}
}

// asCondition is a contact as a condition of its own.
func asCondition(r signal.Reading) signal.Reading { return condition(r.On(), r) }

// condition is a computed yes or no, as good as its inputs.
func condition(on bool, inputs ...signal.Reading) signal.Reading {
	v := 0.0
	if on {
		v = 1
	}
	return signal.Derive(v, signal.Boolean, inputs...)
}
