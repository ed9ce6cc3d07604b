package machine

import (
	"testing"
	"time"

	"strokebank/sensors/signal"
)

func TestAvailability(t *testing.T) {
	cases := []struct {
		name       string
		set        func(*rig)
		available  bool
		known      bool
		blocked    string
		redundancy string
		count      int
	}{
		{"running contacts alone", func(r *rig) {}, true, true, "", "both", 2},
		{"all contacts well", func(r *rig) { r.mains, r.overload[0], r.automatic[0], r.hand[0] = on, off, on, off }, true, true, "", "both", 2},
		{"overload", func(r *rig) { r.overload[0] = on }, false, true, "overload tripped", "one", 1},
		{"selector off", func(r *rig) { r.automatic[0], r.hand[0] = off, off }, false, true, "not in automatic", "one", 1},
		{"selector in hand", func(r *rig) { r.hand[0] = on }, false, true, "selector in hand", "one", 1},
		{"out of service", func(r *rig) { r.away[0] = true }, false, true, OutOfService, "one", 1},
		{"out of service, whatever its contacts say", func(r *rig) { r.away[0], r.automatic[0] = true, bad }, false, true, OutOfService, "one", 1},
		{"both out of service", func(r *rig) { r.away = [2]bool{true, true} }, false, true, OutOfService, "none", 0},
		{"out of service and called does not fail to start", func(r *rig) { r.away[0], r.called[0] = true, on; r.steps(30); r.away[0] = false }, true, true, "", "both", 2},
		{"delivers nothing", func(r *rig) { r.useless[0] = true }, false, true, "delivers nothing", "one", 1},
		{"no mains", func(r *rig) { r.mains = off }, false, true, "no mains", "none", 0},
		{"mains unknown", func(r *rig) { r.mains = bad }, false, false, "mains not known", "unknown", 0},
		{"overload unknown", func(r *rig) { r.overload[0] = bad }, false, false, "overload contact not known", "unknown", 1},
		{"selector unknown", func(r *rig) { r.automatic[0] = bad }, false, false, "selector not known", "unknown", 1},
		{"a cause that is known beats one that is not", func(r *rig) { r.overload[0], r.automatic[0] = on, bad }, false, true, "overload tripped", "one", 1},
		{"running contact unknown", func(r *rig) { r.run[0] = bad }, false, false, "running contact not known", "unknown", 1},
		{"proven failed and a contact unknown", func(r *rig) {
			r.called[0] = on
			r.steps(11)
			r.automatic[0] = bad
		}, false, true, "failed to start", "one", 1},
		{"overload and running contact unknown", func(r *rig) { r.overload[0], r.run[0] = bad, bad }, false, false, "overload contact not known", "unknown", 1},
		{"proven failed", func(r *rig) { r.called[0] = on; r.steps(11); r.called[0] = off }, false, true, "failed to start", "one", 1},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t)
			c.set(r)
			r.step(time.Second)
			m, p := r.machine(0), r.out.Pair
			if m.Available != c.available || m.AvailableKnown != c.known || m.Blocked != c.blocked {
				t.Errorf("available %v, known %v, %q", m.Available, m.AvailableKnown, m.Blocked)
			}
			if p.Redundancy != c.redundancy || p.Available != c.count {
				t.Errorf("redundancy %q, %d available", p.Redundancy, p.Available)
			}
		})
	}
}

// wants compares a condition: "on", "off", or the reason why it is not known.
func wants(t *testing.T, what string, got signal.Reading, want string) {
	t.Helper()
	word := "off"
	switch {
	case !got.Known():
		word = got.Reason.String()
	case got.On():
		word = "on"
	}
	if word != want || got.Unit != signal.Boolean {
		t.Errorf("%s: %s, want %s", what, word, want)
	}
}

// TestNoAnswer: the pair cuts in at 1.0 m; under 0.8 m for 10 s with nobody
// running it does not answer.
func TestNoAnswer(t *testing.T) {
	cases := []struct {
		name string
		play func(*rig)
		want string
	}{
		{"level well", func(r *rig) { r.steps(30) }, "off"},
		{"under the cut-in only", func(r *rig) { r.process = 0.9; r.steps(30) }, "off"},
		{"far below, not yet", func(r *rig) { r.process = 0.7; r.steps(10) }, "off"},
		{"far below, long enough", func(r *rig) { r.process = 0.7; r.steps(11) }, "on"},
		{"wavers about the limit", func(r *rig) {
			for k := range 11 {
				r.process = []float64{0.79, 0.81}[k%2]
				r.step(time.Second)
			}
		}, "on"},
		{"back at the cut-in", func(r *rig) { r.process = 0.7; r.steps(20); r.process = 1.0; r.steps(1) }, "off"},
		{"one answers", func(r *rig) { r.process = 0.7; r.steps(20); r.run[1] = on; r.steps(1) }, "off"},
		{"one answers, the level unknown", func(r *rig) { r.process = -1; r.run[1] = on; r.steps(1) }, "off"},
		{"level unknown", func(r *rig) { r.process = -1; r.steps(30) }, "failure signal low"},
		{"level well, a contact unknown", func(r *rig) { r.run[0] = bad; r.steps(30) }, "off"},
		{"far below, a contact unknown", func(r *rig) { r.process = 0.7; r.run[0] = bad; r.steps(30) }, "link lost"},
		{"the wait starts anew after a gap", func(r *rig) {
			r.process = 0.7
			r.steps(9)
			r.run[0] = bad
			r.steps(1)
			r.run[0] = off
			r.steps(10)
		}, "off"},
		{"held back by the panel", func(r *rig) { r.locked = on; r.process = 0.7; r.steps(30) }, "off"},
		{"released by the panel", func(r *rig) { r.locked = on; r.process = 0.7; r.steps(30); r.locked = off; r.steps(11) }, "on"},
		{"held back or not, nobody knows", func(r *rig) { r.locked = bad; r.process = 0.7; r.steps(30) }, "link lost"},
		{"the wait starts anew after a lock", func(r *rig) {
			r.process = 0.7
			r.steps(9)
			r.locked = on
			r.steps(1)
			r.locked = off
			r.steps(10)
		}, "off"},
		{"the wait starts anew after the cut-in", func(r *rig) {
			r.process = 0.7
			r.steps(9)
			r.process = 1.0
			r.steps(1)
			r.process = 0.7
			r.steps(10)
		}, "off"},
		{"slow scans wait no less", func(r *rig) {
			r.process = 0.7
			for range 6 {
				r.step(2 * time.Second)
			}
		}, "on"},
		{"what nobody watched is no waiting", func(r *rig) { r.process = 0.7; r.steps(1); r.step(time.Minute) }, "off"},
		{"a restart keeps what was waited", func(r *rig) {
			r.process = 0.7
			r.steps(8)
			r.restart(r.save(), nil, time.Minute)
			r.step(0)
			r.steps(3)
		}, "on"},
		{"no limit given", func(r *rig) { r.pair.cfg.NoAnswer = 0; r.process = 0.1; r.steps(30) }, "not configured"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t)
			c.play(r)
			wants(t, c.name, r.out.NoAnswer, c.want)
		})
	}
}

