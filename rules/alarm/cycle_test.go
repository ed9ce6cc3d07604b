package alarm

import (
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// standard is the life cycle of ISA-18.2 / IEC 62682 by the names of its
// states, without delays and covers: where each thing that happens leads, for
// an alarm that is to be acknowledged and latches, and for one that does not
// latch. What is not listed changes nothing.
var standard = []struct {
	from            State
	what            string
	latching, else_ State
}{
	{Normal, "raise", Unacknowledged, Unacknowledged},
	{Unacknowledged, "acknowledge", Acknowledged, Acknowledged},
	{Unacknowledged, "clear", Returned, Returned},
	{Acknowledged, "clear", Latched, Normal},
	{Returned, "acknowledge", Latched, Normal},
	{Returned, "raise", Unacknowledged, Unacknowledged},
	{Latched, "reset", Normal, Normal},
	{Latched, "raise", Unacknowledged, Unacknowledged},
}

// after looks the standard up.
func after(from State, what string, d *Definition) State {
	if from == Unacknowledged && what == "clear" && !d.Acknowledge {
		from = Acknowledged // nobody has to acknowledge a returned alarm here
	}
	for _, row := range standard {
		if row.from == from && row.what == what {
			if d.Latch {
				return row.latching
			}
			return row.else_
		}
	}
	return from
}

func TestEveryMoveOfTheStandard(t *testing.T) {
	for _, latch := range []bool{false, true} {
		for _, from := range []State{Normal, Unacknowledged, Acknowledged, Returned, Latched} {
			for _, what := range []string{"raise", "clear", "acknowledge", "reset"} {
				t.Run(fmt.Sprint(from, ", ", what, ", latching ", latch), func(t *testing.T) {
					if from == Latched && !latch {
						t.Logf("%s is no state of an alarm that does not latch", from)
						return
					}
					h := handled{Alarm: Alarm{State: from}, d: Definition{Acknowledge: true, Latch: latch}}
					move, changed := h.do(what, time.Second)
					want := after(from, what, &h.d)
					if h.State != want {
						t.Errorf("now %s, the standard says %s", h.State, want)
					}
					if changed != (want != from) || (changed && (move.From != from || move.To != want || !h.Since.Equal(start))) {
						t.Errorf("reported %v %v since %v", move, changed, h.Since)
					}
				})
			}
		}
	}
}

// handled is an alarm with what goes on around it.
type handled struct {
	Alarm
	d               Definition
	explained, away bool
	now             time.Time
}

// do lets one thing happen, with a scan after it where it is not a person's.
func (h *handled) do(what string, dt time.Duration) (Transition, bool) {
	if h.now.IsZero() {
		h.now = start
	}
	person := func(t Transition, err error) (Transition, bool) { return t, err == nil }
	c, scanned := map[string]Condition{"raise": Present, "clear": Absent, "lose": Unclear, "unread": Unread}[what]
	switch what {
	case "acknowledge":
		return person(h.Acknowledge(&h.d, h.now))
	case "reset":
		return person(h.Reset(h.now))
	case "shelve":
		return person(h.Shelve(NewLeave(h.now, h.now.Add(20*time.Second), "a test", "somebody"), h.now))
	case "unshelve":
		return person(h.Unshelve(h.explained, h.now))
	case "explained", "not explained":
		h.explained, c = what == "explained", Unread
	case "away", "back":
		h.away, c = what == "away", Unread
	default:
		if !scanned {
			panic(what)
		}
	}
	h.Judge(&h.d, c, dt)
	return h.Show(h.explained, h.away, dt, h.now)
}

// model says the same as an Alarm from the whole history, in another way: the
// state under the covers, a list of what was seen since it was entered, and
// the covers each by itself.
type model struct {
	state                  State
	blind, explained, away bool
	shelf                  time.Duration // left
	covered                bool          // shelved or away, until it was seen again
	seen                   []seen
}

type seen struct {
	what string
	dt   time.Duration
}

// stood is for how long the history ends in what, first sight excluded.
func (m *model) stood(what string) (d time.Duration, at bool) {
	for i := len(m.seen) - 1; i >= 0 && m.seen[i].what == what; i-- {
		at = true
		if i > 0 && m.seen[i-1].what == what {
			d += m.seen[i].dt
		}
	}
	return d, at
}

func (m *model) do(d *Definition, what string, dt time.Duration) {
	delay := map[string]time.Duration{"raise": d.OnDelay, "clear": d.OffDelay}
	shows := m.shows()
	switch what {
	case "acknowledge":
		if shows != Shelved && shows != OutOfService && shows != Suppressed {
			m.state = after(m.state, what, d)
		}
		return
	case "reset":
		if shows != OutOfService {
			m.state = after(m.state, what, d)
		}
		return
	case "shelve":
		if shows != OutOfService {
			m.shelf, m.covered = 20*time.Second, true
		}
		return
	case "unshelve":
		if shows == Shelved {
			m.shelf = 0
			m.uncover()
		}
		return
	case "explained", "not explained":
		m.explained = what == "explained"
	case "away", "back":
		m.away = what == "away"
		m.covered = m.covered || m.away
	case "lose":
		m.blind, m.seen = true, nil
	case "raise", "clear":
		m.blind, m.seen = false, append(m.seen, seen{what, dt})
		if stood, _ := m.stood(what); stood >= delay[what] {
			if what == "clear" && m.state == Unacknowledged && (shows == Shelved || shows == OutOfService || shows == Suppressed) {
				m.state = Acknowledged // what clears out of sight needs nobody
			}
			m.state = after(m.state, what, d)
		}
	}
	m.shelf = max(m.shelf-dt, 0)
	m.uncover()
}

// uncover: what has been on the shelf or out of service and stands is
// unacknowledged anew.
func (m *model) uncover() {
	if m.covered && m.shelf == 0 && !m.away {
		if m.state == Acknowledged && !m.blind && !m.explained {
			m.state = Unacknowledged
		}
		m.covered = false
	}
}

func (m *model) shows() State {
	switch {
	case m.away:
		return OutOfService
	case m.shelf > 0:
		return Shelved
	case m.blind:
		return NotKnown
	case m.explained && m.state.Active():
		return Suppressed
	}
	return m.state
}

// TestLifeCycleAgainstTheTable: any sequence of conditions, of what people do,
// of losses and restarts, with any delays, shows what the table says.
func TestLifeCycleAgainstTheTable(t *testing.T) {
	shown := map[State]int{}
	rapid.Check(t, func(rt *rapid.T) {
		seconds := rapid.SampledFrom([]time.Duration{0, 0, time.Second, 3 * time.Second, 10 * time.Second})
		h := handled{now: start, d: Definition{
			OnDelay: seconds.Draw(rt, "on delay"), OffDelay: seconds.Draw(rt, "off delay"),
			Acknowledge: rapid.Bool().Draw(rt, "acknowledge"), Latch: rapid.Bool().Draw(rt, "latch"),
		}}
		whats := rapid.SampledFrom([]string{"raise", "raise", "raise", "raise", "clear", "clear", "clear",
			"lose", "acknowledge", "acknowledge", "reset", "shelve", "unshelve", "explained", "not explained", "away", "back", "unread", "restart"})
		m := model{state: Normal}
		told := Normal
		for range rapid.IntRange(1, 400).Draw(rt, "steps") {
			what, dt := whats.Draw(rt, "what"), seconds.Draw(rt, "dt")
			if what == "restart" {
				h.Alarm = restart(rt, h.Alarm)
				continue
			}
			move, changed := h.do(what, dt)
			m.do(&h.d, what, dt)
			if h.State != m.shows() || h.Behind != m.state {
				rt.Fatalf("%s (%s under it) after %s, the table says %s (%s)", h.State, h.Behind, what, m.shows(), m.state)
			}
			shown[h.State]++
			if changed && move.From != told || changed && move.To != h.State && h.State != OutOfService {
				rt.Fatalf("after %s: from %s to %s reported, %s was told and %s shows", what, move.From, move.To, told, h.State)
			}
			if changed {
				told = move.To
			}
			if told != h.State && h.State != OutOfService {
				rt.Fatalf("after %s it shows %s and nobody was told: %s", what, h.State, told)
			}
		}
	})
	for _, s := range States() {
		if shown[s] == 0 {
			t.Errorf("%s never occurred: the test proves too little", s)
		}
	}
}
