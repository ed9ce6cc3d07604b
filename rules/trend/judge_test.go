package trend

import (
	"math"
	"testing"
)

// TestSlowFallIsNoStep: a steady decline is announced as what it is.
func TestSlowFallIsNoStep(t *testing.T) {
	for seed := range uint64(40) {
		p := pump{noise: 0.01, fills: 5, seed: seed, outputs: func(day float64) float64 { return 1 - 0.007*math.Max(0, day-20) }}
		h := newHealth(t)
		p.live(h, 60, func(day float64) bool {
			if h.Verdict().Step {
				t.Errorf("seed %d: a step on day %v", seed, day)
			}
			return h.Verdict().Step || h.Verdict().Drift
		})
		if !h.Verdict().Drift {
			t.Errorf("seed %d: %+v", seed, h.Verdict())
		}
	}
}

// TestAnnouncedDriftStays while the loss does, and ends when it is back.
func TestAnnouncedDriftStays(t *testing.T) {
	p := pump{noise: 0.01, fills: 5, seed: 1, outputs: func(day float64) float64 {
		if day > 120 {
			return 1
		}
		return 1 - 0.007*math.Min(math.Max(0, day-20), 30)
	}}
	h, since := newHealth(t), 0.0
	p.live(h, 200, func(day float64) bool {
		v := h.Verdict()
		if v.Drift && since == 0 {
			since = day
		}
		if since > 0 && day < 120 && !v.Drift {
			t.Fatalf("gone on day %v: %+v", day, v)
		}
		return false
	})
	if v := h.Verdict(); since == 0 || v.Drift {
		t.Errorf("announced on day %v, at the end %+v", since, v)
	}
}

// falling is a health whose line has lost a tenth and falls surely.
func falling(t *testing.T) *Health {
	h := newHealth(t)
	h.finder.last, h.finder.bent = 30, 30
	h.line = Line{Known: true, N: 30, Confidence: 0.95, Slope: -0.005, Low: -0.0052, High: -0.0048, X: 15, Y: 0.975, YError: 0.001}
	h.test = Kendall{Known: true, N: 30, Z: -7}
	return h
}

// TestEachConditionOfADrift is needed.
func TestEachConditionOfADrift(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*Health)
		want   bool
	}{
		{"all hold", func(*Health) {}, true},
		{"no line", func(h *Health) { h.line.Known = false }, false},
		{"trend not significant", func(h *Health) { h.test.Z = -3.4 }, false},
		{"loss too small", func(h *Health) { h.line.Y = 1.02 }, false},
		{"loss not sure", func(h *Health) { h.line.YError = 0.02 }, false},
		{"straight for too short", func(h *Health) { h.finder.bent = leastBent - 1 }, false},
		{"date not sharp", func(h *Health) { h.line.Low, h.line.High = -0.008, -0.003 }, false},
		{"date not sharp, no time left", func(h *Health) {
			h.line.Slope, h.line.Low, h.line.High, h.line.Y = -0.011, -0.014, -0.008, 0.97
		}, true},
	} {
		h := falling(t)
		c.change(h)
		if h.judgeDrift(); h.state.Drift != c.want {
			t.Errorf("%s: announced %v", c.name, h.state.Drift)
		}
	}
}

// TestForecastIsADate, or says that it is too far away for one.
func TestForecastIsADate(t *testing.T) {
	h := falling(t)
	f := forecast(&h.line, 0.7)
	if !f.Known || f.At.Unix() != 70*86400 || !f.Early.Before(f.At) || !f.At.Before(f.Late) {
		t.Errorf("%+v", f)
	}
	h.line.Slope, h.line.Low, h.line.High = -1e-5, -1.1e-5, -0.9e-5
	if f := forecast(&h.line, 0.7); f.Known || f.Reason != farAway {
		t.Errorf("in %v years: %+v", 0.275/1e-5/365, f)
	}
}
