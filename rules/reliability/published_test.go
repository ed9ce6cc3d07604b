package reliability

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"strokebank/sensors/signal"
)

func near(t rapid.TB, what string, got signal.Number, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(float64(got)-want) <= tolerance) {
		t.Errorf("%s is %v, want %v ± %v", what, float64(got), want, tolerance)
	}
}

// TestMTBFAsPublished: NIST/SEMATECH e-Handbook of Statistical Methods,
// section 8.4.5.1.
func TestMTBFAsPublished(t *testing.T) {
	e := MTBF(800, 2, 0.90)
	if !e.Known || e.Reason != "" || e.Failures != 2 || e.Time != 800 {
		t.Errorf("%+v", e)
	}
	near(t, "MTBF", e.Value, 400, 0)
	near(t, "lower limit", e.Low, 127.0690, 1e-4)
	near(t, "upper limit", e.High, 2251.229, 1e-3)
	for _, c := range []struct{ confidence, bound float64 }{{0.95, 333.808}, {0.90, 434.294}} {
		e := MTBF(1000, 0, c.confidence)
		if e.Known || e.Value.Known() || e.High.Known() || e.Reason != noFailure {
			t.Errorf("without a failure: %+v", e)
		}
		near(t, "bound without a failure", e.Low, c.bound, 1e-3)
		near(t, "the same", MTBFAtLeast(1000, 0, c.confidence), c.bound, 1e-3)
	}
	// One-sided at 95 % is the lower limit of 90 % two-sided.
	near(t, "one-sided", MTBFAtLeast(800, 2, 0.95), 127.0690, 1e-4)
	r := e.Rate()
	near(t, "rate", r.Value, 1/400., 1e-15)
	near(t, "upper limit of the rate", r.High, 1/127.0690, 1e-8)
	near(t, "lower limit of the rate", r.Low, 1/2251.229, 1e-9)
}

// TestWeibullAsPublished: section 8.4.1.3 of the same, ten units still running
// at 500 h.
func TestWeibullAsPublished(t *testing.T) {
	failed := []float64{54, 187, 216, 240, 244, 335, 361, 373, 375, 386}
	running := []float64{500, 500, 500, 500, 500, 500, 500, 500, 500, 500}
	w := FitWeibull(failed, running, 0.95)
	if !w.Known || w.Failures != 10 || w.Censored != 10 {
		t.Fatalf("%+v", w)
	}
	near(t, "η", w.Scale, 606.528, 1e-3)
	near(t, "β", w.Shape.Value, 1.7208, 1e-3)
	near(t, "log-likelihood", w.LogLikelihood, -75.135, 1e-3)
	if !(w.Shape.Low < 1.7208 && 1.7208 < w.Shape.High && w.Shape.Low > 0.8 && w.Shape.High < 3.2) {
		t.Errorf("limits of β %v to %v", w.Shape.Low, w.Shape.High)
	}
}

// TestPowerLawAsPublished: section 8.4.5.2 of the same, and Laplace's U on the
// same data (computed: mean 568.3 of 1500, ten failures).
func TestPowerLawAsPublished(t *testing.T) {
	times := []float64{5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478}
	p := FitPowerLaw(times, 1500, 0.80)
	if !p.Known || !p.MTBF.Known || p.Failures != 10 {
		t.Fatalf("%+v", p)
	}
	near(t, "b", p.Exponent, 0.483506, 1e-6)
	near(t, "a", p.Scale, 0.2913003, 1e-6)
	near(t, "MTBF", p.MTBF.Value, 310.234, 1e-3)
	near(t, "lower limit", p.MTBF.Low, 157.7138, 1e-3)
	near(t, "upper limit", p.MTBF.High, 548.5566, 1e-3)
	l := Laplace(times, 1500)
	near(t, "U", l.U, -1.3269, 1e-4)
	near(t, "p", l.P, 0.1845, 1e-3) // 2 Φ(-1.3269)
}

// TestOnDemandAsPublished: IEC 61508-6 simplified form (secondary source).
func TestOnDemandAsPublished(t *testing.T) {
	rate := Given(2e-6)
	one := OneOfOne(rate, 8760, 0)
	near(t, "1oo1", one.Value, 8.76e-3, 5e-6)
	if !one.Known || one.Low.Known() || one.High.Known() || one.Failures != 0 {
		t.Errorf("%+v", one)
	}
	for _, c := range []struct{ beta, want float64 }{{0, 1.023e-4}, {0.02, 2.735e-4}, {0.05, 5.303e-4}, {0.10, 9.589e-4}} {
		near(t, "1oo2", OneOfTwo(rate, c.beta, 8760, 0).Value, c.want, 5e-8)
	}
}

// TestJain: the formula from memory.
func TestJain(t *testing.T) {
	near(t, "50/50", Jain(50, 50), 1, 1e-12)
	near(t, "60/40", Jain(60, 40), 0.96154, 5e-6)
	near(t, "100/0", Jain(100, 0), 0.5, 1e-12)
}
