package rules_test

import (
	"encoding/json"
	"math"
	"slices"
	"testing"
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/rules/machine"
	"strokebank/rules/reserve"
	"strokebank/rules/tank"
	"strokebank/sensors/signal"
)

const (
	bar   = 1e5
	litre = 1e-3
)

var began = time.Date(2026, 11, 25, 3, 0, 0, 0, time.UTC)

// bench is a unit on the test's bench: the test sets readings and lets
// seconds pass.
type bench struct {
	tb     testing.TB
	cfg    rules.Config
	points []signal.Point
	unit   *rules.Unit
	scan   signal.Scan
	events []rules.Event
	last   *rules.Assessment
}

// invented is a unit of the tests' own: a vertical tank of 2 m³ of gas at full
// charge, four valves, everything wired that the rules look at.
func invented(tb testing.TB) rules.Config {
	tb.Helper()
	shape, err := tank.New(tank.Shape{Mounting: tank.Vertical, Diameter: 1.5, Length: 2.25, Bottom: tank.Ellipsoidal, Top: tank.Ellipsoidal})
	if err != nil {
		tb.Fatal(err)
	}
	pair := func(kind machine.Kind, in, out, far float64, names ...string) machine.PairConfig {
		p := machine.PairConfig{Kind: kind, CutIn: in, CutOut: out, NoAnswer: far, Answer: 5 * time.Second, Turns: 1}
		for i, n := range names {
			p.Machines[i] = machine.Config{Position: n, Tag: n, Kind: kind, Rating: 20 * litre / 60}
		}
		return p
	}
	var strokes []reserve.Stroke
	for _, tag := range []string{"XV-1", "XV-2", "XV-3", "XV-4"} {
		strokes = append(strokes, reserve.Stroke{Valve: tag, Closing: true, Oil: 19 * litre, Duration: 12, Dwell: 3},
			reserve.Stroke{Valve: tag, Oil: 15 * litre, Duration: 12, Dwell: 3})
	}
	return rules.Config{
		Site: "quillen-reach", Unit: "AU-7", ScanPeriod: time.Second,
		Tank: shape, Atmosphere: 101325, PressureTap: -1, OilDensity: 870,
		Reserve: reserve.Config{
			Tank: shape, Cycle: reserve.DefaultCycle(strokes...), EndsWithClosing: true, Required: 3,
			MinPressure: 5 * bar, UnusableOil: 350 * litre, SetPressure: 8.3 * bar, SetLevel: 1.5,
			HeatExchange: 120, HeatExchangeUpper: 200, PressureBand: 0.04 * bar, LevelBand: 0.005,
			LowestWall: 283.15, UsualWall: 293.15, MaxLeak: 2 * litre / 3600,
			PumpFlow: [2]float64{20 * litre / 60, 20 * litre / 60}, CompressorAir: [2]float64{250 * litre / 60, 250 * litre / 60},
		},
		Pumps:       pair(machine.Pump, 1.44, 1.5, 1.35, "pump1", "pump2"),
		Compressors: pair(machine.Compressor, 7.9*bar, 8.3*bar, 7.5*bar, "compressor1", "compressor2"),
		LowLevel:    1.2, LowPressure: 7 * bar,
	}
}

// signals is what the tests' unit has wired.
func signals() []signal.Point {
	points := []signal.Point{{ID: signal.Pressure, Unit: signal.Pascal}, {ID: signal.Level, Unit: signal.Metre}}
	for _, m := range []string{"pump1", "pump2", "compressor1", "compressor2"} {
		for _, s := range []string{signal.Running, signal.Called, signal.Overload, signal.Automatic} {
			points = append(points, signal.Point{ID: signal.Of(m, s), Unit: signal.Boolean})
		}
	}
	return append(points, signal.Point{ID: signal.Mains, Unit: signal.Boolean}, signal.Point{ID: signal.OfLink("panel"), Unit: signal.Boolean})
}

