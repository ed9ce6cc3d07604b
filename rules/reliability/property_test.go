package reliability

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"strokebank/sensors/signal"
)

// TestNothingIsPretended: what cannot be told is unknown, with the reason, and
// can be written as JSON.
func TestNothingIsPretended(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for name, c := range map[string]struct {
		e      Estimate
		reason string
	}{
		"no time":              {MTBF(0, 1, 0.9), noTime},
		"negative time":        {MTBF(-1, 1, 0.9), badTime},
		"endless time":         {MTBF(inf, 1, 0.9), badTime},
		"negative count":       {MTBF(1, -1, 0.9), badCount},
		"confidence 1":         {MTBF(1, 1, 1), badConfidence},
		"confidence unknown":   {MTBF(1, 1, nan), badConfidence},
		"negative rate":        {Given(-1), outOfRange},
		"rate not a number":    {Given(nan), outOfRange},
		"no interval":          {OneOfOne(Given(1e-6), 0, 0), badRate},
		"negative repair":      {OneOfOne(Given(1e-6), 1, -1), badRate},
		"common share above 1": {OneOfTwo(Given(1e-6), 1.1, 1, 0), badRate},
		"unknown rate":         {OneOfTwo(MTBF(0, 0, 0.9).Rate(), 0.1, 1, 0), noTime},
		"two failures":         {FitWeibull([]float64{1, 2}, []float64{9}, 0.9).Shape, fewFailures},
		"failures of one age":  {FitWeibull([]float64{2, 2, 2}, []float64{1, 2}, 0.9).Shape, noSpread},
		"no lives":             {FitWeibull(nil, nil, 0.9).Shape, noTime},
		"a life of 0":          {FitWeibull([]float64{1, 2, 0}, nil, 0.9).Shape, badTime},
		"a life not a number":  {FitWeibull([]float64{1, 2, 3}, []float64{nan}, 0.9).Shape, badTime},
		"failure past the end": {FitPowerLaw([]float64{1, 2, 3}, 2, 0.9).MTBF, pastEnd},
		"failure at 0":         {FitPowerLaw([]float64{0, 1, 2}, 2, 0.9).MTBF, badTime},
	} {
		if c.e.Known || c.e.Value.Known() || c.e.Low.Known() || c.e.High.Known() || c.e.Reason != c.reason {
			t.Errorf("%s: %+v, want %q", name, c.e, c.reason)
		}
		if _, err := json.Marshal(c.e); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	for name, l := range map[string]Trend{
		"no failure":      Laplace(nil, 10),
		"three failures":  Laplace([]float64{1, 2, 3}, 10),
		"no time":         Laplace([]float64{1, 2, 3, 4}, 0),
		"past the end":    Laplace([]float64{1, 2, 3, 4}, 3),
		"not a number":    Laplace([]float64{1, 2, nan, 4}, 10),
		"time not number": Laplace([]float64{1, 2, 3, 4}, nan),
	} {
		if l.Known || l.Reason == "" || l.U.Known() || l.P.Known() {
			t.Errorf("%s: %+v", name, l)
		}
	}
	for name, j := range map[string]signal.Number{"nothing": Jain(), "all 0": Jain(0, 0), "negative": Jain(1, -1), "not a number": Jain(nan), "endless": Jain(inf)} {
		if j.Known() {
			t.Errorf("fairness of %s is %v", name, j)
		}
	}
}

// TestTooLittleGivesTheBound: what is not fitted still says what a constant
// rate would allow.
func TestTooLittleGivesTheBound(t *testing.T) {
	w := FitWeibull(nil, []float64{600, 400}, 0.95)
	if w.Known || w.Reason != fewFailures || w.Bound.Reason != noFailure {
		t.Errorf("%+v", w)
	}
	near(t, "bound", w.Bound.Low, 333.808, 1e-3) // as without a failure in 1000 h
	p := FitPowerLaw([]float64{100, 300}, 800, 0.9)
	if p.Known || p.Reason != fewFailures || !p.MTBF.Known {
		t.Errorf("%+v", p)
	}
	near(t, "bound", p.MTBF.Low, 127.0690, 1e-3) // as for two in 800 h
	if p := FitPowerLaw([]float64{5, 5, 5}, 5, 0.9); p.Known || p.Reason != noSpread {
		t.Errorf("all at the end: %+v", p)
	}
	none := FitPowerLaw([]float64{1, 2, 3}, 10, 0.999)
	if !none.Known || none.MTBF.High.Known() || !none.MTBF.Low.Known() {
		t.Errorf("three failures at 99.9 %% have no upper limit: %+v", none.MTBF)
	}
	d := OneOfTwo(MTBF(1000, 0, 0.95).Rate(), 0.1, 24, 8)
	if d.Known || d.Value.Known() || d.Low.Known() || !d.High.Known() || d.Reason != noFailure || d.Time != 1000 {
		t.Errorf("a pair that never failed: %+v", d)
	}
	// λ 1/333.808, 0.9 of it alone, T/2 + 8 = 20, T/3 + 8 = 16.
	l := 1 / 333.808
	near(t, "bound of the pair", d.High, 2*0.81*l*l*20*16+0.1*l*20, 1e-7)
}

// TestRareIsAssumed: a rate too high for the form is said to be, and no
// probability is above 1.
func TestRareIsAssumed(t *testing.T) {
	if e := OneOfOne(Given(1e-3), 200, 0); !e.Known || e.Reason != coarse {
		t.Errorf("%+v", e)
	}
	for _, e := range []Estimate{OneOfOne(Given(10), 200, 5), OneOfTwo(Given(10), 0.1, 200, 5), OneOfTwo(Given(math.MaxFloat64), 0.1, 200, 5)} {
		if e.Value != 1 || e.Reason != coarse {
			t.Errorf("%+v", e)
		}
	}
}

// TestMTBFLimitsCover: of many simulated machines of constant rate the limits
// hold the truth at least as often as they say (the lower ones exactly, being
// for a watch that the clock ends).
func TestMTBFLimitsCover(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	const machines = 20000
	in, above := 0, 0
	for range machines {
		n := int(distuv.Poisson{Lambda: 4, Src: r}.Rand())
		e := MTBF(4, n, 0.9) // the truth is 1
		if n > 0 && e.Low <= 1 && 1 <= e.High {
			in++
		}
		if MTBFAtLeast(4, n, 0.95) <= 1 {
			above++
		}
	}
	if float64(in) < 0.88*machines || float64(above) < 0.945*machines || float64(above) > 0.995*machines {
		t.Errorf("of %d: inside %d, above the bound %d", machines, in, above)
	}
}

// TestWeibullRecoversItsTruth: simulated lives, a third censored, give β back
// and its limits hold the truth about as often as they say.
func TestWeibullRecoversItsTruth(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	const tries = 1000
	in, mean := 0, 0.0
	for range tries {
		var failed, running []float64
		for range 60 {
			life := 100 * math.Pow(r.ExpFloat64(), 1/2.5)
			if life > 105 {
				running = append(running, 105)
			} else {
				failed = append(failed, life)
			}
		}
		w := FitWeibull(failed, running, 0.9)
		mean += float64(w.Shape.Value) / tries
		if w.Shape.Low <= 2.5 && 2.5 <= w.Shape.High {
			in++
		}
	}
	near(t, "mean β", signal.Number(mean), 2.5, 0.12)
	if in < 870 || in > 930 {
		t.Errorf("the limits hold the truth in %d of %d, want 900", in, tries)
	}
}

// TestWeibullIsTheMaximum: no neighbour is likelier, and other units of time
// change the scale alone.
func TestWeibullIsTheMaximum(t *testing.T) {
	life := rapid.Float64Range(0.1, 1000)
	rapid.Check(t, func(t *rapid.T) {
		failed := rapid.SliceOfNDistinct(life, 3, 15, rapid.ID[float64]).Draw(t, "failed")
		running := rapid.SliceOfN(life, 0, 15).Draw(t, "running")
		w := FitWeibull(failed, running, 0.9)
		if !w.Known {
			t.Fatalf("%+v", w)
		}
		beta, eta := float64(w.Shape.Value), float64(w.Scale)
		if beta > 1e4 { // failures within rounding of each other
			return
		}
		best := likelihood(failed, running, beta, eta)
		near(t, "log-likelihood", w.LogLikelihood, best, 1e-6*(1+math.Abs(best)))
		for _, f := range []float64{0.99, 1.01} {
			if likelihood(failed, running, beta*f, eta) > best+1e-9 || likelihood(failed, running, beta, eta*f) > best+1e-9 {
				t.Fatalf("a neighbour of β %v, η %v is likelier", beta, eta)
			}
		}
		unit := rapid.Float64Range(1e-3, 1e6).Draw(t, "unit")
		for _, part := range [][]float64{failed, running} {
			for i := range part {
				part[i] *= unit
			}
		}
		other := FitWeibull(failed, running, 0.9)
		near(t, "β in other units", other.Shape.Value, beta, 1e-6*beta)
		near(t, "η in other units", other.Scale, eta*unit, 1e-6*eta*unit)
	})
}

// likelihood is the logarithm written out term by term.
func likelihood(failed, running []float64, beta, eta float64) (l float64) {
	for _, t := range failed {
		l += math.Log(beta/eta) + (beta-1)*math.Log(t/eta) - math.Pow(t/eta, beta)
	}
	for _, t := range running {
		l -= math.Pow(t/eta, beta)
	}
	return l
}

// TestAnyLivesAreSafe: whatever the ages, no panic and no number that is none.
func TestAnyLivesAreSafe(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ages := rapid.SliceOfN(rapid.Float64(), 0, 8)
		failed, running := ages.Draw(t, "failed"), ages.Draw(t, "running")
		confidence := rapid.Float64Range(-0.1, 1.1).Draw(t, "confidence")
		end := rapid.Float64().Draw(t, "end")
		w := FitWeibull(failed, running, confidence)
		if w.Known != (w.Reason == "") || w.Known != w.Scale.Known() || w.Known != w.Shape.Known {
			t.Fatalf("%+v", w)
		}
		p := FitPowerLaw(failed, end, confidence)
		if p.Known != (p.Reason == "") || p.Known != p.Exponent.Known() {
			t.Fatalf("%+v", p)
		}
		for _, v := range []any{w, p, Laplace(failed, end), OneOfTwo(w.Bound.Rate(), 0.1, 24, 8), Jain(failed...)} {
			if _, err := json.Marshal(v); err != nil {
				t.Fatal(err)
			}
		}
	})
}

