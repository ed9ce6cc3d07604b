package gas

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// air is an independent tank of ideal air, stepped finely: mass and
// temperature on their own, in SI.
type air struct{ mass, temp, volume, wall, tau float64 }

func (a *air) pressure() float64 { return a.mass * 287.05 * a.temp / a.volume }

// run lets oil leave at q, m³/s, and air come in at mdot, kg/s and the wall's
// temperature, for dt s.
func (a *air) run(q, mdot, dt float64) {
	const cv, cp = 717.625, 1004.675
	n := 20
	h := dt / float64(n)
	for range n {
		work := -a.pressure() * q
		heat := a.mass * cv * (a.wall - a.temp) / a.tau
		a.temp += h * (work + heat + mdot*(cp*a.wall-cv*a.temp)) / (a.mass * cv)
		a.mass += mdot * h
		a.volume += q * h
	}
}

func newAir() *air {
	a := &air{temp: 293.15, volume: 2, wall: 293.15, tau: 120}
	a.mass = 9e5 * a.volume / (287.05 * a.temp)
	return a
}

// The follower keeps θ and S through draws, a refill and a charge, as an
// independent computation of mass and temperature has them.
func TestFollow(t *testing.T) {
	const atm, fad = 101325.0, 5e-3
	f, err := NewFollower(FollowerConfig{Tau: 120, TauLow: 90, TauHigh: 160, Air: [2]float64{fad, fad}})
	if err != nil {
		t.Fatal(err)
	}
	a := newAir()
	step := func(q float64, compressor bool) {
		mdot := 0.0
		if compressor {
			mdot = fad * atm / (287.05 * a.wall)
		}
		a.run(q, mdot, 1)
		f.Step(1, a.volume, a.pressure(), atm, [2]bool{compressor, false})
	}
	for range 601 {
		step(0, false)
	}
	worst := 0.0
	for i := range 2000 {
		switch {
		case i < 30:
			step(0.2/30, false)
		case i >= 400 && i < 700:
			step(-0.2/300, false)
		case i >= 800 && i < 1500:
			step(0, true)
		default:
			step(0, false)
		}
		theta, band, known := f.Theta()
		if !known {
			t.Fatalf("unknown after %d s", i)
		}
		off := math.Abs(theta - a.temp/a.wall)
		worst = math.Max(worst, off)
		if off > band+2e-4 {
			t.Fatalf("after %d s θ is %.5f ± %.5f, the air has %.5f", i, theta, band, a.temp/a.wall)
		}
		s, _ := f.Settled()
		if want := a.mass * 287.05 * a.wall; math.Abs(s/want-1) > 1.5e-3 {
			t.Fatalf("after %d s S is %v, the air has %v", i, s, want)
		}
	}
	if worst*293 > 0.3 {
		t.Errorf("θ was off by %.2g K", worst*293)
	}
}

func TestNoiseDoesNotMoveTheta(t *testing.T) {
	f, err := NewFollower(FollowerConfig{Tau: 120})
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(1, 2))
	for range 5000 {
		f.Step(1, 2+0.005*r.NormFloat64(), 9e5+2000*r.NormFloat64(), 101325, [2]bool{})
	}
	if theta, _, known := f.Theta(); !known || math.Abs(theta-1) > 0.005 {
		t.Errorf("θ is %v, known %v", theta, known)
	}
}

func TestUnknownAfterAGap(t *testing.T) {
	f, err := NewFollower(FollowerConfig{Tau: 60, MaxGap: 3})
	if err != nil {
		t.Fatal(err)
	}
	quiet := func(n int) {
		for range n {
			f.Step(1, 2, 9e5, 101325, [2]bool{})
		}
	}
	unknown := func(when string) {
		t.Helper()
		if _, band, known := f.Theta(); known || band < 0.001 {
			t.Errorf("%s: known %v with a band of %v", when, known, band)
		}
		if _, known := f.Settled(); known {
			t.Errorf("%s: S is known", when)
		}
	}
	unknown("at first")
	quiet(300)
	unknown("after 299 s")
	quiet(2)
	theta, band, known := f.Theta()
	if !known || theta != 1 || band > 0.05 {
		t.Errorf("settled: θ %v ± %v, known %v", theta, band, known)
	}
	f.Step(3.5, 2, 9e5, 101325, [2]bool{})
	unknown("after a gap")
	quiet(301)
	f.Step(1, math.NaN(), 9e5, 101325, [2]bool{})
	f.Step(1, 2, -1, 101325, [2]bool{})
	if theta, _, known = f.Theta(); !known || theta != 1 {
		t.Errorf("impossible readings: θ %v, known %v", theta, known)
	}
}

func TestFollowerState(t *testing.T) {
	config := FollowerConfig{Tau: 60, MaxGap: 5}
	f, err := NewFollower(config)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 400 {
		f.Step(1, 2+0.001*float64(i), 9e5, 101325, [2]bool{})
	}
	text, err := json.Marshal(f.State())
	if err != nil {
		t.Fatal(err)
	}
	var saved FollowerState
	if err := json.Unmarshal(text, &saved); err != nil {
		t.Fatal(err)
	}
	g, err := NewFollower(config)
	if err != nil {
		t.Fatal(err)
	}
	g.Restore(saved, 2)
	if g.State() != f.State() {
		t.Errorf("%+v, want %+v", g.State(), f.State())
	}
	g.Restore(saved, 6)
	if _, _, known := g.Theta(); known {
		t.Error("an old state is known")
	}
	saved.High = math.NaN()
	g.Restore(saved, 0)
	if _, _, known := g.Theta(); known {
		t.Error("an impossible state is known")
	}
}

func TestWrongFollower(t *testing.T) {
	for want, c := range map[string]FollowerConfig{
		"τ is": {}, "bounds": {Tau: 60, TauLow: 90}, "bounds ": {Tau: 60, TauHigh: 30}, "free air": {Tau: 60, Air: [2]float64{-1, 0}},
	} {
		if _, err := NewFollower(c); err == nil || !strings.Contains(err.Error(), strings.TrimSpace(want)) {
			t.Errorf("%+v: %v, want %q", c, err, want)
		}
	}
}

func BenchmarkFollowerStep(b *testing.B) {
	f, err := NewFollower(FollowerConfig{Tau: 120, Air: [2]float64{1e-3, 1e-3}})
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		i++
		f.Step(1, 2+0.001*float64(i%7), 9e5, 101325, [2]bool{true, false})
	}
}