// newBench is a settled, full unit in automatic with mains present.
func newBench(tb testing.TB) *bench {
	tb.Helper()
	b := &bench{tb: tb, cfg: invented(tb), points: signals()}
	b.scan = signal.Scan{Time: began, ClockTrusted: true, Readings: make([]signal.Reading, len(b.points))}
	for _, p := range b.points {
		b.set(p.ID, 0)
	}
	b.set(signal.Pressure, 8.3*bar)
	b.set(signal.Level, 1.5)
	b.set(signal.Mains, 1)
	b.set(signal.OfLink("panel"), 1)
	for _, m := range []string{"pump1", "pump2", "compressor1", "compressor2"} {
		b.set(signal.Of(m, signal.Automatic), 1)
	}
	b.restart(nil, nil)
	return b
}

// restart makes the unit anew from what was saved.
func (b *bench) restart(state, beat []byte) {
	b.tb.Helper()
	unit, err := rules.New(b.cfg, b.points, state, beat)
	if err != nil {
		b.tb.Fatal(err)
	}
	b.unit = unit
}

func (b *bench) place(id signal.ID) int {
	b.tb.Helper()
	i := slices.IndexFunc(b.points, func(p signal.Point) bool { return p.ID == id })
	if i < 0 {
		b.tb.Fatalf("no point %s", id)
	}
	return i
}

func (b *bench) set(id signal.ID, v float64) {
	b.tb.Helper()
	i := b.place(id)
	b.scan.Readings[i] = signal.Measured(v, b.points[i].Unit, b.scan.Time)
}

func (b *bench) fail(id signal.ID, why signal.Reason) {
	b.tb.Helper()
	i := b.place(id)
	b.scan.Readings[i] = signal.Missing(b.points[i].Unit, why, b.scan.Time)
}

// pass lets n scans go by, one a second.
func (b *bench) pass(n int) *rules.Assessment {
	b.tb.Helper()
	for range n {
		b.scan.Number++
		a := b.unit.Step(b.scan)
		b.events = append(b.events, a.Events...)
		b.last = a
		b.scan.Time = b.scan.Time.Add(time.Second)
		b.scan.Elapsed += time.Second
		for i := range b.scan.Readings {
			b.scan.Readings[i].Time = b.scan.Time
		}
	}
	return b.last
}

// state is where an alarm stands.
func (b *bench) state(name, source string) alarm.State {
	b.tb.Helper()
	for _, s := range b.last.Alarms {
		if s.Name == name && s.Source == source {
			return s.State
		}
	}
	b.tb.Fatalf("there is no alarm %s of %s", name, source)
	return ""
}

// changes counts the events of an alarm that led to a state.
func (b *bench) changes(name string, to alarm.State) (n int) {
	for _, e := range b.events {
		if e.Kind == rules.AlarmEvent && e.Name == name && e.To == string(to) {
			n++
		}
	}
	return n
}

func TestFullUnitIsQuiet(t *testing.T) {
	b := newBench(t)
	a := b.pass(120)
	if !a.Reserve.Known || a.Reserve.AtLeast < 3 || a.Quality != signal.Good {
		t.Fatalf("reserve %+v", a.Reserve)
	}
	if a.Reserve.AtLeast > signal.Number(math.Floor(float64(a.Reserve.Expected))) {
		t.Errorf("at least %v is over expected %v", a.Reserve.AtLeast, a.Reserve.Expected)
	}
	for _, s := range a.Alarms {
		if s.State != alarm.Normal {
			t.Errorf("%s of %s is %s (%s)", s.Name, s.Source, s.State, s.Reason)
		}
	}
	if len(b.events) != 0 {
		t.Errorf("events of a quiet unit: %+v", b.events)
	}
	if a.LastKnown != nil {
		t.Error("the last known reserve is shown although the present one is known")
	}
	if got := float64(a.OilVolume.Value + a.GasVolume.Value); math.Abs(got-float64(a.TankVolume)) > 1e-9 {
		t.Errorf("oil and gas make %v of %v m³", got, a.TankVolume)
	}
}

