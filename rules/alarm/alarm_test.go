package alarm

import (
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"
)

var start = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

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

func restart(t rapid.TB, a Alarm) (b Alarm) {
	text, err := json.Marshal(a)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(text, &b); err != nil {
		t.Fatal(err)
	}
	return b
}

// play steps an alarm once a second through a string: P present, . absent,
// ? unclear, - unread, A acknowledge, R restart, L reset, S shelve for 3 s, V
// unshelve, E explained, e no longer, O out of service, o back. It gives the
// state after each, in letters: n normal, U, A, r returned, L latched, s
// shelved, x suppressed, o out of service, ? unknown.
func play(t *testing.T, d Definition, what string) string {
	letters := map[State]string{Normal: "n", Unacknowledged: "U", Acknowledged: "A", Returned: "r", Latched: "L",
		Shelved: "s", Suppressed: "x", OutOfService: "o", NotKnown: "?"}
	words := map[rune]string{'P': "raise", '.': "clear", '?': "lose", '-': "unread", 'A': "acknowledge", 'L': "reset",
		'V': "unshelve", 'E': "explained", 'e': "not explained", 'O': "away", 'o': "back"}
	h := handled{d: d, now: start}
	out := ""
	for _, w := range what {
		switch w {
		case 'S':
			if _, err := h.Shelve(NewLeave(h.now, h.now.Add(3*time.Second), "", ""), h.now); err != nil {
				t.Fatal(err)
			}
		case 'R':
			h.Alarm = restart(t, h.Alarm)
		case 'A', 'L', 'V':
			h.do(words[w], 0)
		default:
			h.now = h.now.Add(time.Second)
			h.do(words[w], time.Second)
		}
		h.repair()
		out += letters[h.State]
	}
	return out
}

func TestDelaysAndUnknown(t *testing.T) {
	three := Definition{OnDelay: 3 * time.Second, OffDelay: 2 * time.Second}
	ack := Definition{OnDelay: time.Second, OffDelay: time.Second, Acknowledge: true}
	now, latch := Definition{Acknowledge: true}, Definition{Acknowledge: true, Latch: true}
	cases := []struct {
		name  string
		d     Definition
		what  string
		shows string
	}{
		{"raised after its delay, cleared after its delay", three, ".PPPPP...", "nnnnUUUUn"},
		{"too short to be raised", three, ".PPP.PPP.", "nnnnnnnnn"},
		{"too short to be cleared", three, "PPPP..P..P..P", "nnnUUUUUUUUUU"},
		{"no delays", Definition{}, "P.P.", "UnUn"},
		{"chatters every second and is never raised", three, "P.P.P.P.P.P.P.P.P.P.", "nnnnnnnnnnnnnnnnnnnn"},
		{"chatters while raised and stays one alarm", three, "PPPPP.P.P.P.P.P.P...", "nnnUUUUUUUUUUUUUUUUn"},
		{"returned, then acknowledged", ack, "PP..A", "nUUrn"},
		{"returned and raised again", ack, "PP..PP", "nUUrrU"},
		{"acknowledged, then cleared", ack, "PPA..", "nUAAn"},
		{"raised again after it was cleared", ack, "PPA..PP", "nUAAnnU"},
		{"unknown, then as before without a second acknowledgement", ack, "PPA???PP", "nUA???AA"},
		{"unknown, then still unacknowledged", ack, "PP?P", "nU?U"},
		{"unknown, then gone: the off-delay starts anew", three, "PPPPP.?...", "nnnUUU?UUn"},
		{"unknown, then present: the on-delay starts anew", three, "PPP?PPPP", "nnn?nnnU"},
		{"unknown, then gone, no delays", Definition{}, "P?.", "U?n"},
		{"unknown, then present, no delays", Definition{}, ".?P", "n?U"},
		{"acknowledged while unknown", ack, "PP?AP..", "nU??AAn"},
		{"returned, unknown, acknowledged, gone", ack, "PP..?A.", "nUUr??n"},
		{"not read yet: as it was", ack, "PPAR--P", "nUAAAAA"},
		{"not read yet, from the beginning", ack, "--.", "nnn"},
		{"restart while raised", ack, "PPR--..", "nUUUUUr"},
		{"restart in the on-delay", three, "PPRPPP", "nnnnUU"},
		{"restart in the off-delay", three, "PPPPP.R..", "nnnUUUUUn"},
		{"restart while unknown", ack, "PPA?R?P", "nUA???A"},
		{"acknowledged in the off-delay, which goes on", Definition{OffDelay: 3 * time.Second}, "P..A..", "UUUAAn"},
		{"nothing to acknowledge", ack, "A.A?A", "nnn??"},
		{"latched, then reset", latch, "PA.L", "UALn"},
		{"latched only once it is acknowledged", latch, "P.LAL", "UrrLn"},
		{"no reset while it stands", latch, "PLAL", "UUAA"},
		{"latched and raised again", latch, "PA.P", "UALU"},
		{"latched over a restart", latch, "PA.RL", "UALLn"},
		{"shelved, and its cause stays", now, "PASPPPP", "UAsssUU"},
		{"shelved, and its cause goes", now, "PS...", "Usssn"},
		{"shelved over a restart", now, "PASR.PPP", "UAssssUU"},
		{"raised on the shelf and taken down", now, ".SPV", "nssU"},
		{"raised and gone on the shelf asks nobody", now, ".SP.V", "nsssn"},
		{"shelved for longer", now, "PSPPSPP", "Ussssss"},
		{"explained, then with its own state again", now, "PEPe", "UxxU"},
		{"acknowledged before it is explained", now, "PAEe", "UAxA"},
		{"explained before it is raised", now, "EPPe", "nxxU"},
		{"gone while explained asks nobody", now, "EPP.e", "nxxnn"},
		{"explained and not acknowledgeable", now, "PEAe", "UxxU"},
		{"out of service, and back with its cause", now, "PAOPo", "UAooU"},
		{"out of service, and back without", now, "PAO.o", "UAoon"},
		{"out of service over a restart", now, "PORPo", "UoooU"},
		{"unknown is no reason to be explained away", now, "PE?eP", "Ux??U"},
		{"shelved while unknown", now, "P?SVP", "U?s?U"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			if got := play(t, c.d, c.what); got != c.shows {
				t.Errorf("%s\n shows %s\n  want %s", c.what, got, c.shows)
			}
		})
	}
}

