package machine

import (
	"encoding/json"
	"testing"
	"time"
)

// running is a rig whose first machine leads a run for n seconds.
func running(t *testing.T, n int) *rig {
	r := newRig(t)
	r.run[0] = on
	r.step(time.Second)
	r.steps(n)
	return r
}

// TestRestartCutsTheRun: the agent dies in the middle of a run, and comes back
// later to a machine that still runs or does not.
func TestRestartCutsTheRun(t *testing.T) {
	cases := []struct {
		name    string
		down    time.Duration
		after   contact
		doubt   float64
		changes string
		lead    bool
	}{
		{"still running", time.Minute, on, 5, "[0 started 0 run cut 0 found running]", true},
		{"stopped meanwhile", time.Minute, off, 5, "[0 started 0 run cut]", false},
		{"not known yet", time.Minute, bad, 5, "[0 started 0 run cut]", false},
		{"back within the beat", 2 * time.Second, on, 2, "[0 started 0 run cut 0 found running]", true},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := running(t, 100)
			end := r.wall
			r.restart(r.save(), nil, c.down)
			r.run[0] = c.after
			r.step(0)
			if len(r.runs) != 1 {
				t.Fatalf("runs %+v", r.runs)
			}
			if run := r.runs[0]; !run.Cut || run.Seconds != 100 || run.Doubt != c.doubt || !run.End.Equal(end) || !run.StartSeen {
				t.Errorf("run %+v", run)
			}
			if got := names(r.changes); got != c.changes {
				t.Errorf("changes %s, want %s", got, c.changes)
			}
			m := r.machine(0)
			if m.LifetimeStarts != 1 || m.ProcessStarts != 0 || m.LifetimeRunSeconds != 100 || m.ThisRunSeconds != 0 {
				t.Errorf("%+v", m)
			}
			if m.DoubtSeconds != c.doubt || m.LifetimeUnobservedSeconds != c.down.Seconds() || m.ProcessUnobservedSeconds != 0 {
				t.Errorf("doubt %v, unobserved %v, %v of it in this process", m.DoubtSeconds,
					m.LifetimeUnobservedSeconds, m.ProcessUnobservedSeconds)
			}
			if m.Lead != c.lead || r.pair.m[0].Run.StartSeen {
				t.Errorf("lead %v, start seen %v", m.Lead, r.pair.m[0].Run.StartSeen)
			}
		})
	}
}

func TestBeatCarriesTheRunOn(t *testing.T) {
	r := running(t, 5)
	saved := r.save()
	r.steps(60)
	r.run[0] = bad
	r.step(time.Second)
	r.steps(10) // ten seconds of the run are unobserved
	r.run[0] = on
	r.step(time.Second)
	beat := r.pair.Beat()
	r.steps(3) // these three are lost with the crash
	r.restart(saved, &beat, 20*time.Second)
	r.step(0)
	if run := r.runs[0]; run.Seconds != 66 || run.Doubt != 11+5 || !run.End.Equal(beat.Time) {
		t.Errorf("run %+v", run)
	}
	if m := r.machine(0); m.LifetimeRunSeconds != 66 || m.LifetimeUnobservedSeconds != 11+3+20 || m.Windows[0].RunSeconds != 66 {
		t.Errorf("%+v", m)
	}
}

// TestBeatAheadOfTheStart: the power went after the beat of a new run and
// before its start was saved.
func TestBeatAheadOfTheStart(t *testing.T) {
	r := newRig(t)
	saved := r.save()
	r.run[1] = on
	r.step(time.Second)
	start := r.wall
	r.steps(4)
	beat := r.pair.Beat()
	r.restart(saved, &beat, time.Minute)
	r.step(0)
	want := Run{Position: "pump2", Serial: "B", Start: start, End: beat.Time, Seconds: 4, StartSeen: true, Cut: true, Doubt: 5}
	if len(r.runs) != 1 || !r.runs[0].Start.Equal(start) {
		t.Fatalf("runs %+v, want %+v", r.runs, want)
	}
	r.runs[0].Start = start
	if r.runs[0] != want {
		t.Errorf("run %+v, want %+v", r.runs[0], want)
	}
	if m := r.machine(1); m.LifetimeStarts != 1 {
		t.Errorf("%v starts", m.LifetimeStarts)
	}
}

func TestBeatThatDoesNotFollowIsIgnored(t *testing.T) {
	r := running(t, 50)
	old := r.pair.Beat()
	r.steps(50)
	foreign := r.pair.Beat()
	foreign.Machines[0].Totals.Run += time.Hour
	for name, b := range map[string]*Beat{"older": &old, "of another unit": &foreign} {
		q := NewPair(pumps(), period, r.save(), b)
		if q.m[0].Totals.Run != 100*time.Second || q.age != r.pair.age {
			t.Errorf("%s: %v of run at age %v", name, q.m[0].Totals.Run, q.age)
		}
	}
}

// TestDowntimeWaitsForTheClock: a gateway boots in 1970 and learns the time
// 30 s later; the downtime of an hour is known from then on, even if it
// restarts again before.
func TestDowntimeWaitsForTheClock(t *testing.T) {
	for _, again := range []bool{false, true} {
		r := running(t, 100)
		real := r.wall.Add(time.Hour)
		r.meter[0] = 500
		r.step(0)
		r.restart(r.save(), nil, time.Hour)
		r.wall, r.trusted = time.Unix(0, 0).UTC(), false
		r.meter[0] += 600 // the machine ran for ten minutes of the hour
		r.step(0)
		r.steps(15)
		if again {
			r.restart(r.save(), nil, 0)
			r.step(0)
		}
		r.steps(15)
		if m := r.machine(0); m.LifetimeUnobservedSeconds != 0 {
			t.Errorf("again %v: %v s unobserved before the clock is trusted", again, m.LifetimeUnobservedSeconds)
		}
		r.run[0] = off
		r.wall, r.trusted = real.Add(30*time.Second), true
		r.step(0)
		m := r.machine(0)
		// The meter stood still while the machine ran 30 s after the restart,
		// so only 570 s of its 600 are the hour's.
		if got := m.LifetimeUnobservedSeconds; got != 3600-570 || m.FilledRunSeconds != 570 {
			t.Errorf("again %v: %v s unobserved, %v s filled", again, got, m.FilledRunSeconds)
		}
		r.steps(5)
		if r.machine(0).LifetimeUnobservedSeconds != 3030 {
			t.Errorf("again %v: the downtime counts twice", again)
		}
	}
}

