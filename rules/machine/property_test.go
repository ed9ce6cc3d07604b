package machine

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// check holds what must be true of a pair at any time: every moment is run,
// stopped or unobserved, once; runs add up to the lifetime; windows never hold
// more than their length.
func check(t rapid.TB, r *rig, runSeconds [2]float64) {
	t.Helper()
	for i := range r.pair.m {
		m := &r.pair.m[i]
		if sum := m.Totals.Run + m.Totals.Stopped + m.Totals.Unobserved; sum != r.pair.age {
			t.Fatalf("machine %d: %v accounted for, %v elapsed", i, sum, r.pair.age)
		}
		watched := (m.Totals.Run - m.Totals.Filled).Seconds()
		if got := runSeconds[i] + m.Run.Watched.Seconds(); math.Abs(got-watched) > 1e-6 {
			t.Fatalf("machine %d: the runs add up to %v s of %v s", i, got, watched)
		}
		if m.window != m.Rings.sums(r.pair.age) {
			t.Fatalf("machine %d: windows %v, their buckets %v", i, m.window, m.Rings.sums(r.pair.age))
		}
		for w, length := range []time.Duration{day, 7 * day, 30 * day} {
			if m.window[w].Run+m.window[w].Unobserved > length {
				t.Fatalf("machine %d: window %s holds %+v", i, lengths[w], m.window[w])
			}
		}
		if m.Run.Open != (m.state == Running) && m.state != StateUnknown {
			t.Fatalf("machine %d: %s with a run open: %v", i, m.state, m.Run.Open)
		}
	}
}

// TestEveryMomentCountsOnce: whatever contacts, scans, clocks and restarts do.
func TestEveryMomentCountsOnce(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := newRig(t)
		if rapid.Bool().Draw(rt, "counters") {
			r.starts, r.meter = [2]float64{7, 9}, [2]float64{100, 200}
		}
		var runs [2]float64
		take := func() {
			for _, run := range r.out.Runs {
				i := 0
				if run.Position == "pump2" {
					i = 1
				}
				runs[i] += run.Seconds
				if run.Seconds < 0 || run.Doubt < 0 {
					rt.Fatalf("run %+v", run)
				}
			}
		}
		saved, clean := r.save(), true // clean: the clock was never touched
		var total time.Duration
		pick := rapid.SampledFrom([]contact{off, off, on, on, bad})
		gaps := rapid.SampledFrom([]time.Duration{0, 1, time.Second, time.Second, 2500 * time.Millisecond,
			time.Minute, 3 * time.Hour, 40 * day})
		for range rapid.IntRange(1, 60).Draw(rt, "steps") {
			dt := gaps.Draw(rt, "dt")
			switch rapid.IntRange(0, 9).Draw(rt, "what") {
			case 0, 1, 2, 3:
				r.run[rapid.IntRange(0, 1).Draw(rt, "machine")] = pick.Draw(rt, "contact")
			case 4:
				i := rapid.IntRange(0, 1).Draw(rt, "machine")
				if r.starts[i] >= 0 {
					r.starts[i] += float64(rapid.IntRange(0, 3).Draw(rt, "starts"))
					r.meter[i] += float64(rapid.IntRange(0, 5000).Draw(rt, "meter"))
				}
			case 5:
				r.wall = r.wall.Add(time.Duration(rapid.Int64Range(-1e14, 1e14).Draw(rt, "clock")))
				clean = false
			case 6:
				clean = false
				r.trusted = rapid.Bool().Draw(rt, "trusted")
			case 7: // a restart at once after saving, so that runs add up
				saved = r.save()
				gap := gaps.Draw(rt, "downtime")
				r.restart(saved, nil, gap)
				total += gap
			}
			passed := r.elapsed
			r.step(dt)
			total += r.elapsed - passed
			if !r.pair.down && clean {
				if r.pair.age != total {
					rt.Fatalf("%v accounted for, %v passed", r.pair.age, total)
				}
			}
			take()
			check(rt, r, runs)
		}
	})
}

