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
// states, without delays: where each thing that happens leads. What is not
// listed changes nothing.
var standard = []struct {
	from State
	what string
	to   State
}{
	{Normal, "raise", Unacknowledged},
	{Unacknowledged, "acknowledge", Acknowledged},
	{Unacknowledged, "clear", Returned},
	{Acknowledged, "clear", Normal},
	{Returned, "acknowledge", Normal},
	{Returned, "raise", Unacknowledged},
}

// after looks the standard up.
func after(from State, what string, acknowledge bool) State {
	for _, row := range standard {
		if row.from != from || row.what != what {
			continue
		}
		if row.to == Returned && !acknowledge {
			return Normal // nobody has to acknowledge a returned alarm here
		}
		return row.to
	}
	return from
}

func TestEveryMoveOfTheStandard(t *testing.T) {
	for _, from := range []State{Normal, Unacknowledged, Acknowledged, Returned} {
		for _, what := range []string{"raise", "clear", "acknowledge"} {
			t.Run(fmt.Sprint(from, ", ", what), func(t *testing.T) {
				a, d := Alarm{State: from}, Definition{Acknowledge: true}
				move, changed := do(&a, &d, what, time.Second)
				want := after(from, what, true)
				if a.State != want {
					t.Errorf("now %s, the standard says %s", a.State, want)
				}
				if changed != (want != from) || (changed && (move != Transition{from, want} || !a.Since.Equal(start))) {
					t.Errorf("reported %v %v since %v", move, changed, a.Since)
				}
			})
		}
	}
}

func do(a *Alarm, d *Definition, what string, dt time.Duration) (Transition, bool) {
	switch what {
	case "raise":
		return a.Step(d, Present, dt, start)
	case "clear":
		return a.Step(d, Absent, dt, start)
	case "lose":
		return a.Step(d, Unclear, dt, start)
	case "acknowledge":
		return a.Acknowledge(start)
	default:
		return a.Step(d, Unread, dt, start)
	}
}

// model says the same as an Alarm from the whole history, in another way: the
// state under the cover, and a list of what was seen since it was entered.
type model struct {
	state State
	blind bool
	seen  []seen
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
	switch what {
	case "unread":
		return
	case "acknowledge":
		m.state = after(m.state, what, d.Acknowledge)
		return
	case "lose":
		m.blind, m.seen = true, nil
		return
	}
	m.blind, m.seen = false, append(m.seen, seen{what, dt})
	if stood, ok := m.stood(what); ok && stood >= delay[what] {
		m.state = after(m.state, what, d.Acknowledge)
	}
}

func (m *model) shows() State {
	if m.blind {
		return NotKnown
	}
	return m.state
}

// TestLifeCycleAgainstTheTable: any sequence of conditions, acknowledgements,
// losses and restarts, with any delays, shows what the table says.
func TestLifeCycleAgainstTheTable(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		seconds := rapid.SampledFrom([]time.Duration{0, 0, time.Second, 3 * time.Second, 10 * time.Second})
		d := Definition{
			OnDelay: seconds.Draw(rt, "on delay"), OffDelay: seconds.Draw(rt, "off delay"),
			Acknowledge: rapid.Bool().Draw(rt, "acknowledge"),
		}
		whats := rapid.SampledFrom([]string{"raise", "raise", "raise", "clear", "clear", "clear",
			"lose", "acknowledge", "unread", "restart"})
		var a Alarm
		m := model{state: Normal}
		for range rapid.IntRange(1, 400).Draw(rt, "steps") {
			what, dt := whats.Draw(rt, "what"), seconds.Draw(rt, "dt")
			if what == "restart" {
				a = restart(rt, a)
				continue
			}
			was := a.State
			move, changed := do(&a, &d, what, dt)
			m.do(&d, what, dt)
			if a.State != m.shows() || a.stands() != m.state {
				rt.Fatalf("%s (%s under it) after %s, the table says %s (%s)", a.State, a.stands(), what, m.shows(), m.state)
			}
			if (a.Behind != "") != (a.State == NotKnown) {
				rt.Fatalf("%s with %q under it", a.State, a.Behind)
			}
			if was == "" {
				was = Normal
			}
			if changed && (move.From != was || move.To != a.State) || !changed && a.State != was {
				rt.Fatalf("from %s to %s, reported %v %v", was, a.State, move, changed)
			}
		}
	})
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
// ? unclear, - unread, A acknowledge, R restart. It gives the state after
// each, in letters: n normal, U, A, r returned, ? unknown.
func play(t *testing.T, d Definition, what string) string {
	letters := map[State]string{Normal: "n", Unacknowledged: "U", Acknowledged: "A", Returned: "r", NotKnown: "?"}
	conditions := map[rune]Condition{'P': Present, '.': Absent, '?': Unclear, '-': Unread}
	var a Alarm
	out := ""
	for _, w := range what {
		switch w {
		case 'A':
			a.Acknowledge(start)
		case 'R':
			a = restart(t, a)
		default:
			a.Step(&d, conditions[w], time.Second, start)
		}
		out += letters[a.repaired()]
	}
	return out
}

func (a *Alarm) repaired() State {
	a.repair()
	return a.State
}

func TestDelaysAndUnknown(t *testing.T) {
	three := Definition{OnDelay: 3 * time.Second, OffDelay: 2 * time.Second}
	ack := Definition{OnDelay: time.Second, OffDelay: time.Second, Acknowledge: true}
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
	d, a := Definition{OnDelay: 3 * time.Second}, Alarm{}
	for _, dt := range []time.Duration{1, 2, -10, 1} {
		a.Step(&d, Present, dt*time.Second, start)
	}
	if a.State != Unacknowledged {
		t.Errorf("%s after three seconds", a.State)
	}
}

// TestAcknowledgeNoLongerWanted: a site that turns the acknowledgement off
// does not keep an alarm waiting for it.
func TestAcknowledgeNoLongerWanted(t *testing.T) {
	a := Alarm{State: Returned}
	move, changed := a.Step(&Definition{}, Absent, time.Second, start)
	if !changed || move != (Transition{Returned, Normal}) {
		t.Errorf("%v %v", move, changed)
	}
}

func TestDamagedStateIsNormal(t *testing.T) {
	for _, a := range []Alarm{{State: "ringing"}, {}, {State: NotKnown, Behind: "ringing"}, {State: NotKnown, Behind: NotKnown}} {
		a.Step(&Definition{OnDelay: time.Hour}, Present, time.Second, start)
		if a.State != Normal {
			t.Errorf("%+v", a)
		}
	}
}

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
		a.Step(&d, c, time.Second, start)
	}
}