func TestTimeNeverRunsBackwards(t *testing.T) {
	h := handled{d: Definition{OnDelay: 3 * time.Second}}
	for _, dt := range []time.Duration{1, 2, -10, 1} {
		h.do("raise", dt*time.Second)
	}
	if h.State != Unacknowledged {
		t.Errorf("%s after three seconds", h.State)
	}
}

// TestAcknowledgeNoLongerWanted: a site that turns the acknowledgement off
// does not keep an alarm waiting for it, nor for a reset.
func TestAcknowledgeNoLongerWanted(t *testing.T) {
	for _, from := range []State{Returned, Latched} {
		h := handled{Alarm: Alarm{State: from}}
		move, changed := h.do("clear", time.Second)
		if !changed || move != (Transition{From: from, To: Normal}) {
			t.Errorf("%v %v", move, changed)
		}
	}
}

func TestDamagedStateIsNormal(t *testing.T) {
	for _, a := range []Alarm{{State: "ringing"}, {}, {State: NotKnown, Behind: "ringing"}, {State: NotKnown, Behind: NotKnown},
		{State: Shelved}, {State: OutOfService}, {State: Suppressed, Behind: Shelved}} {
		h := handled{Alarm: a, d: Definition{OnDelay: time.Hour}}
		h.do("raise", time.Second)
		if h.State != Normal {
			t.Errorf("%+v became %+v", a, h.Alarm)
		}
	}
}

// TestShelfEndsByTheFirstOfTwoClocks: a clock set back, or one that wakes in
// the wrong year, never makes a shelf longer.
func TestShelfEndsByTheFirstOfTwoClocks(t *testing.T) {
	for name, c := range map[string]struct {
		step  time.Duration
		after time.Duration
	}{
		"an honest clock":             {0, time.Hour},
		"set back by a day":           {-24 * time.Hour, time.Hour},
		"set forward by a day":        {24 * time.Hour, time.Second},
		"woken in another decade":     {-20 * 365 * 24 * time.Hour, time.Hour},
		"set forward by half an hour": {30 * time.Minute, 30 * time.Minute},
	} {
		t.Run(name, func(t *testing.T) {
			l := NewLeave(start, start.Add(time.Hour), "r", "b")
			now, gone := start.Add(c.step), time.Duration(0)
			for !l.Pass(time.Second, now.Add(time.Second)) {
				now, gone = now.Add(time.Second), gone+time.Second
				if gone > 2*time.Hour {
					t.Fatal("it never ends")
				}
			}
			if gone += time.Second; gone != c.after {
				t.Errorf("ended after %v, want %v", gone, c.after)
			}
			if l.On() || l.Pass(time.Hour, now) {
				t.Error("it ended twice")
			}
		})
	}
}

// TestRefusalsSayWhy: each wish that cannot be fulfilled is told apart.
func TestRefusalsSayWhy(t *testing.T) {
	now, d := start, Definition{Acknowledge: true, Latch: true}
	seen := map[string]bool{}
	for name, err := range map[string]error{
		"nothing to acknowledge":  second((&Alarm{}).Acknowledge(&d, now)),
		"acknowledge the shelved": second((&Alarm{State: Shelved, Behind: Unacknowledged}).Acknowledge(&d, now)),
		"acknowledge the hidden":  second((&Alarm{State: Suppressed, Behind: Unacknowledged}).Acknowledge(&d, now)),
		"shelve the absent":       second((&Alarm{State: OutOfService}).Shelve(Leave{}, now)),
		"reset what stands":       second((&Alarm{State: Acknowledged}).Reset(now)),
		"reset the unseen":        second((&Alarm{State: Returned}).Reset(now)),
		"reset the normal":        second((&Alarm{}).Reset(now)),
		"unshelve the normal":     second((&Alarm{}).Unshelve(false, now)),
	} {
		if err == nil || seen[err.Error()] {
			t.Errorf("%s: %v", name, err)
			continue
		}
		seen[err.Error()] = true
	}
}

func second(_ Transition, err error) error { return err }

func TestStatusSaysWhatTheDefinitionSays(t *testing.T) {
	d, ok := Find(LowLevel)
	if !ok {
		t.Fatal("no such alarm")
	}
	d = d.Apply(Setting{Note: "see sheet 4"})
	a := Alarm{State: Acknowledged, Since: start}
	s := a.Status(&d, "unit")
	if s.Name != LowLevel || s.Source != "unit" || s.State != Acknowledged || !s.Since.Equal(start) ||
		s.Respond != 1800 || s.Note != "see sheet 4" || s.Value.Known() || s.Limit.Known() || s.Priority != Medium {
		t.Errorf("%+v", s)
	}
}

func BenchmarkStep(b *testing.B) {
	d, _ := Find(LowPressure)
	var a Alarm
	n := 0
	b.ReportAllocs()
	for b.Loop() {
		n++
		c := Absent
		if n/64%2 == 1 {
			c = Present
		}
		a.Judge(&d, c, time.Second)
		a.Show(false, false, time.Second, start)
	}
}
