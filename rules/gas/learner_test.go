package gas

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"reflect"
	"testing"
)

// day lets a noisy tank (0.02 bar, 3 mm of level in a tank of 1.5 m) rest,
// deliver and recover a number of times, at 1 Hz.
func day(l *Learner, seed uint64, tau, drawn float64, times, recovery int, disturb func(second int) bool) {
	r := rand.New(rand.NewPCG(seed, 3))
	for range times {
		a := newAir()
		a.tau = tau
		for i := range 700 + recovery {
			q := 0.0
			if i >= 660 && i < 700 {
				q = drawn / 40
			}
			a.run(q, 0, 1)
			l.Step(1, a.volume+0.003*1.767*r.NormFloat64(), a.pressure()+2000*r.NormFloat64(), disturb != nil && disturb(i))
		}
		l.Step(1, a.volume, a.pressure(), true) // the pump refills
	}
}

// τ is learned from noisy recoveries, within its own band.
func TestLearn(t *testing.T) {
	held, used := 0, 0
	for seed := range uint64(20) {
		l := NewLearner(100)
		day(l, seed, 120, 0.3, 5, 400, nil)
		k := l.Learned()
		if !k.InUse {
			continue
		}
		used++
		if math.Abs(k.Tau/120-1) <= k.Band {
			held++
		}
		if k.Band < 0.25 {
			t.Errorf("seed %d: a band of %v", seed, k.Band)
		}
	}
	if used < 18 || held < used {
		t.Errorf("of 20 units %d learned and %d of them hold 120 s in their band", used, held)
	}
}

func TestDrawsThatDoNotCount(t *testing.T) {
	cases := []struct {
		name            string
		drawn           float64
		times, recovery int
		disturb         func(int) bool
	}{
		{"too small", 0.06, 4, 400, nil},
		{"too short a recovery", 0.3, 4, 150, nil},
		{"began unsettled", 0.3, 4, 400, func(i int) bool { return i == 400 }},
		{"disturbed recovery", 0.3, 4, 400, func(i int) bool { return i == 800 }},
		{"pump ran during the draw", 0.3, 4, 400, func(i int) bool { return i == 680 }},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			l := NewLearner(100)
			day(l, 5, 120, c.drawn, c.times, c.recovery, c.disturb)
			if k := l.Learned(); k.Of != 0 {
				t.Errorf("%+v", k)
			}
		})
	}
}

// Two of the guessed τ are asked for, even where the true τ is shorter: a fit
// to a short piece is easily fooled.
func TestShortRecoveryOfAShortTau(t *testing.T) {
	l := NewLearner(100)
	day(l, 5, 40, 0.3, 4, 160, nil)
	if k := l.Learned(); k.Of != 0 {
		t.Errorf("%+v", k)
	}
	day(l, 5, 40, 0.3, 4, 260, nil)
	if k := l.Learned(); k.Of == 0 {
		t.Errorf("%+v after long recoveries", k)
	}
}

func TestAgreement(t *testing.T) {
	cases := []struct {
		name  string
		taus  []float64
		tau   float64
		band  float64
		inUse bool
	}{
		{"none", nil, 0, 0, false},
		{"two", []float64{100, 110}, 105, 0.25, false},
		{"three that agree", []float64{90, 100, 110}, 100, 0.25, true},
		{"three with spread", []float64{100, 60, 130}, 100, 0.4, true},
		{"too different", []float64{30, 100, 300}, 100, 0.25, false},
		{"two strays of five", []float64{100, 110, 105, 400, 400}, 110, 0.25, false},
		{"one stray of five", []float64{100, 110, 90, 105, 400}, 105, 0.25, true},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			l := NewLearner(100)
			l.Restore(LearnerState{Taus: c.taus})
			k := l.Learned()
			if math.Abs(k.Tau-c.tau) > 1e-9 || math.Abs(k.Band-c.band) > 1e-9 || k.InUse != c.inUse || k.Of != len(c.taus) {
				t.Errorf("%+v", k)
			}
		})
	}
}

func TestLearnerStateAndReset(t *testing.T) {
	l := NewLearner(100)
	l.Restore(LearnerState{Taus: []float64{1, 2, 3, 4, 5, 6, 7, 8, 9, math.NaN(), -1}})
	text, err := json.Marshal(l.State())
	if err != nil {
		t.Fatal(err)
	}
	var s LearnerState
	if err := json.Unmarshal(text, &s); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(s.Taus, []float64{2, 3, 4, 5, 6, 7, 8, 9}) {
		t.Errorf("%v", s.Taus)
	}
	l.Reset()
	if k := l.Learned(); k != (Learned{}) {
		t.Errorf("after a reset: %+v", k)
	}
}

func TestStepsDoNotAllocate(t *testing.T) {
	l := NewLearner(10)
	r := rand.New(rand.NewPCG(1, 1))
	a := newAir()
	a.tau = 10
	i := 0
	if n := testing.AllocsPerRun(2000, func() {
		q := 0.0
		if i++; i%300 < 10 {
			q = 0.02 * math.Cos(float64(i/300)*math.Pi)
		}
		a.run(q, 0, 1)
		l.Step(1, a.volume, a.pressure()+100*r.NormFloat64(), false)
	}); n != 0 {
		t.Errorf("%v allocations a step", n)
	}
	if l.Learned().Of == 0 {
		t.Error("nothing was learned, so that the fit was not measured")
	}
}

// A draw of the independent tank is as predicted; with air missing from the
// model's promise it is not.
func TestDrawAgainstPrediction(t *testing.T) {
	a := newAir()
	d := Draw{StartPressure: a.pressure(), StartVolume: a.volume, Seconds: 60, Theta: 1}
	for range 60 {
		a.run(0.4/60, 0, 1)
	}
	d.EndPressure, d.EndVolume = a.pressure(), a.volume
	c := d.Compare(120, 90, 150, 2000)
	if !c.Kept || math.Abs(c.Predicted-d.EndPressure) > 200 || math.Abs(c.Promised-c.Delivered) > 5e-4 || math.Abs(c.Delivered-0.4) > 1e-9 {
		t.Errorf("%+v, end %v", c, d.EndPressure)
	}
	if !(c.Low < c.Predicted && c.Predicted < c.High) {
		t.Errorf("%+v is not in order", c)
	}
	if n := d.Exponent(); !(n > 1.1 && n < 1.4) {
		t.Errorf("exponent %v", n)
	}
	// The real-gas allowance alone: 1 % of the oil at under 10 bar.
	d.EndVolume += 0.01 * c.Delivered
	more := d.Compare(120, 120, 120, 0).Predicted
	d.EndVolume -= 0.01 * c.Delivered
	if got := d.Compare(120, 120, 120, 0).Low; math.Abs(got-more) > 1 {
		t.Errorf("low end %v Pa, want %v", got, more)
	}
	d.EndPressure *= 0.95
	if c = d.Compare(120, 90, 150, 2000); c.Kept || !(c.Promised > c.Delivered+0.03) {
		t.Errorf("%+v: 5 %% of the pressure is missing", c)
	}
	if n := (Draw{StartVolume: 2, EndVolume: 2}).Exponent(); !math.IsNaN(n) {
		t.Errorf("exponent %v without a draw", n)
	}
}

func BenchmarkLearnerStep(b *testing.B) {
	l := NewLearner(120)
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		i++
		l.Step(1, 2+0.001*float64(i%7), 9e5, false)
	}
}