func TestAlarmsOfTheUnit(t *testing.T) {
	for _, c := range []struct {
		name   string
		alarm  string
		source string
		cause  func(*bench)
		cure   func(*bench)
	}{
		{"low pressure", alarm.LowPressure, "unit",
			func(b *bench) { b.set(signal.Pressure, 6.9*bar) }, func(b *bench) { b.set(signal.Pressure, 8.3*bar) }},
		{"low level", alarm.LowLevel, "unit",
			func(b *bench) { b.set(signal.Level, 1.1) }, func(b *bench) { b.set(signal.Level, 1.5) }},
		{"reserve under the required cycles", alarm.LowReserve, "unit",
			func(b *bench) { b.set(signal.Pressure, 6.8*bar) }, func(b *bench) { b.set(signal.Pressure, 8.3*bar) }},
		{"reserve under one cycle", alarm.ReserveLost, "unit",
			func(b *bench) { b.set(signal.Pressure, 5.05*bar) }, func(b *bench) { b.set(signal.Pressure, 8.3*bar) }},
		{"reserve unknown", alarm.ReserveUnknown, "unit",
			func(b *bench) { b.fail(signal.Level, signal.FailureLow) }, func(b *bench) { b.set(signal.Level, 1.5) }},
		{"mains lost", alarm.MainsLost, "unit",
			func(b *bench) { b.set(signal.Mains, 0) }, func(b *bench) { b.set(signal.Mains, 1) }},
		{"link lost", alarm.LinkLost, "link.panel",
			func(b *bench) { b.set(signal.OfLink("panel"), 0) }, func(b *bench) { b.set(signal.OfLink("panel"), 1) }},
		{"transmitter failed", alarm.TransmitterFailed, "pressure",
			func(b *bench) { b.fail(signal.Pressure, signal.FailureHigh) }, func(b *bench) { b.set(signal.Pressure, 8.3*bar) }},
		{"overload", alarm.Overload, "pump2",
			func(b *bench) { b.set("pump2.overload", 1) }, func(b *bench) { b.set("pump2.overload", 0) }},
		{"selector", alarm.NotInAutomatic, "compressor1",
			func(b *bench) { b.set("compressor1.automatic", 0) }, func(b *bench) { b.set("compressor1.automatic", 1) }},
		{"called but not running", alarm.FailedToStart, "pump1",
			func(b *bench) { b.set("pump1.called", 1) },
			func(b *bench) { b.set("pump1.running", 1) }},
		{"nobody pumps", alarm.PairNoAnswer, "pumps",
			func(b *bench) { b.set(signal.Level, 1.3) }, func(b *bench) { b.set("pump1.running", 1) }},
		{"nobody compresses", alarm.PairNoAnswer, "compressors",
			func(b *bench) { b.set(signal.Pressure, 7.4*bar) }, func(b *bench) { b.set(signal.Pressure, 8.3*bar) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			d, ok := alarm.Find(c.alarm)
			if !ok {
				t.Fatal("not in the catalogue")
			}
			b := newBench(t)
			b.pass(5)
			c.cause(b)
			b.pass(1)
			if d.OnDelay > time.Second && b.state(c.alarm, c.source).Active() {
				t.Errorf("raised at once; its delay is %v", d.OnDelay)
			}
			b.pass(int((d.OnDelay + b.cfg.Pumps.Answer).Seconds()) + 2)
			if got := b.state(c.alarm, c.source); got != alarm.Unacknowledged {
				t.Fatalf("after its delay of %v it is %s", d.OnDelay, got)
			}
			c.cure(b)
			b.pass(int(d.OffDelay.Seconds()) + 3)
			want := alarm.Normal
			if d.Acknowledge {
				want = alarm.Returned
			}
			if got := b.state(c.alarm, c.source); got != want {
				t.Errorf("after the cure and %v it is %s, want %s", d.OffDelay, got, want)
			}
			if raised := b.changes(c.alarm, alarm.Unacknowledged); raised != 1 {
				t.Errorf("raised %d times", raised)
			}
		})
	}
}

