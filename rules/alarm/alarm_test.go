package alarm

import (
	"encoding/json"
	"testing"
	"time"

	"pgregory.net/rapid"
)

var start = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

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
