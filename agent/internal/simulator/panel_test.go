package simulator

import (
	"testing"
	"time"
)

// busy is AU-7 with enough use for several fills and charges a day.
func busy() Build {
	b := QuillenReach()
	b.Routine.Strokes, b.AirLoss = 60, 0.1
	return b
}

func TestPairsTakeTheLeadInTurn(t *testing.T) {
	p := built(t, busy())
	last, runs := [2]int{-1, -1}, [2]int{}
	was := p.Truth().Running
	for range 3 * 86400 {
		p.Step(time.Second)
		x := p.Truth()
		for i, on := range x.Running {
			if !on || was[i] {
				continue
			}
			if last[i/2] == i%2 {
				t.Fatalf("at %v %s led twice in a row", x.Elapsed, positions[i])
			}
			last[i/2] = i % 2
			runs[i/2]++
		}
		was = x.Running
	}
	if runs[0] < 10 || runs[1] < 3 {
		t.Errorf("only %d fills and %d charges", runs[0], runs[1])
	}
}

func TestPumpsWorkBetweenTheirSwitches(t *testing.T) {
	p := built(t, busy())
	was, ran := p.Truth(), 0.0
	for range 86400 {
		p.Step(time.Second)
		x := p.Truth()
		ran += b2f(x.Running[0])
		for i := range 2 {
			if x.Running[i] && !was.Running[i] {
				near(t, "cut-in", x.Level, p.build.Level.CutIn, 0.012)
			}
			if !x.Running[i] && was.Running[i] {
				near(t, "cut-out", x.Level, p.build.Level.CutOut, 0.012)
			}
		}
		was = x
	}
	near(t, "run seconds of pump1", was.RunSeconds[0], ran, 1+float64(was.Starts[0]))
}

// Compressors wait from the pumps' cut-in until the level is restored.
func TestCompressorsWaitForTheOil(t *testing.T) {
	b := QuillenReach()
	b.Start.Pressure = 7.4e5
	b.Start.Oil = newGeometry(b.Tank).volumeAt(1.0)
	p := built(t, b)
	pumped := false
	for range 1800 {
		p.Step(time.Second)
		x := p.Truth()
		pumped = pumped || x.Running[0]
		if (x.Running[2] || x.Running[3]) && x.Level < b.Level.CutOut-0.01 {
			t.Fatalf("compressor runs at level %.3f m", x.Level)
		}
	}
	if x := p.Truth(); !pumped || x.Starts[0] != 1 || x.Starts[1] != 1 || x.Level < 1.2 {
		t.Errorf("after half an hour level %.3f m, starts %v", x.Level, x.Starts)
	}
}

func TestStandbyHelpsUnderItsOwnSwitch(t *testing.T) {
	b := QuillenReach()
	b.Start.Oil = newGeometry(b.Tank).volumeAt(1.10)
	p := built(t, b)
	pass(p, 20)
	if x := p.Truth(); !x.Running[0] || x.Running[1] {
		t.Fatalf("above the standby's cut-in runs %v", x.Running)
	}
	b.Start.Oil = newGeometry(b.Tank).volumeAt(1.03)
	p = built(t, b)
	pass(p, 20)
	if x := p.Truth(); !x.Running[0] || !x.Running[1] {
		t.Errorf("below the standby's cut-in runs %v", x.Running)
	}
}

func TestLeadPassesOnWhenItIsNotReady(t *testing.T) {
	for _, f := range []Fault{"pump1.overload", "pump1.off"} {
		b := QuillenReach()
		b.Start.Oil = newGeometry(b.Tank).volumeAt(1.10)
		p := built(t, b)
		p.Set(f, 1)
		pass(p, 20)
		if x := p.Truth(); x.Running[0] || x.Called[0] || !x.Running[1] {
			t.Errorf("%s: called %v, running %v", f, x.Called, x.Running)
		}
	}
}

func TestMainsLostStopsAndReturns(t *testing.T) {
	b := QuillenReach()
	b.Start.Oil = newGeometry(b.Tank).volumeAt(1.10)
	p := built(t, b)
	pass(p, 20)
	p.Set("mains_lost", 1)
	pass(p, 5)
	if x := p.Truth(); x.Running != [4]bool{} {
		t.Errorf("without mains runs %v", x.Running)
	}
	p.Set("mains_lost", 0)
	pass(p, 3)
	if x := p.Truth(); x.Running[0] {
		t.Error("pump is back before the panel is")
	}
	pass(p, 10)
	if x := p.Truth(); !x.Running[0] || x.Starts[0] != 2 {
		t.Errorf("mains back: running %v, starts %v", x.Running, x.Starts)
	}
}

func TestSameSeedSameStory(t *testing.T) {
	story := func(seed uint64) ([]Sample, Truth) {
		p, err := New(busy(), seed)
		if err != nil {
			t.Fatal(err)
		}
		pass(p, 20000)
		p.Set("pump1.weak", 0.5)
		p.Shutdown()
		pass(p, 20000)
		return p.Measured(nil), p.Truth()
	}
	values, truth := story(5)
	again, truthAgain := story(5)
	if truth != truthAgain {
		t.Errorf("two plants of one seed differ:\n%+v\n%+v", truth, truthAgain)
	}
	for i := range values {
		if values[i] != again[i] {
			t.Errorf("point %d: %v and %v", i, values[i], again[i])
		}
	}
	if _, other := story(6); other == truth {
		t.Error("another seed tells the same story")
	}
}
