package trend

import (
	"testing"
	"time"
)

// full is a health with all its days.
func full(tb testing.TB) *Health {
	h := newHealth(tb)
	p := pump{noise: 0.01, fills: 5, seed: 1, outputs: func(day float64) float64 { return 1 - 0.0005*day }}
	p.live(h, keptDays+20, func(float64) bool { return false })
	return h
}

// TestUpdatesDoNotAllocate, not even the one that closes a day.
func TestUpdatesDoNotAllocate(t *testing.T) {
	h, at := full(t), firstDay.Add(200*24*time.Hour)
	var e EWMA
	var c CUSUM
	if n := testing.AllocsPerRun(200, func() {
		at = at.Add(5 * time.Hour)
		h.Update(at, 0.93, 0.01)
		e.Update(1, 0.2)
		c.Update(0.3, 0.5)
	}); n != 0 {
		t.Errorf("%v allocations an update", n)
	}
}

func BenchmarkEWMAUpdate(b *testing.B) {
	var e EWMA
	b.ReportAllocs()
	for b.Loop() {
		e.Update(1.01, 0.2)
	}
}

func BenchmarkCUSUMUpdate(b *testing.B) {
	var c CUSUM
	b.ReportAllocs()
	for b.Loop() {
		c.Update(0.3, 0.5)
	}
}

func BenchmarkHealthUpdate(b *testing.B) {
	for name, step := range map[string]time.Duration{"same day": 0, "new day": 24 * time.Hour} {
		b.Run(name+"/days=128", func(b *testing.B) {
			h, at, i := full(b), firstDay.Add(200*24*time.Hour), 0
			b.ReportAllocs()
			for b.Loop() {
				at = at.Add(step)
				i++
				h.Update(at, 0.9+0.01*float64(i*7%10), 0.01)
			}
		})
	}
}

func BenchmarkHealthRestore(b *testing.B) {
	h := full(b)
	s := h.Save()
	b.ReportAllocs()
	for b.Loop() {
		if err := h.Restore(s); err != nil {
			b.Fatal(err)
		}
	}
}
