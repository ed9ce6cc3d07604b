package machine

import (
	"fmt"
	"math"
	"testing"
	"time"
)

func TestRunFromClosingToOpening(t *testing.T) {
	r := newRig(t)
	r.steps(10)
	start := r.wall.Add(time.Second)
	r.work(0, 90)
	want := Run{Position: "pump1", Serial: "A", Start: start, End: start.Add(90 * time.Second),
		Seconds: 90, Lead: true, StartSeen: true}
	if len(r.runs) != 1 || r.runs[0] != want {
		t.Fatalf("runs %+v, want %+v", r.runs, want)
	}
	m := r.machine(0)
	if m.LifetimeRunSeconds != 90 || m.LifetimeStarts != 1 || m.ProcessRunSeconds != 90 || m.ProcessStarts != 1 {
		t.Errorf("counts %+v", m)
	}
	if got := names(r.changes); got != "[0 started 0 stopped]" {
		t.Errorf("changes %s", got)
	}
}

func names(c []Change) string {
	var out []string
	for _, x := range c {
		out = append(out, fmt.Sprint(x.Machine, " ", x.What))
	}
	return fmt.Sprint(out)
}

func TestOffsetsTakeOverAnOldMachine(t *testing.T) {
	cfg := pumps()
	cfg.Machines[1].RunOffset, cfg.Machines[1].StartOffset = 3.6e6, 1200
	r := newRig(t)
	r.pair = NewPair(cfg, period, nil, nil)
	r.step(0)
	r.work(1, 60)
	if m := r.machine(1); m.LifetimeRunSeconds != 3.6e6+60 || m.LifetimeStarts != 1201 || m.ProcessStarts != 1 {
		t.Errorf("%v s, %v starts, %v in this process", m.LifetimeRunSeconds, m.LifetimeStarts, m.ProcessStarts)
	}
}

// TestContactLost: what a lost running contact does to the run and the counts.
// Machine 1 is off or runs 100 s, the contact is bad for 40 s, then 100 s more.
func TestContactLost(t *testing.T) {
	cases := []struct {
		name                   string
		before, after          contact
		run, starts            float64
		changes                string
		runs                   int
		cut, seen              bool
		runSeconds, runDoubted float64
	}{
		{"stopped all along", off, off, 0, 0, "[]", 0, false, false, 0, 0},
		{"the same run goes on", on, on, 200, 1, "[0 started 0 stopped]", 1, false, true, 200, 40},
		{"its end was not seen", on, off, 100, 1, "[0 started 0 run cut]", 1, true, true, 100, 40},
		{"its start was not seen", off, on, 100, 0, "[0 found running 0 stopped]", 1, false, false, 100, 0},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t)
			r.run[0] = c.before
			r.step(0)
			r.steps(99)
			r.step(time.Second)
			r.run[0] = bad
			r.step(0) // the reading goes bad the moment after it was known
			if r.machine(0).State != StateUnknown || r.machine(0).Reason != "link lost" {
				t.Fatalf("state %q, reason %q", r.machine(0).State, r.machine(0).Reason)
			}
			r.steps(39)
			r.run[0] = c.after
			r.step(time.Second)
			r.steps(100)
			r.run[0] = off
			r.step(0)
			m := r.machine(0)
			if m.LifetimeRunSeconds != c.run || m.LifetimeStarts != c.starts || m.LifetimeUnobservedSeconds != 40 {
				t.Errorf("run %v, starts %v, unobserved %v", m.LifetimeRunSeconds, m.LifetimeStarts, m.LifetimeUnobservedSeconds)
			}
			if got := names(r.changes); got != c.changes {
				t.Errorf("changes %s, want %s", got, c.changes)
			}
			if len(r.runs) != c.runs {
				t.Fatalf("runs %+v", r.runs)
			}
			if c.runs == 1 {
				got := r.runs[0]
				if got.Cut != c.cut || got.StartSeen != c.seen || got.Seconds != c.runSeconds || got.Doubt != c.runDoubted {
					t.Errorf("run %+v", got)
				}
			}
		})
	}
}

func TestFirstScanFindsARunUnderWay(t *testing.T) {
	r := &rig{TB: t, pair: NewPair(pumps(), period, nil, nil), trusted: true,
		wall: time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC), run: [2]contact{on, off},
		starts: [2]float64{-1, -1}, meter: [2]float64{-1, -1}, process: 1.1}
	r.step(0)
	r.steps(30)
	if m := r.machine(0); m.LifetimeStarts != 0 || m.LifetimeRunSeconds != 30 || m.State != Running || m.Lead {
		t.Errorf("%+v", m)
	}
	if got := names(r.changes); got != "[0 found running]" {
		t.Errorf("changes %s", got)
	}
}

