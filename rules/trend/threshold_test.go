package trend

import (
	"math"
	"math/rand/v2"
	"testing"
)

// noise is a series of standard normal values of which neighbours correlate
// with rho.
func noise(r *rand.Rand, rho float64) func() float64 {
	x := r.NormFloat64()
	return func() float64 {
		was := x
		x = rho*x + math.Sqrt(1-rho*rho)*r.NormFloat64()
		return was
	}
}

// simulatedRunLength is the mean number of healthy values from one alarm of the
// sum for a fall to the next, which starts it anew, over a number of runs.
func simulatedRunLength(seed uint64, runs int, k, h, rho float64) float64 {
	r := rand.New(rand.NewPCG(seed, 7))
	total := 0
	next := noise(r, rho)
	for range runs {
		var c CUSUM
		for c.Down <= h {
			c.Update(next(), k)
			total++
		}
	}
	return float64(total) / float64(runs)
}

// markovRunLength is the run length by the Markov chain of Brook and Evans
// (Biometrika 59, 1972): the sum lives in cells, and (I - Q) L = 1.
func markovRunLength(k, h float64) float64 {
	const cells = 120
	width := 2 * h / (2*cells - 1)
	phi := func(x float64) float64 { return 0.5 * math.Erfc(-x/math.Sqrt2) }
	var a [cells][cells + 1]float64
	for i := range cells {
		for j := range cells {
			d := float64(j-i)*width + k
			p := phi(d+width/2) - phi(d-width/2)
			if j == 0 {
				p = phi(d + width/2)
			}
			a[i][j] = -p
		}
		a[i][i]++
		a[i][cells] = 1
	}
	for i := range cells { // the matrix is dominated by its diagonal
		for j := i + 1; j < cells; j++ {
			f := a[j][i] / a[i][i]
			for m := i; m <= cells; m++ {
				a[j][m] -= f * a[i][m]
			}
		}
	}
	var l [cells]float64
	for i := cells - 1; i >= 0; i-- {
		l[i] = a[i][cells]
		for j := i + 1; j < cells; j++ {
			l[i] -= a[i][j] * l[j]
		}
		l[i] /= a[i][i]
	}
	return l[0]
}

// TestRunLengthAgainstTheMarkovChain holds the approximation against an
// independent way to the same figure.
func TestRunLengthAgainstTheMarkovChain(t *testing.T) {
	for _, c := range []struct{ k, h float64 }{{0.5, 4}, {0.5, 5}, {0.25, 8}, {1, 3}, {1, 4.9}, {0.5, 9.6}} {
		want := markovRunLength(c.k, c.h)
		if got := RunLength(c.k, c.h); !(math.Abs(got/want-1) < 0.08) {
			t.Errorf("k %v, h %v: run length %v, the chain says %v", c.k, c.h, got, want)
		}
	}
}

// TestOrdinaryThresholdsLie is why the thresholds of a machine's health are
// what they are: what a textbook takes alarms on healthy machines.
func TestOrdinaryThresholdsLie(t *testing.T) {
	near(t, "run length at limit 5 (Siegmund)", RunLength(0.5, 5), 938, 1)
	near(t, "run length at limit 5, simulated", simulatedRunLength(1, 2000, 0.5, 5, 0), 938, 60)
	near(t, "the same with autocorrelation 0.5", simulatedRunLength(1, 4000, 0.5, 5, 0.5), 96, 8)

	r := rand.New(rand.NewPCG(3, 4))
	const machines, year, window = 200, 365, 60
	alarmed := 0
	for range machines {
		var y [year]float64
		for i := range y {
			y[i] = r.NormFloat64()
		}
		for d := 10; d <= year; d++ {
			if MannKendall(y[max(0, d-window):d]).P < 0.05 {
				alarmed++
				break
			}
		}
	}
	near(t, "healthy machines with a trend at 5 % within a year", float64(alarmed)/machines, 0.97, 0.025)
}

// TestDecisionLimitGivesItsRunLength: a limit for 1e5 fills gives them, with
// and without autocorrelation.
func TestDecisionLimitGivesItsRunLength(t *testing.T) {
	for _, c := range []struct {
		name   string
		k, rho float64
		most   float64
	}{
		{"independent", 0.5, 0, 1.2e5},
		{"independent, large reference", 1, 0, 1.2e5},
		{"correlated", 0.5, 0.5, 6e5},
	} {
		t.Run(c.name, func(t *testing.T) {
			h, ok := DecisionLimit(c.k, 1e5, c.rho)
			if !ok {
				t.Fatal("no limit")
			}
			// 100 runs know the mean to 10 %.
			got := simulatedRunLength(5, 100, c.k, h, c.rho)
			if got < 0.8e5 || got > c.most {
				t.Errorf("limit %v alarms every %v values, want 1e5 to %v", h, got, c.most)
			}
		})
	}
	if h, _ := DecisionLimit(0.5, 1e5, 0); !(math.Abs(RunLength(0.5, h)-1e5) < 1) {
		t.Errorf("limit %v does not invert RunLength", h)
	}
}

// TestDecisionLimitRefuses what it cannot answer.
func TestDecisionLimitRefuses(t *testing.T) {
	for name, c := range map[string][3]float64{
		"no reference":     {0, 1e5, 0},
		"not a number":     {math.NaN(), 1e5, 0},
		"no run":           {0.5, 1, 0},
		"endless run":      {0.5, math.Inf(1), 0},
		"fully correlated": {0.5, 1e5, 1},
		"anticorrelated":   {0.5, 1e5, -0.5},
	} {
		if h, ok := DecisionLimit(c[0], c[1], c[2]); ok {
			t.Errorf("%s: limit %v", name, h)
		}
	}
	if RunLength(0, 5) != 0 || RunLength(0.5, -1) != 0 || RunLength(math.NaN(), 5) != 0 {
		t.Error("a run length without a reference or a limit")
	}
}
