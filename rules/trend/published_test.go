package trend

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

func near(t rapid.TB, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s is %v, want %v ± %v", what, got, want, tolerance)
	}
}

// TestEWMAAsPublished: NIST/SEMATECH e-Handbook of Statistical Methods,
// section 6.3.2.4.
func TestEWMAAsPublished(t *testing.T) {
	data := []float64{52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}
	want := []float64{50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99}
	e := EWMA{Value: 50, Count: 1}
	for i, x := range data {
		near(t, "average", e.Update(x, 0.3), want[i], 0.0051) // printed with two decimals
	}
	low, high := EWMALimits(50, 2.0539, 0.3, 3)
	near(t, "lower limit", low, 47.4115, 1e-3)
	near(t, "upper limit", high, 52.5884, 1e-3)
}

// TestCUSUMAsPublished: Montgomery, Introduction to Statistical Quality
// Control, table 9.1, with μ0 10, σ 1, K 0.5, H 5.
func TestCUSUMAsPublished(t *testing.T) {
	data := []float64{9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40, 10.08, 9.37, 10.62, 10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52}
	want := map[int]float64{23: 1.79, 24: 2.79, 25: 2.89, 26: 3.47, 27: 3.35, 28: 4.47, 29: 5.28, 30: 5.30}
	var c CUSUM
	signal := 0
	for i, x := range data {
		c.Update(x-10, 0.5)
		if v, ok := want[i+1]; ok {
			near(t, "C+", c.Up, v, 1e-9)
		}
		if signal == 0 && (c.Up > 5 || c.Down > 5) {
			signal = i + 1
			if c.UpCount != 7 {
				t.Errorf("N+ is %d at the signal, want 7", c.UpCount)
			}
		}
	}
	if signal != 29 {
		t.Errorf("signal at %d, want 29", signal)
	}
}

// TestLineAndTrendAsPublished: Hollander, Wolfe, Chicken, Nonparametric
// Statistical Methods, example 9.1 (data published).
func TestLineAndTrendAsPublished(t *testing.T) {
	x, y := []float64{1, 2, 3, 4, 5}, []float64{1.26, 1.27, 1.12, 1.16, 1.03}
	l := TheilSen(x, y, 0.9)
	near(t, "slope", l.Slope, -0.05625, 1e-12)
	k := MannKendall(y)
	if k.S != -6 || !k.Exact {
		t.Errorf("S is %d (exact %v), want -6, exact", k.S, k.Exact)
	}
	near(t, "p", k.P, 0.2333, 5e-5)
	// P(S ≥ 8) = 5/120, so the second and the ninth of ten slopes bound it
	// (section 9.3 of the same book; the rule from memory).
	near(t, "lower limit", l.Low, -0.13, 1e-12)
	near(t, "upper limit", l.High, 0.01, 1e-12)
}
