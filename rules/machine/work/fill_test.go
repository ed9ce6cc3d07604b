package work

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"strokebank/rules/machine"
	"strokebank/sensors/signal"
)

var began = time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC)

// raise is one fill of a tank with a surface of 1.767 m²: level noise of 3 mm,
// a scan a second, a flow in L/min. other adds what else moves the oil, m³.
func raise(m *FillMeter, millimetres, flow float64, seed uint64, other func(second float64) (oil float64, in FillIn)) Fill {
	const area = 1.767
	random := rand.New(rand.NewPCG(seed, 1))
	q := flow * 1e-3 / 60
	seconds := int(millimetres * 1e-3 * area / q)
	for s := range seconds {
		extra, in := 0.0, FillIn{}
		if other != nil {
			extra, in = other(float64(s))
		}
		in.Elapsed = time.Duration(s) * time.Second
		v := 2 + q*float64(s) + extra + area*0.003*random.NormFloat64()
		if in.Oil.Reason == signal.NeverRead {
			in.Oil = signal.Measured(v, signal.CubicMetre, began)
		}
		in.Pressure = signal.Measured(8e5, signal.Pascal, began)
		m.Step(&in)
	}
	r := machine.Run{Position: "pump1", Start: began, End: began.Add(time.Duration(seconds) * time.Second),
		Seconds: float64(seconds), Lead: true, StartSeen: true}
	return m.Finish(&r, 0, q)
}

// The uncertainty of a fill at 15 L/min with noise of 3 mm at 1 Hz follows from
// least squares, σ sqrt(12/n) over the rise: 0.4 % for 100 mm, 4 % for 20 mm in
// a tank of 1.5 m; and the spread of many fills is that.
func TestUncertaintyOfAFill(t *testing.T) {
	for _, c := range []struct{ millimetres, want float64 }{{100, 0.004}, {20, 0.044}} {
		m := NewFillMeter(8e5, 1.767)
		sum, n := 0.0, 0.0
		for seed := range uint64(200) {
			f := raise(&m, c.millimetres, 15, seed, nil)
			if !f.Flow.Known() {
				continue // a step seemed to be in it
			}
			off := float64(f.Flow)/(15e-3/60) - 1
			sum, n = sum+off*off, n+1
			if f.Counts != (f.Uncertainty <= MostUncertainty) || f.Quality != signal.Good || f.Place != Lead {
				t.Fatalf("%v mm: %+v", c.millimetres, f)
			}
		}
		spread := sum / n
		near(t, "fills with a flow", n, 200, 20)
		near(t, "spread over the expected one", spread/(c.want*c.want), 1, 0.6)
	}
}

func TestWhatDoesNotCount(t *testing.T) {
	quiet := func(second float64) (float64, FillIn) { return 0, FillIn{} }
	for _, c := range []struct {
		name  string
		rise  float64
		other func(float64) (float64, FillIn)
		count bool
	}{
		{"an undisturbed one counts", 100, quiet, true},
		{"a short one", 20, quiet, false},
		{"a draw in the middle of a short one", 50, func(s float64) (float64, FillIn) { // 12 L in 12 s
			return -12e-3 * min(max(s-170, 0), 12) / 12, FillIn{}
		}, false},
		{"the other pump in the middle", 30, func(s float64) (float64, FillIn) {
			return 0, FillIn{Disturbed: s > 60 && s < 150}
		}, false},
		{"a reading not good", 100, func(s float64) (float64, FillIn) {
			in := FillIn{}
			if s == 300 {
				in.Oil = signal.Measured(2.1, signal.CubicMetre, began).Degrade(signal.Uncertain, signal.AboveRange)
			}
			return 0, in
		}, false},
		{"bad readings from beginning to end", 100, func(s float64) (float64, FillIn) {
			return 0, FillIn{Oil: signal.Missing(signal.CubicMetre, signal.LinkLost, began)}
		}, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := NewFillMeter(8e5, 1.767)
			f := raise(&m, c.rise, 15, 3, c.other)
			if f.Counts != c.count || (f.Reason == "") != c.count {
				t.Errorf("counts %v (%s): %+v", f.Counts, f.Reason, f)
			}
			if m.Open() {
				t.Error("the meter still measures")
			}
		})
	}
}

// A draw that nobody announced is cut off: one under way at the start, as the
// one that calls the pump, one that begins near the end, one in the middle.
func TestDrawIsCutOff(t *testing.T) {
	for name, begin := range map[string]float64{"start": -5, "middle": 350, "end": 660} {
		t.Run(name, func(t *testing.T) {
			sum := 0.0
			for seed := range uint64(20) {
				m := NewFillMeter(8e5, 1.767)
				f := raise(&m, 100, 15, seed, func(s float64) (float64, FillIn) {
					return -12e-3 * min(max(s-begin, 0), 12) / 12, FillIn{}
				})
				if !f.Counts && f.Uncertainty <= MostUncertainty {
					t.Fatalf("%+v", f)
				}
				near(t, "flow, L/min", float64(f.Flow)*6e4, 15, 15*0.08)
				sum += float64(f.Flow) * 6e4 / 20
			}
			near(t, "mean flow, L/min", sum, 15, 15*0.01)
		})
	}
}

