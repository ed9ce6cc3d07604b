package leak

import (
	"math"
	"math/rand/v2"
	"testing"
)

// What the weather does to the daily means lasts for days. The band of a slope
// must hold the truth then too, as often as two standard deviations promise.
func TestBandUnderWeatherThatLasts(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	cfg := config().withDefaults()
	for _, c := range []struct {
		name  string
		r     float64 // of neighbouring days
		least float64 // part of the bands that hold the truth
	}{{"days of their own", 0, 0.93}, {"weather of two and a half days", 0.67, 0.85}} {
		t.Run(c.name, func(t *testing.T) {
			const trials = 600
			held := 0
			for range trials {
				a := air{cfg: &cfg, liner: new(liner), wall: true}
				x := random.NormFloat64()
				for day := range 40 {
					x = c.r*x + math.Sqrt(1-c.r*c.r)*random.NormFloat64()
					push(a.state.Days[:], &a.state.DayN, Point{float64(day) * 86400, cfg.Full * (1 - 0.003*float64(day) + 0.003*x)})
				}
				a.judge()
				// The allowance for the season is not what is looked at here.
				if math.Abs(a.result.Rate-0.003) <= a.result.Band-0.003/39 {
					held++
				}
			}
			if part := float64(held) / trials; part < c.least {
				t.Errorf("%.0f %% of the bands hold the truth", 100*part)
			}
		})
	}
}

// The series of the air goes down by what is lost, charge after charge, and
// is under nothing after a year: what is lost a day is known all the same.
func TestAirIsKnownAfterAYear(t *testing.T) {
	cfg := config().withDefaults()
	a := air{cfg: &cfg, liner: new(liner), wall: true}
	for day := range 400 {
		push(a.state.Days[:], &a.state.DayN, Point{float64(day) * 86400, cfg.Full * (1 - 0.003*float64(day))})
	}
	a.judge()
	if !a.result.Known {
		t.Fatal("not known")
	}
	near(t, "part lost a day", a.result.Rate, 0.003, 1e-6)
}

// Strokes that were not seen in some windows are no leak, however large they
// make these windows: the window between shows none.
func TestUnseenStrokesAreNoLeak(t *testing.T) {
	cfg := config().withDefaults()
	window := func(at, seconds, down, err float64) Window {
		return Window{At: at, Seconds: seconds, Down: down, Error: err}
	}
	loud := func(windows ...Window) Decline {
		o := oil{cfg: &cfg, liner: new(liner)}
		for _, w := range windows {
			push(o.state.Windows[:], &o.state.Count, w)
			o.judge(w.At)
		}
		return o.recent
	}
	// As a simulated unit with 5.5 L of noise from scan to scan has shown them.
	quiet := loud(window(0, 4*3600, 1e-7, 4e-8), window(2640, 2640, 4.29e-6, 8.2e-7), window(6000, 2640, 3.8e-7, 6.8e-7),
		window(9600, 3120, 5.32e-6, 6.9e-7))
	if quiet.Known && quiet.Rate > cfg.OilLimit {
		t.Errorf("a leak of %v m³/s", quiet.Rate)
	}
	leaks := loud(window(2640, 2640, 4.29e-6, 8.2e-7), window(6000, 2640, 4.6e-6, 6.8e-7), window(9600, 3120, 5.32e-6, 6.9e-7))
	if !leaks.Known || leaks.Rate < 4e-6 {
		t.Errorf("no leak: %+v", leaks)
	}
}
