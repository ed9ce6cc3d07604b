package machine

// nobody is the lead while it is not known.
const nobody = -1

// turn is who leads: each completed lead run should hand the lead over. A
// lead run is one whose start was seen, with the partner stopped and the
// selector not known to be in hand.
type turn struct {
	Last     int   `json:"last"`           // who completed the last lead run, or -1
	SameLead int   `json:"same_lead_runs"` // in a row beyond the first
	Missed   int64 `json:"missed_turns"`   // lifetime
	// Doubtful: since the last lead run there was a time that nobody watched,
	// in which a turn may have passed.
	Doubtful bool `json:"doubtful"`
}

// completed records that i has finished a lead run.
func (t *turn) completed(i int) { t.Last, t.Doubtful = i, false }

// led records that i begins a lead run; excused where its partner could not
// have taken the turn, or may not have been able to.
func (t *turn) led(i int, excused bool) {
	switch {
	case t.Last == nobody:
	case t.Last != i:
		t.SameLead = 0
	case !t.Doubtful && !excused:
		t.SameLead++
		t.Missed++
	}
}

// next is whose turn it is, or nobody.
func (t *turn) next() int {
	if t.Last == nobody || t.Doubtful {
		return nobody
	}
	return 1 - t.Last
}

// takeTurns judges the starts of this step. Two machines that start in one
// scan are told apart by whose turn it was, and not at all if that is not
// known.
func (p *Pair) takeTurns(in *In, before [2]State, started [2]bool) {
	for i := range p.m {
		other := 1 - i
		switch {
		case !started[i] || before[other] != Stopped:
		case started[other] && p.turn.next() != i:
		case in.Machines[i].Hand.On():
		default:
			partner := p.out.Machines[other]
			p.turn.led(i, !partner.Available)
			p.m[i].Run.Lead = true
		}
	}
}

// lead is who leads the present run or, while nobody does, the next one.
func (p *Pair) lead() int {
	for i := range p.m {
		if p.m[i].Run.Open && p.m[i].Run.Lead {
			return i
		}
	}
	return p.turn.next()
}
