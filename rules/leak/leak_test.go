package leak

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// tub is a unit of the test's own: 2 m³ of tank, a surface of 1 m², 1 m³ of
// oil at 9 bar absolute, strokes of 5 L in 10 s, isothermal air.
type tub struct {
	tb     testing.TB
	w      *Watch
	s      Scan
	oil    float64 // m³, true
	settle float64 // J, pV
	noise  bool
	random *rand.Rand
	draws  []Draw
	losses []Loss
}

func config() Config {
	return Config{Tank: 2, Full: 9e5, Most: 9.9e5, Stroke: 5e-3, Flow: 5e-4, Settling: 300, LevelBand: 0.01, Band: 5e3,
		Points: [4]float64{0.95, 1.0, 7.6e5, 8.0e5}}
}

func newTub(tb testing.TB) *tub {
	t := &tub{tb: tb, w: New(config()), oil: 1, settle: 9e5, noise: true, random: rand.New(rand.NewPCG(1, 2))}
	t.s = Scan{Time: time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC), Seconds: 1, Read: true, Warmth: 1, Atmosphere: 1e5, Theta: 1, Follows: true}
	return t
}

// pass lets n scans of a second go by, each of which takes oil off.
func (t *tub) pass(n int, oil float64) {
	for range n {
		t.oil -= oil
		t.s.Level = t.oil
		p := t.settle / (2 - t.oil)
		if t.noise {
			t.s.Level += 0.003 * t.random.NormFloat64()
			p += 2e3 * t.random.NormFloat64()
		}
		t.s.Oil, t.s.Gas, t.s.Pressure, t.s.Gauge = t.s.Level, 2-t.s.Level, p, p-1e5
		t.s.Settled = p * t.s.Gas
		f := t.w.Step(&t.s)
		if f.Draw != nil {
			t.draws = append(t.draws, *f.Draw)
		}
		if f.Loss != nil {
			t.losses = append(t.losses, *f.Loss)
		}
		t.s.Time = t.s.Time.Add(time.Second)
	}
}

func (t *tub) fill(n int, oil float64) {
	t.s.Pumps = true
	t.pass(n, -oil/float64(n))
	t.s.Pumps = false
	t.pass(120, 0)
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s is %g, want %g ± %g", what, got, want, within)
	}
}

func TestDrawIsMeasured(t *testing.T) {
	for _, c := range []struct {
		name    string
		litres  float64
		seconds int
	}{{"one stroke", 5, 10}, {"a shutdown", 40, 90}, {"a large one", 120, 60}} {
		t.Run(c.name, func(t *testing.T) {
			b := newTub(t)
			b.pass(600, 0)
			before := b.settle / (2 - b.oil)
			start := b.s.Time
			b.pass(c.seconds, c.litres*1e-3/float64(c.seconds))
			b.pass(300, 0)
			if len(b.draws) != 1 {
				t.Fatalf("%d draws", len(b.draws))
			}
			d := b.draws[0]
			near(t, "oil", d.Oil*1e3, c.litres, 1+0.02*c.litres)
			near(t, "pressure before", d.PressureBefore, before, 1500)
			near(t, "pressure after", d.PressureAfter, b.settle/(2-b.oil), 1500)
			near(t, "start", d.Start.Sub(start).Seconds(), 0, 12)
			near(t, "duration", d.Seconds, float64(c.seconds), 20)
			if d.Cut {
				t.Error("cut")
			}
		})
	}
}