func TestBadInputGivesUnknownNotZero(t *testing.T) {
	for _, c := range []struct {
		name  string
		spoil func(*bench)
	}{
		{"pressure lost", func(b *bench) { b.fail(signal.Pressure, signal.FailureLow) }},
		{"level lost", func(b *bench) { b.fail(signal.Level, signal.NoAnswer) }},
		{"link lost", func(b *bench) { b.fail(signal.Level, signal.LinkLost); b.fail(signal.Pressure, signal.LinkLost) }},
		{"level above the tank", func(b *bench) { b.set(signal.Level, 3.2) }},
		{"level below the tank", func(b *bench) { b.set(signal.Level, -0.2) }},
		{"pressure under vacuum", func(b *bench) { b.set(signal.Pressure, -1.2*bar) }},
		{"level not a number", func(b *bench) { b.set(signal.Level, math.NaN()) }},
		{"pressure infinite", func(b *bench) { b.set(signal.Pressure, math.Inf(1)) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBench(t)
			before := b.pass(5).Clone()
			c.spoil(b)
			a := b.pass(40)
			if a.Reserve.Known || a.Reserve.Reason == "" || a.Quality != signal.Bad {
				t.Fatalf("reserve %+v", a.Reserve)
			}
			for name, n := range map[string]signal.Number{"at least": a.Reserve.AtLeast, "expected": a.Reserve.Expected, "usable": a.Reserve.UsableOil, "hold": a.Reserve.HoldTime} {
				if n.Known() {
					t.Errorf("%s is %v, want unknown", name, n)
				}
			}
			k := a.LastKnown
			if k == nil || k.AtLeast != before.Reserve.AtLeast || k.Age != 40 || !k.Time.Equal(before.Time) {
				t.Errorf("last known %+v; want %v cycles of %v, 40 s old", k, before.Reserve.AtLeast, before.Time)
			}
			if got := b.state(alarm.LowReserve, "unit"); got != alarm.NotKnown {
				t.Errorf("low reserve is %s while the reserve is unknown", got)
			}
			text, err := json.Marshal(a)
			if err != nil {
				t.Fatal(err)
			}
			var out struct {
				Reserve struct {
					AtLeast *float64 `json:"at_least_cycles"`
					Reason  string
				}
				LastKnown *struct {
					AtLeast *float64 `json:"at_least_cycles"`
					Age     float64  `json:"age_seconds"`
				} `json:"last_known_reserve"`
			}
			if err := json.Unmarshal(text, &out); err != nil {
				t.Fatal(err)
			}
			if out.Reserve.AtLeast != nil || out.Reserve.Reason == "" || out.LastKnown == nil || out.LastKnown.Age != 40 {
				t.Errorf("outside it reads %+v", out)
			}
		})
	}
}

func TestUncertainInputMakesTheBoundLower(t *testing.T) {
	b := newBench(t)
	good := b.pass(3).Clone()
	i := b.place(signal.Pressure)
	b.scan.Readings[i] = b.scan.Readings[i].Degrade(signal.Uncertain, signal.Late)
	a := b.pass(1)
	if !a.Reserve.Known || a.Quality != signal.Uncertain || a.Reserve.UsableAtLeast >= good.Reserve.UsableAtLeast {
		t.Errorf("uncertain: %+v\ngood: %+v", a.Reserve, good.Reserve)
	}
}

func TestOilAboveTheTransmitterIsSubtracted(t *testing.T) {
	b := newBench(t)
	b.cfg.PressureTap = 0.5
	b.restart(nil, nil)
	a := b.pass(1)
	// 870 kg/m³ over 1.0 m at standard gravity.
	want := 8.3*bar + 101325 - 870*9.80665
	if math.Abs(a.GasPressure.Value-want) > 1e-6 {
		t.Errorf("gas pressure %v, want %v", a.GasPressure.Value, want)
	}
	b.set(signal.Level, 0.4)
	if a = b.pass(1); a.GasPressure.Value != 8.3*bar+101325 {
		t.Errorf("with the oil below it: %v", a.GasPressure.Value)
	}
}
