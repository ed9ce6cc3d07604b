package machine

import "time"

// Lifetime is what the individual at a position has done since it stands
// there, with what it brought along.
type Lifetime struct {
	Position  string
	Tag       string
	Kind      Kind
	Serial    string
	Installed time.Time // zero: not given

	Run        float64 // s
	Starts     float64
	Unobserved float64 // s in which nobody knew whether it ran
	Doubt      float64 // s of Run, from runs that a power failure cut
	Filled     float64 // s of Run, from the panel's hour meter
	// FilledStarts are those of Starts from the panel's start counter.
	FilledStarts float64
}

// Lifetimes are those of both machines, as far as the pair has come.
func (p *Pair) Lifetimes() (both [2]Lifetime) {
	for i := range p.m {
		m, t := &p.m[i], &p.m[i].Totals
		both[i] = Lifetime{Position: m.Position, Tag: m.cfg.Tag, Kind: m.cfg.Kind, Serial: p.Serial(i), Installed: m.cfg.Installed,
			Run: m.cfg.RunOffset + t.Run.Seconds(), Starts: m.cfg.StartOffset + float64(t.Starts),
			Unobserved: t.Unobserved.Seconds(), Doubt: t.Doubt.Seconds(), Filled: t.Filled.Seconds(), FilledStarts: float64(t.FilledStarts)}
	}
	return both
}