func TestWhatIsNoDraw(t *testing.T) {
	t.Run("a quiet day", func(t *testing.T) {
		b := newTub(t)
		b.pass(86400, 0)
		if len(b.draws) > 0 || len(b.losses) > 0 {
			t.Errorf("%d draws, %d losses of nothing", len(b.draws), len(b.losses))
		}
	})
	t.Run("a leak", func(t *testing.T) {
		b := newTub(t)
		b.pass(3*3600, 10e-3/3600)
		if len(b.draws) > 0 {
			t.Errorf("%d draws", len(b.draws))
		}
	})
	t.Run("air that escapes", func(t *testing.T) {
		b := newTub(t)
		b.pass(600, 0)
		for range 20 {
			b.settle *= 0.998
			b.pass(1, 0)
		}
		b.pass(300, 0)
		if len(b.draws) > 0 || len(b.losses) != 1 {
			t.Fatalf("%d draws, losses %+v", len(b.draws), b.losses)
		}
		near(t, "part lost", b.losses[0].Part, 1-math.Pow(0.998, 20), 0.01)
		near(t, "from a pressure of", b.losses[0].Gauge, 8e5, 6e3)
	})
	t.Run("a pump that starts in it cuts it", func(t *testing.T) {
		b := newTub(t)
		b.pass(600, 0)
		b.pass(60, 40e-3/60)
		b.fill(100, 40e-3)
		if len(b.draws) != 1 || !b.draws[0].Cut {
			t.Fatalf("%+v", b.draws)
		}
		near(t, "oil", b.draws[0].Oil*1e3, 40, 3)
	})
}

func TestIdleDeclineIsLearned(t *testing.T) {
	b := newTub(t)
	const leak = 1e-3 / 3600 // 1 L/h
	for range 4 {
		b.pass(3*3600, leak)
		b.pass(10, 5e-4) // a stroke between the windows
		b.fill(60, 8e-3)
	}
	d := b.w.out.Oil
	if !d.Known {
		t.Fatalf("not known after %v s", d.Seconds)
	}
	near(t, "decline, L/h", d.Rate*3.6e6, 1, 0.15)
	if off := math.Abs(d.Rate - leak); off > d.Band || d.Band*3.6e6 > 0.5 {
		t.Errorf("off by %g with a band of %g m³/s", off, d.Band)
	}
}

func TestLargeLeakShowsSoon(t *testing.T) {
	b := newTub(t)
	b.pass(4*3600, 0)
	hours := 0
	for ; hours < 12; hours++ {
		b.pass(3600, 20e-3/3600)
		if d := b.w.out.OilRecent; d.Known && d.Rate-d.Band > b.w.cfg.OilLimit {
			break
		}
	}
	if hours > 5 {
		t.Errorf("20 L/h not found in %d hours: %+v", hours, b.w.out.OilRecent)
	}
}

// Charges are taken off, and so is the air that fresh oil takes up.
func TestAirDeclineWithoutChargesAndSolution(t *testing.T) {
	b := newTub(t)
	b.s.Wall = wallKelvin
	const lost = 0.03 / day
	for hour := range 5 * 24 {
		for range 360 {
			b.settle -= float64(9e5 * lost * 10)
			b.pass(10, 0)
		}
		if hour%24 == 12 {
			b.s.Compressors = true
			for range 300 {
				b.settle += 90
				b.pass(1, 0)
			}
			b.s.Compressors = false
		}
	}
	d := b.w.out.Air
	if !d.Known {
		t.Fatal("not known after five days")
	}
	near(t, "decline a day", d.Rate, 0.03, 0.002)
	if math.Abs(d.Rate-0.03) > d.Band {
		t.Errorf("band %g", d.Band)
	}

	offset := b.w.air.state.Offset
	b.fill(200, 0.1)
	// 0.1 m³ of oil takes up 9 % of its volume a bar, at 8 bar gauge and more.
	near(t, "air in solution, J", b.w.air.state.Offset-offset, 0.09*0.1*8.5e5, 600)
}

func TestReliefNeedsTwoLosses(t *testing.T) {
	b := newTub(t)
	b.pass(600, 0)
	for n := range 2 {
		for range 20 {
			b.settle *= 0.998
			b.pass(1, 0)
		}
		b.pass(300, 0)
		if b.w.out.Lifting != (n == 1) {
			t.Errorf("lifting %v after %d losses", b.w.out.Lifting, n+1)
		}
	}
}