// A level that stands still while the pressure rises as by a fill says nothing
// about the pump; with a compressor running, the pressure says nothing either.
func TestStuckLevelIsNoDeadPump(t *testing.T) {
	const due = 15e-3 / 60
	for _, c := range []struct {
		name           string
		rise           float64 // of the pressure, part of what the fill makes
		charging, dead bool
	}{
		{"rises as by a fill", 1, false, false}, {"hardly rises", 0.2, false, true}, {"a compressor runs", 1, true, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			o, err := NewOutput(due, due)
			if err != nil {
				t.Fatal(err)
			}
			m := NewFillMeter(8e5, 1.767)
			for s := range 400 {
				p := 9e5 * math.Pow(1-c.rise*due*float64(s)/2, -1.2) // 2 m³ of gas
				m.Step(&FillIn{Elapsed: time.Duration(s) * time.Second, Oil: signal.Measured(2, signal.CubicMetre, began),
					Pressure: signal.Measured(p-1e5, signal.Pascal, began), Absolute: p, Gas: 2, Charging: c.charging})
				if flow, sigma, known := m.Live(); known && !m.Belied(o.Due()) {
					o.Watch(flow, sigma)
				}
			}
			f := m.Finish(&machine.Run{Start: began, End: began.Add(400 * time.Second), Seconds: 400, Lead: true}, 0, due)
			if dead := o.Verdict("pump1").Nothing; dead != c.dead || f.Counts != c.dead {
				t.Errorf("delivers nothing %v, the fill counts %v (%s)", dead, f.Counts, f.Reason)
			}
		})
	}
}

func TestPumpThatRaisesNothing(t *testing.T) {
	o, err := NewOutput(15e-3/60, 0)
	if err != nil {
		t.Fatal(err)
	}
	m := NewFillMeter(8e5, 1.767)
	random := rand.New(rand.NewPCG(1, 1))
	found := 0
	for s := range 400 {
		m.Step(&FillIn{Elapsed: time.Duration(s) * time.Second, Pressure: signal.Measured(8e5, signal.Pascal, began),
			Oil: signal.Measured(2+1.767*0.003*random.NormFloat64(), signal.CubicMetre, began)})
		if flow, sigma, known := m.Live(); known && o.Watch(flow, sigma) {
			found = s
		}
	}
	if !o.Verdict("pump1").Nothing || found < 120 || found > 240 {
		t.Errorf("found after %d s: %+v", found, o.Verdict("pump1"))
	}
}

// Of a pump that rests on the wrong side of an average, a good run or two make
// no alarm and no all-clear.
func TestOutputAgainstBaselineAndRating(t *testing.T) {
	o, err := NewOutput(10, 0)
	if err != nil {
		t.Fatal(err)
	}
	at := began
	take := func(flow float64, n int) Verdict {
		for range n {
			at = at.Add(12 * time.Hour)
			o.Take(at, true, flow, 0.01)
		}
		return o.Verdict("pump1")
	}
	if v := take(9.6, 4); v.Baseline.Known() || v.Low {
		t.Errorf("after four runs: %+v", v)
	}
	v := take(9.7, 1)
	near(t, "baseline", float64(v.Baseline), 9.6, 1e-12)
	if v = take(8.0, 1); v.Low {
		t.Error("one weak run was enough")
	}
	if v = take(8.0, 1); !v.Low {
		t.Error("two runs at 83 % of the baseline are not low")
	}
	if v = take(9.6, 1); !v.Low {
		t.Error("one good run was enough")
	}
	if v = take(9.6, 8); v.Low {
		t.Error("nine good runs and still low")
	}
	state := o.Save()
	again, _ := NewOutput(10, 0)
	again.Restore(state, "")
	if a, b := again.Verdict("pump1"), o.Verdict("pump1"); a.Baseline != b.Baseline || a.Last != b.Last || a.Trend.Fills != b.Trend.Fills {
		t.Errorf("restored %+v, was %+v", a, b)
	}
	another, _ := NewOutput(10, 0)
	state.Serial = "A"
	another.Restore(state, "B")
	if another.Verdict("pump1").Baseline.Known() {
		t.Error("another machine took the baseline over")
	}
	o.Rebaseline("A")
	if v := o.Verdict("pump1"); v.Baseline.Known() || v.Trend.Fills != 0 {
		t.Errorf("after a new baseline: %+v", v)
	}
}

func TestStepDoesNotAllocate(t *testing.T) {
	m := NewFillMeter(8e5, 1.767)
	in := FillIn{Oil: signal.Measured(2, signal.CubicMetre, began), Pressure: signal.Measured(8e5, signal.Pascal, began)}
	if n := testing.AllocsPerRun(2000, func() { in.Elapsed += time.Second; m.Step(&in) }); n != 0 {
		t.Errorf("%v allocations a step", n)
	}
}