func TestDowntimeNobodyKnows(t *testing.T) {
	r := running(t, 10)
	r.trusted = false
	r.step(0)
	r.restart(r.save(), nil, time.Hour)
	r.trusted = true
	r.step(0)
	if m := r.machine(0); m.LifetimeUnobservedSeconds != 0 || m.DoubtSeconds != 5 {
		t.Errorf("unobserved %v, doubt %v", m.LifetimeUnobservedSeconds, m.DoubtSeconds)
	}
	if r.pair.down {
		t.Error("still waiting for a clock that cannot tell any more")
	}
}

func TestDowntimeFilledFromThePanel(t *testing.T) {
	r := newRig(t)
	r.starts[1], r.meter[1] = 100, 9000
	r.step(time.Second)
	r.restart(r.save(), nil, 3*time.Hour)
	r.starts[1], r.meter[1] = 104, 9000+4000
	r.step(0)
	m := r.machine(1)
	if m.LifetimeStarts != 4 || m.LifetimeRunSeconds != 4000 || m.LifetimeUnobservedSeconds != 3*3600-4000 {
		t.Errorf("starts %v, run %v, unobserved %v", m.LifetimeStarts, m.LifetimeRunSeconds, m.LifetimeUnobservedSeconds)
	}
	if m.FilledStarts != 4 || m.FilledRunSeconds != 4000 || m.ProcessStarts != 0 || m.ProcessRunSeconds != 0 {
		t.Errorf("marked %v starts and %v s", m.FilledStarts, m.FilledRunSeconds)
	}
}

// TestTallyLearnsOnlyWhatIsSure: what the counter gained while the contact was
// watched, or before it was exchanged, does not fill a later gap.
func TestTallyLearnsOnlyWhatIsSure(t *testing.T) {
	cases := []struct {
		name string
		then float64 // the counter while watched
		end  float64 // and after the gap
		want float64
	}{
		{"a run shorter than a scan, then nothing", 52, 52, 0},
		{"exchanged for a new one, then two starts", 3, 5, 2},
		{"more starts than the gap has seconds", 50, 5000, 41},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t)
			r.starts[0] = 50
			r.step(time.Second)
			r.starts[0] = c.then
			r.step(time.Second)
			r.run[0] = bad
			r.step(0)
			r.steps(39)
			r.run[0], r.starts[0] = off, c.end
			r.step(time.Second)
			if m := r.machine(0); m.LifetimeStarts != c.want {
				t.Errorf("%v starts, want %v", m.LifetimeStarts, c.want)
			}
		})
	}
}

func TestExchangedMachineStartsAnew(t *testing.T) {
	cases := []struct {
		name, was, is string
		run           float64
	}{
		{"another serial number", "A", "C", 0},
		{"the same", "A", "A", 100},
		{"its number was not written down before", "", "A", 100},
		{"nor now", "A", "", 100},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := running(t, 100)
			saved := r.save()
			saved.Machines[0].Serial = c.was
			cfg := pumps()
			cfg.Machines[0].Serial = c.is
			r.restart(saved, nil, 0)
			r.pair = NewPair(cfg, period, saved, nil)
			r.step(0)
			if m := r.machine(0); m.LifetimeRunSeconds != c.run || m.Windows[0].RunSeconds != 100 || m.Serial != c.is {
				t.Errorf("lifetime %v, window %v, serial %q", m.LifetimeRunSeconds, m.Windows[0].RunSeconds, m.Serial)
			}
			if r.runs[0].Serial != c.was {
				t.Errorf("the run belongs to %q", r.runs[0].Serial)
			}
		})
	}
}

// TestForeignState: a state of other positions, and a damaged one, are not
// taken over and do no harm.
func TestForeignState(t *testing.T) {
	other := running(t, 10).save()
	other.Machines[0].Position = "compressor1"
	damaged := running(t, 10).save()
	damaged.Age = -time.Hour
	for name, s := range map[string]*Saved{"other positions": other, "damaged": damaged} {
		r := newRig(t)
		r.pair = NewPair(pumps(), period, s, nil)
		r.step(time.Second)
		if m := r.machine(0); m.LifetimeRunSeconds != 0 || len(r.runs) != 0 {
			t.Errorf("%s: %+v", name, m)
		}
	}
}

func FuzzSaved(f *testing.F) {
	r := newRig(f)
	r.run[0] = on
	r.step(time.Second)
	r.steps(20)
	text, err := json.Marshal(r.pair.Save())
	if err != nil {
		f.Fatal(err)
	}
	f.Add(text)
	f.Add([]byte(`{"turn":{"last":7},"age_ns":-1}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		var s Saved
		if json.Unmarshal(text, &s) != nil {
			return
		}
		s.Machines[0].Position, s.Machines[1].Position = "pump1", "pump2"
		r := newRig(t)
		r.restart(&s, nil, time.Minute)
		r.step(0)
		r.steps(3)
	})
}