// TestScanGap: a machine runs while nothing is scanned for ten minutes. Three
// scan periods are still watched, the rest is not.
func TestScanGap(t *testing.T) {
	r := newRig(t)
	r.run[0] = on
	r.step(time.Second)
	r.steps(20)
	r.step(10 * time.Minute)
	r.steps(20)
	m, other := r.machine(0), r.machine(1)
	if m.LifetimeRunSeconds != 43 || m.LifetimeUnobservedSeconds != 597 || m.LifetimeStarts != 1 || m.ThisRunSeconds != 43 {
		t.Errorf("run %v, unobserved %v, starts %v, this run %v",
			m.LifetimeRunSeconds, m.LifetimeUnobservedSeconds, m.LifetimeStarts, m.ThisRunSeconds)
	}
	if other.LifetimeRunSeconds != 0 || other.LifetimeUnobservedSeconds != 597 {
		t.Errorf("the partner: run %v, unobserved %v", other.LifetimeRunSeconds, other.LifetimeUnobservedSeconds)
	}
}

// TestClockSteps: the wall clock jumps a day back, a day forward and is not
// trusted for a while; no duration and no window takes notice.
func TestClockSteps(t *testing.T) {
	for _, jump := range []time.Duration{-24 * time.Hour, 24 * time.Hour, -56 * 365 * 24 * time.Hour} {
		t.Run(jump.String(), func(t *testing.T) {
			r := newRig(t)
			r.work(1, 300)
			r.run[0] = on
			r.step(time.Second)
			r.steps(50)
			r.wall, r.trusted = r.wall.Add(jump), false
			r.steps(50)
			r.trusted = true
			r.step(time.Second)
			r.run[0] = off
			r.step(0)
			m, other := r.machine(0), r.machine(1)
			if got := r.runs[len(r.runs)-1]; got.Seconds != 101 || got.Doubt != 0 {
				t.Errorf("run %+v", got)
			}
			if m.LifetimeRunSeconds != 101 || m.LifetimeUnobservedSeconds != 0 || m.Windows[0].RunSeconds != 101 {
				t.Errorf("%+v", m)
			}
			if other.Windows[0].RunSeconds != 300 {
				t.Errorf("the jump moved the window: %+v", other.Windows)
			}
		})
	}
}

// TestGapFilledFromThePanel: the contact is lost for 100 s; the panel's own
// counters know that the machine ran for 60 s of it.
func TestGapFilledFromThePanel(t *testing.T) {
	cases := []struct {
		name           string
		before, after  contact
		moreStarts     float64
		moreMeter      float64
		run, starts    float64
		filled, counts float64
		unobserved     float64
		runs           int
	}{
		{"it ran and stopped", off, off, 1, 60, 60, 1, 60, 1, 40, 0},
		{"nothing happened", off, off, 0, 0, 0, 0, 0, 0, 100, 0},
		{"it started and still runs", off, on, 1, 60, 60, 1, 60, 1, 40, 0},
		{"it ran all along", on, on, 0, 100, 150, 1, 100, 0, 0, 0},
		{"it stopped and started again", on, on, 1, 60, 110, 2, 60, 1, 40, 1},
		{"a meter that counts more than the gap", on, on, 0, 7200, 150, 1, 100, 0, 0, 0},
		{"counters exchanged for new ones", off, off, -4, -900, 0, 0, 0, 0, 100, 0},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t)
			r.starts[0], r.meter[0] = 4, 1000
			r.step(0)
			ran := 0.0
			if c.before == on {
				r.run[0], r.starts[0], ran = on, 5, 50
				r.step(time.Second)
				for range 50 {
					r.meter[0]++
					r.step(time.Second)
				}
			}
			r.run[0] = bad
			r.step(0)
			for range 99 {
				r.step(time.Second)
			}
			r.run[0], r.starts[0], r.meter[0] = c.after, r.starts[0]+c.moreStarts, r.meter[0]+c.moreMeter
			r.step(time.Second)
			m := r.machine(0)
			if m.LifetimeRunSeconds != c.run || m.LifetimeStarts != c.starts || m.LifetimeUnobservedSeconds != c.unobserved {
				t.Errorf("run %v, starts %v, unobserved %v", m.LifetimeRunSeconds, m.LifetimeStarts, m.LifetimeUnobservedSeconds)
			}
			if m.FilledRunSeconds != c.filled || m.FilledStarts != c.counts || m.ProcessRunSeconds != ran {
				t.Errorf("filled %v s, %v starts; watched %v", m.FilledRunSeconds, m.FilledStarts, m.ProcessRunSeconds)
			}
			if m.Windows[0].RunSeconds != c.run || m.Windows[2].UnobservedSeconds != c.unobserved {
				t.Errorf("windows %+v", m.Windows)
			}
			if len(r.runs) != c.runs {
				t.Errorf("runs %+v", r.runs)
			}
		})
	}
}

