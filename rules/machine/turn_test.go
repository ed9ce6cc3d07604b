package machine

import (
	"testing"
	"time"
)

// TestTurns: who led, and what it says of the alternation. A letter is a lead
// run of that machine (a, b) or what happens between two of them.
func TestTurns(t *testing.T) {
	cases := []struct {
		name   string
		what   string
		same   int
		missed float64
		next   string
	}{
		{"nothing seen yet", "", 0, 0, ""},
		{"in turn", "abab", 0, 0, "pump1"},
		{"the same one twice", "aa", 1, 1, "pump2"},
		{"the same one four times", "aaaa", 3, 3, "pump2"},
		{"handed over again", "aaab", 0, 2, "pump1"},
		{"partner tripped", "a" + "Oaa", 0, 0, "pump2"},
		{"partner tripped, then repaired", "aOaRa", 1, 1, "pump2"},
		{"partner not in automatic", "aNaa", 0, 0, "pump2"},
		{"partner's selector not known", "aUaa", 0, 0, "pump2"},
		{"started by hand: no lead run", "aHa", 1, 1, "pump2"},
		{"partner helps during the run", "bAb", 0, 0, "pump1"},
		{"a run of both", "Ab", 0, 0, "pump1"},
		{"nobody watched in between", "aLa", 0, 0, "pump2"},
		{"nobody watched, turn unknown", "abL", 0, 0, ""},
		{"not watched, then watched again", "aLaa", 1, 1, "pump2"},
		{"a restart in between", "aXa", 0, 0, "pump2"},
		{"what was missed survives a restart", "aaXbb", 1, 2, "pump1"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t)
			for _, w := range c.what {
				r.play(w)
			}
			p := r.out.Pair
			if p.SameLead != c.same || p.Missed != c.missed || p.NextLead != c.next {
				t.Errorf("same %d, missed %v, next %q; want %d, %v, %q", p.SameLead, p.Missed, p.NextLead, c.same, c.missed, c.next)
			}
		})
	}
}

func (r *rig) play(what rune) {
	switch what {
	case 'a':
		r.work(0, 60)
	case 'b':
		r.work(1, 60)
	case 'O':
		r.overload[1] = on
	case 'N':
		r.automatic[1] = off
	case 'U':
		r.automatic[1] = bad
	case 'R':
		r.overload, r.automatic = [2]contact{}, [2]contact{}
	case 'H': // the first machine is run by hand
		r.hand[0] = on
		r.work(0, 60)
		r.hand[0] = off
	case 'A': // the first leads, the second joins and outlasts it
		r.run[0] = on
		r.steps(30)
		r.run[1] = on
		r.steps(30)
		r.run[0] = off
		r.steps(30)
		r.run[1] = off
		r.steps(30)
	case 'L':
		r.run[1] = bad
		r.steps(5)
		r.run[1] = off
		r.steps(5)
	case 'X':
		r.restart(r.save(), nil, time.Minute)
		r.step(0)
	}
}

func TestLeadOfTheRunUnderWay(t *testing.T) {
	r := newRig(t)
	r.work(0, 60)
	if !r.machine(1).Lead || r.machine(0).Lead {
		t.Error("the second machine's turn is next")
	}
	r.run[0] = on // out of turn
	r.steps(5)
	if !r.machine(0).Lead || r.machine(1).Lead || r.out.Pair.NextLead != "pump2" {
		t.Errorf("lead %v and %v, next %q", r.machine(0).Lead, r.machine(1).Lead, r.out.Pair.NextLead)
	}
}

// TestBothStartInOneScan: the one whose turn it is leads; where that is not
// known neither does.
func TestBothStartInOneScan(t *testing.T) {
	cases := []struct {
		name  string
		first string
		want  [2]bool
	}{
		{"turn not known", "", [2]bool{false, false}},
		{"the first one's turn", "b", [2]bool{true, false}},
		{"the second one's turn", "a", [2]bool{false, true}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t)
			for _, w := range c.first {
				r.play(w)
			}
			r.run = [2]contact{on, on}
			r.step(time.Second)
			if got := [2]bool{r.pair.m[0].Run.Lead, r.pair.m[1].Run.Lead}; got != c.want {
				t.Errorf("lead %v, want %v", got, c.want)
			}
		})
	}
}