// TestRestartNeitherDoublesNorLoses holds a pair that restarts at a random
// scan, from what a crash leaves, against one that was never interrupted.
func TestRestartNeitherDoublesNorLoses(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		plan := draw(rt)
		crash := rapid.IntRange(1, 250).Draw(rt, "crash")
		down := rapid.IntRange(1, 40).Draw(rt, "down")

		reference, r := newRig(t), newRig(t)
		for _, c := range plan {
			reference.run = c
			reference.step(time.Second)
		}
		saved, beat := keep(r, plan[:crash])
		lastKnown := saved.Time
		if beat != nil && beat.Time.After(lastKnown) {
			lastKnown = beat.Time
		}
		lost := (r.wall.Sub(lastKnown) + time.Duration(down)*time.Second).Seconds()
		before := len(r.runs)
		r.restart(saved, beat, time.Duration(down)*time.Second)
		for k := crash + down - 1; k < len(plan); k++ {
			r.run = plan[k]
			r.step(time.Duration(min(k-crash-down+1, 1)) * time.Second) // the first scan comes at once
		}
		if r.wall != reference.wall {
			rt.Fatalf("the test's clocks differ: %v and %v", r.wall, reference.wall)
		}
		for i := range 2 {
			ran := plan[crash-1][i] == on
			if ran && lost-float64(down) > BeatInterval.Seconds() {
				rt.Fatalf("machine %d ran and %v s before the crash are lost", i, lost-float64(down))
			}
			hidden := float64(starts(plan[crash-1:crash+down], i))
			compare(rt, reference.machine(i), r.machine(i), lost, hidden)
			checkCut(rt, r.runs[before:], r.machine(i).Position, ran)
		}
		check(rt, r, sum(r.runs))
	})
}

// draw is what two machines do in 300 scans.
func draw(rt *rapid.T) (plan [300][2]contact) {
	for i := range 2 {
		c := off
		for k := range plan {
			if rapid.IntRange(0, 19).Draw(rt, "turn") == 0 {
				c = yes(c == off)
			}
			plan[k][i] = c
		}
	}
	return plan
}

// compare holds a machine that was lost for some seconds, with some starts
// hidden in them, against the same one never lost.
func compare(t rapid.TB, want, got Status, lost, hidden float64) {
	short := want.LifetimeRunSeconds - got.LifetimeRunSeconds
	if short < 0 || short > lost || got.LifetimeUnobservedSeconds != lost {
		t.Fatalf("%s: %v s of run short, %v s unobserved, %v s were lost",
			got.Position, short, got.LifetimeUnobservedSeconds, lost)
	}
	if got.LifetimeStarts > want.LifetimeStarts || got.LifetimeStarts < want.LifetimeStarts-hidden {
		t.Fatalf("%s: %v starts, %v without the restart", got.Position, got.LifetimeStarts, want.LifetimeStarts)
	}
}

// checkCut: one run is cut where the machine ran at the crash, and none else.
func checkCut(t rapid.TB, runs []Run, position string, ran bool) {
	cut := 0
	for _, run := range runs {
		if run.Cut && run.Position == position {
			cut++
			if run.Doubt > BeatInterval.Seconds() {
				t.Fatalf("doubt of %+v", run)
			}
		}
	}
	if (cut == 1) != ran || cut > 1 {
		t.Fatalf("%s: ran at the crash: %v; runs recorded as cut: %d", position, ran, cut)
	}
}

// keep runs a pair through the scans as the program does: saved with every
// start and stop, a beat every five seconds while a machine runs.
func keep(r *rig, plan [][2]contact) (*Saved, *Beat) {
	saved, beaten := r.save(), r.wall
	var beat *Beat
	for _, c := range plan {
		r.run = c
		r.step(time.Second)
		if len(r.out.Changes) > 0 {
			saved, beaten = r.save(), r.wall
		}
		if r.out.Running && r.wall.Sub(beaten) >= BeatInterval {
			b := r.pair.Beat()
			beat, beaten = &b, r.wall
		}
	}
	return saved, beat
}

func starts(plan [][2]contact, i int) (n int) {
	for k := 1; k < len(plan); k++ {
		if plan[k-1][i] == off && plan[k][i] == on {
			n++
		}
	}
	return n
}

func sum(runs []Run) (s [2]float64) {
	for _, run := range runs {
		if run.Position == "pump1" {
			s[0] += run.Seconds
		} else {
			s[1] += run.Seconds
		}
	}
	return s
}

// TestSavedIsSmallAndComplete: what comes back from the store is what went
// in, and a full month of it stays within a few kB.
func TestSavedIsSmallAndComplete(t *testing.T) {
	r := newRig(t)
	r.pair.scan = time.Minute
	for k := range 40 * 24 * 12 {
		r.run[k%2] = yes(k%3 == 0)
		r.run[(k+1)%2] = []contact{off, bad}[k%50/49]
		r.step(5 * time.Minute)
	}
	text, err := json.Marshal(r.pair.Save())
	if err != nil {
		t.Fatal(err)
	}
	if len(text) > 8<<10 {
		t.Errorf("%d bytes", len(text))
	}
	t.Logf("%d bytes", len(text))
	if back := *r.save(); !back.Time.Equal(r.wall) || back.Machines != r.pair.Save().Machines || back.Turn != r.pair.turn {
		t.Error("what came back differs")
	}
}