// TestCounterBesideTheContact: as long as the contact is watched the panel's
// counter never adds a start, however it runs ahead or behind.
func TestCounterBesideTheContact(t *testing.T) {
	for _, lag := range []int{-1, 0, 1} {
		t.Run(fmt.Sprint("scans late ", lag), func(t *testing.T) {
			r := newRig(t)
			r.starts[0] = 70
			r.step(time.Second)
			for range 5 {
				for s := range 20 {
					r.run[0] = yes(s >= 5 && s < 15)
					if s == 5+lag {
						r.starts[0]++
					}
					r.step(time.Second)
				}
			}
			if m := r.machine(0); m.LifetimeStarts != 5 || m.FilledStarts != 0 {
				t.Errorf("%v starts, %v of them filled", m.LifetimeStarts, m.FilledStarts)
			}
		})
	}
}

func TestWindowsRollOff(t *testing.T) {
	r := newRig(t)
	r.pair.scan = time.Minute
	r.run[0] = on
	r.step(0)
	for range 60 {
		r.step(time.Minute)
	}
	r.run[0], r.run[1] = off, on
	r.step(0)
	for range 30 {
		r.step(time.Minute)
	}
	r.run[1] = off
	r.step(0)
	check := func(when string, w int, one, two float64) {
		t.Helper()
		a, b := r.machine(0).Windows[w], r.machine(1).Windows[w]
		if a.RunSeconds != one || b.RunSeconds != two {
			t.Errorf("%s, %s: %v and %v s, want %v and %v", when, a.Length, a.RunSeconds, b.RunSeconds, one, two)
		}
	}
	for w := range lengths {
		check("at once", w, 3600, 1800)
	}
	if s := r.machine(0).Windows[0]; math.Abs(float64(s.ShareOfRun)-2.0/3) > 1e-15 || s.ShareOfStarts != 0.5 {
		t.Errorf("shares %v of run, %v of starts", s.ShareOfRun, s.ShareOfStarts)
	}
	if got := r.out.Pair.Imbalance; math.Abs(float64(got)-1.0/3) > 1e-15 {
		t.Errorf("imbalance %v, want 1/3", got)
	}
	pass := func(hours int) {
		for range hours * 60 {
			r.step(time.Minute)
		}
	}
	pass(22) // 23.5 h after the beginning
	check("after 23.5 h", 0, 3600, 1800)
	pass(1) // 24.5 h: the first hour has left
	check("after 24.5 h", 0, 0, 1800)
	pass(1)
	check("after 25.5 h", 0, 0, 0)
	check("after 25.5 h", 1, 3600, 1800)
	if s := r.machine(0).Windows[0]; s.ShareOfRun.Known() {
		t.Errorf("a share of nothing: %v", s.ShareOfRun)
	}
	pass(6 * 24)
	check("after 7 d", 1, 0, 0)
	check("after 7 d", 2, 3600, 1800)
	pass(23 * 24)
	check("after 30 d", 2, 0, 0)
	if r.out.Pair.Imbalance.Known() {
		t.Errorf("imbalance of nothing: %v", r.out.Pair.Imbalance)
	}
}

// A window says how much of the past it holds: all of it at first, later its
// length or up to one step less.
func TestWindowsSayWhatTheyCover(t *testing.T) {
	r := newRig(t)
	r.pair.scan = time.Minute
	const h = 3600.0
	passed := 0
	for _, c := range []struct {
		hours int // since the beginning
		want  [3]float64
	}{
		{10, [3]float64{10 * h, 10 * h, 10 * h}},
		{40, [3]float64{23 * h, 40 * h, 40 * h}},
		{10*24 + 5, [3]float64{23 * h, (6*24 + 5) * h, (10*24 + 5) * h}},
		{45*24 + 7, [3]float64{23 * h, (6*24 + 7) * h, (29*24 + 7) * h}},
	} {
		for range (c.hours - passed) * 60 {
			r.step(time.Minute)
		}
		passed = c.hours
		for w := range lengths {
			if got := r.machine(0).Windows[w].CoveredSeconds; got != c.want[w] {
				t.Errorf("after %d h the window of %s covers %v h, want %v", c.hours, lengths[w], got/h, c.want[w]/h)
			}
		}
	}
}
