package machine

import (
	"time"

	"strokebank/sensors/signal"
)

var lengths = [3]string{"24h", "7d", "30d"}

// report writes what the step found into the output.
func (p *Pair) report(in *In) {
	lead := p.lead()
	p.out.Running = false
	for i := range p.m {
		p.reportMachine(i, in.Machines[i].Running, lead == i)
		p.out.Running = p.out.Running || p.m[i].state == Running
	}
	a, b := &p.m[0].window, &p.m[1].window
	for w := range lengths {
		one, two := &p.out.Machines[0].Windows[w], &p.out.Machines[1].Windows[w]
		one.ShareOfRun, two.ShareOfRun = shares(int64(a[w].Run), int64(b[w].Run))
		one.ShareOfStarts, two.ShareOfStarts = shares(a[w].Starts, b[w].Starts)
	}
	p.reportPair(a[2].Run, b[2].Run)
}

func (p *Pair) reportMachine(i int, contact signal.Reading, lead bool) {
	m, s := &p.m[i], &p.out.Machines[i]
	s.Position, s.Tag, s.Kind, s.Serial = m.cfg.Position, m.cfg.Tag, m.cfg.Kind, m.Serial
	s.State, s.Quality, s.Since, s.Lead = m.state, contact.Quality, m.since, lead
	s.Reason = ""
	if m.state == StateUnknown {
		s.Reason = contact.Reason.String()
	}
	s.ProcessRunSeconds = m.process.Run.Seconds()
	s.ProcessStarts = float64(m.process.Starts)
	s.ProcessUnobservedSeconds = m.process.Unobserved.Seconds()
	s.LifetimeRunSeconds = m.cfg.RunOffset + m.Totals.Run.Seconds()
	s.LifetimeStarts = m.cfg.StartOffset + float64(m.Totals.Starts)
	s.LifetimeUnobservedSeconds = m.Totals.Unobserved.Seconds()
	s.DoubtSeconds = m.Totals.Doubt.Seconds()
	s.FilledRunSeconds = m.Totals.Filled.Seconds()
	s.FilledStarts = float64(m.Totals.FilledStarts)
	s.ThisRunSeconds = m.Run.Watched.Seconds()
	s.CounterAhead, s.MeterAhead = m.Checks.Starts.ahead(), m.Checks.Run.ahead()
	for w, b := range m.window {
		covered := covers(w, p.age)
		s.Windows[w].Length = lengths[w]
		s.Windows[w].RunSeconds = b.Run.Seconds()
		s.Windows[w].Starts = float64(b.Starts)
		s.Windows[w].UnobservedSeconds = b.Unobserved.Seconds()
		s.Windows[w].CoveredSeconds = covered.Seconds()
	}
}

// reportPair writes the pair's view; a and b are the run times of the longest
// window, which holds the shorter ones.
func (p *Pair) reportPair(a, b time.Duration) {
	s := &p.out.Pair
	s.Kind, s.Available, s.NextLead = p.cfg.Kind, 0, ""
	known := true
	for i := range p.m {
		known = known && p.out.Machines[i].AvailableKnown
		if p.out.Machines[i].Available {
			s.Available++
		}
	}
	s.Redundancy = "unknown"
	if known {
		s.Redundancy = [...]string{"none", "one", "both"}[s.Available]
	}
	s.Imbalance = signal.Unknown()
	if a+b > 0 {
		s.Imbalance = signal.Number(float64(a-b) / float64(a+b))
	}
	s.SameLead, s.Missed = p.turn.SameLead, float64(p.turn.Missed)
	if next := p.nextLead(); next != nobody {
		s.NextLead = p.cfg.Machines[next].Position
	}
}

// nextLead is who leads after the present lead run, or the next one.
func (p *Pair) nextLead() int {
	for i := range p.m {
		if p.m[i].Run.Open && p.m[i].Run.Lead {
			return 1 - i
		}
	}
	return p.turn.next()
}

// shares are the parts of two in their sum, unknown where there is none.
func shares(a, b int64) (one, two signal.Number) {
	if a+b <= 0 {
		return signal.Unknown(), signal.Unknown()
	}
	sum := float64(a + b)
	return signal.Number(float64(a) / sum), signal.Number(float64(b) / sum)
}