// TestLimitsAreInOrder, and more time without another failure is better.
func TestLimitsAreInOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 2000).Draw(t, "failures")
		time := rapid.Float64Range(1, 1e6).Draw(t, "time")
		confidence := rapid.Float64Range(0.5, 0.999).Draw(t, "confidence")
		e, more := MTBF(time, n, confidence), MTBF(time*2, n, confidence)
		if n > 0 && !(e.Low < e.Value && e.Value < e.High) || !(e.Low < more.Low) {
			t.Fatalf("%+v then %+v", e, more)
		}
		one, two := OneOfOne(e.Rate(), 24, 8), OneOfTwo(e.Rate(), 0.1, 24, 8)
		if one.High.Known() && !(two.High <= one.High) && one.High < 0.3 {
			t.Fatalf("a pair %v is worse than one machine %v", two.High, one.High)
		}
	})
}

// TestOrderDoesNotMatter to the fit of ages.
func TestOrderDoesNotMatter(t *testing.T) {
	times := []float64{5, 40, 43, 175, 389, 712}
	a, l := FitPowerLaw(times, 800, 0.8), Laplace(times, 800)
	slices.Reverse(times)
	b, m := FitPowerLaw(times, 800, 0.8), Laplace(times, 800)
	near(t, "b", b.Exponent, float64(a.Exponent), 1e-12)
	near(t, "U", m.U, float64(l.U), 1e-12)
}