func TestStuckInstruments(t *testing.T) {
	for _, c := range []struct {
		name            string
		level, pressure bool
	}{{"sound", false, false}, {"level", true, false}, {"pressure", false, true}} {
		t.Run(c.name, func(t *testing.T) {
			b := newTub(t)
			b.pass(300, 0)
			held := b.s
			b.s.Pumps = true
			for range 200 {
				b.oil += 0.05 / 200
				level, p := b.oil, b.settle/(2-b.oil)
				if c.level {
					level = held.Level
				}
				if c.pressure {
					p = held.Pressure
				}
				b.s.Level, b.s.Oil, b.s.Gas, b.s.Pressure = level, level, 2-level, p
				b.w.Step(&b.s)
			}
			b.s.Pumps = false
			for range 60 {
				b.w.Step(&b.s)
			}
			if s := b.w.out.Stuck; s.Level != c.level || s.Pressure != c.pressure {
				t.Errorf("%+v", s)
			}
		})
	}
}

func TestSwitchingPointMoves(t *testing.T) {
	var p Witnessed
	add := func(values ...float64) bool {
		for _, v := range values {
			p.add(v, 1.0, 0.02)
		}
		return p.Moved
	}
	if add(1.005, 0.995, 1.0, 1.01, 1.0) {
		t.Error("moved while it scatters")
	}
	if add(1.05) {
		t.Error("moved by one action")
	}
	if !add(1.05) || math.Abs(p.Usual(1)-1.0) > 1e-9 || math.Abs(p.Now()-1.05) > 1e-9 {
		t.Errorf("not moved by two: %+v", p)
	}
	if add(1.0, 1.0) {
		t.Error("still moved after it is back")
	}
	if add(1.05, 0.95) {
		t.Error("moved by one to either side")
	}
}

func TestRestoredWatchGoesOn(t *testing.T) {
	b := newTub(t)
	for range 3 {
		b.pass(3*3600, 5e-3/3600)
		b.fill(60, 15e-3)
	}
	text, err := json.Marshal(b.w.State())
	if err != nil {
		t.Fatal(err)
	}
	var s State
	if err := json.Unmarshal(text, &s); err != nil {
		t.Fatal(err)
	}
	w := New(config())
	w.Restore(s, 60)
	b.w.Step(&b.s)
	f := w.Step(&b.s)
	if f.Oil.Rate != b.w.out.Oil.Rate || math.Abs(f.Oil.Band/b.w.out.Oil.Band-1) > 0.05 || f.OilRecent.Rate != b.w.out.OilRecent.Rate || f.Points != b.w.out.Points {
		t.Errorf("restored %+v\nwas      %+v", *f, b.w.out)
	}
	s.Oil.Count, s.Air.HourN, s.Losses.Count, s.Inventory.Count = -1, 1000, 1000, 1000
	w.Restore(s, math.NaN()) // what cannot be does not break it
	w.Step(&b.s)
}

func TestStepDoesNotAllocate(t *testing.T) {
	b := newTub(t)
	b.pass(3600, 0)
	if n := testing.AllocsPerRun(2000, func() { b.w.Step(&b.s) }); n > 0 {
		t.Errorf("%v allocations a step", n)
	}
}

func BenchmarkStep(b *testing.B) {
	u := newTub(b)
	u.pass(3600, 0)
	b.ReportAllocs()
	for b.Loop() {
		u.s.Level += 1e-9
		u.w.Step(&u.s)
	}
}

// Five bins that lie on a line by chance are as uncertain as the noise from
// scan to scan makes them: a level of 3 mm noise over 2 m².
func TestFewBinsOnALineByChance(t *testing.T) {
	const sigma, scans = 6e-3, 12
	o := oil{cfg: &Config{}, liner: &liner{}, scans: scans, filled: 5}
	for i := range 400 {
		o.white.add(sigma * 2 / math.Sqrt(math.Pi) * float64(i%2)) // differences as of normal noise
	}
	for i := range o.filled {
		o.points[i] = Point{At: 120 * float64(i), Value: 1 - 1e-3*float64(i)}
	}
	slope, err := o.line()
	// Least squares through evenly spaced points: sigma/sqrt(scans) over the
	// root of the sum of squared distances from the middle.
	least := sigma / math.Sqrt(scans) / (120 * math.Sqrt(10))
	if math.Abs(slope+1e-3/120) > 1e-12 || err < least || err > 1.5*least {
		t.Errorf("slope %v ± %v, at least ± %v", slope, err, least)
	}
}