// TestFailedToStart: called and not running within 10 s.
func TestFailedToStart(t *testing.T) {
	cases := []struct {
		name string
		play func(*rig)
		want string
	}{
		{"no such contact", func(r *rig) { r.called[0] = none; r.steps(30) }, "off"},
		{"not called", func(r *rig) { r.steps(30) }, "off"},
		{"called, not yet", func(r *rig) { r.called[0] = on; r.steps(10) }, "off"},
		{"called and stopped", func(r *rig) { r.called[0] = on; r.steps(11) }, "on"},
		{"called and started", func(r *rig) { r.called[0] = on; r.steps(5); r.run[0] = on; r.steps(30) }, "off"},
		{"a call withdrawn in time", func(r *rig) {
			r.called[0] = on
			r.steps(9)
			r.called[0] = off
			r.steps(1)
			r.called[0] = on
			r.steps(9)
		}, "off"},
		{"stays when the call is gone", func(r *rig) { r.called[0] = on; r.steps(11); r.called[0] = off; r.steps(99) }, "on"},
		{"stays over a restart", func(r *rig) {
			r.called[0] = on
			r.steps(11)
			r.called[0] = off
			r.restart(r.save(), nil, time.Minute)
			r.step(0)
		}, "on"},
		{"gone when it has run", func(r *rig) {
			r.called[0] = on
			r.steps(11)
			r.called[0], r.run[0] = off, on
			r.steps(5)
			r.run[0] = off
			r.steps(5)
		}, "off"},
		{"overload is the cause", func(r *rig) { r.called[0], r.overload[0] = on, on; r.steps(30) }, "off"},
		{"mains are the cause", func(r *rig) { r.called[0], r.mains = on, off; r.steps(30) }, "off"},
		{"a cause that nobody knows", func(r *rig) { r.called[0], r.mains = on, bad; r.steps(30) }, "an input is bad"},
		{"running contact unknown", func(r *rig) { r.called[0], r.run[0] = on, bad; r.steps(30) }, "link lost"},
		{"call unknown", func(r *rig) { r.called[0] = bad; r.steps(30) }, "link lost"},
		{"call unknown, but it runs", func(r *rig) { r.called[0], r.run[0] = bad, on; r.steps(30) }, "off"},
		{"the partner is none of it", func(r *rig) { r.called[1] = on; r.steps(30) }, "off"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t)
			r.called[0] = off
			c.play(r)
			wants(t, c.name, r.out.FailedToStart[0], c.want)
		})
	}
}

func TestContactsAsConditions(t *testing.T) {
	cases := []struct {
		name                string
		overload, auto      contact
		hand                contact
		tripped, notAutomat string
	}{
		{"no contacts", none, none, none, "not configured", "not configured"},
		{"well", off, on, off, "off", "off"},
		{"tripped, selector off", on, off, off, "on", "on"},
		{"hand alone", off, none, on, "off", "on"},
		{"hand alone, not in hand", off, none, off, "off", "off"},
		{"bad", bad, bad, off, "link lost", "link lost"},
		{"both at once", off, on, on, "off", "signals contradict each other"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t)
			r.overload[1], r.automatic[1], r.hand[1] = c.overload, c.auto, c.hand
			r.step(time.Second)
			wants(t, "overload", r.out.Overload[1], c.tripped)
			wants(t, "not in automatic", r.out.NotInAutomatic[1], c.notAutomat)
		})
	}
}

func TestUncertainInputsMakeUncertainConditions(t *testing.T) {
	r := newRig(t)
	in := In{Time: r.wall, Elapsed: r.elapsed, ClockTrusted: true,
		Mains: none.reading(r.wall), Locked: none.reading(r.wall)}
	for i := range in.Machines {
		in.Machines[i].Running = off.reading(r.wall)
	}
	in.Process = signal.Measured(0.5, signal.Metre, r.wall).Degrade(signal.Uncertain, signal.BelowRange)
	if got := r.pair.Step(&in).NoAnswer; got.Quality != signal.Uncertain || got.Reason != signal.BelowRange {
		t.Errorf("%+v", got)
	}
}
