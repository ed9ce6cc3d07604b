package simulator

import (
	"context"
	"math"
	"testing"
	"testing/synctest"
	"time"

	"strokebank/sensors/signal"
)

// names are the ids of all signals that a fully wired unit has.
func names(b Build) map[string]bool {
	ids := []signal.ID{signal.Pressure, signal.Level, signal.SumpLevel, signal.OilTemperature, signal.WallTemperature,
		signal.FilterDifferential, signal.Mains, signal.LowLevelSwitch, signal.LowPressureSwitch,
		signal.Of("pump1", signal.DischargePressure), signal.Of("pump2", signal.DischargePressure)}
	for _, m := range positions {
		for _, n := range []string{signal.Running, signal.Called, signal.Overload, signal.Automatic, signal.Hand,
			signal.StartCounter, signal.HourMeter, signal.MotorCurrent} {
			ids = append(ids, signal.Of(m, n))
		}
	}
	for _, v := range b.Valves {
		ids = append(ids, signal.OfValve(v.Tag, signal.Open), signal.OfValve(v.Tag, signal.Closed))
	}
	out := map[string]bool{}
	for _, id := range ids {
		out[string(id)] = true
	}
	return out
}

func TestRegisterMapsNameSignalsAndDoNotOverlap(t *testing.T) {
	for _, tt := range []struct {
		build Build
		all   bool
	}{{QuillenReach(), true}, {DunmorrowFlats(), false}} {
		known := names(tt.build)
		taken := map[[3]int]string{}
		for _, r := range tt.build.Registers {
			if !known[r.Name] {
				t.Errorf("%s: %q is no signal, or stands twice", tt.build.Unit, r.Name)
			}
			delete(known, r.Name)
			width := 1
			if r.Format == "uint32" || r.Format == "float32" {
				width = 2
			}
			for i := range width {
				at := [3]int{int(r.Table), int(r.Address) + i, int(r.Bit)}
				if taken[at] != "" {
					t.Errorf("%s: %s lies on %s", tt.build.Unit, r.Name, taken[at])
				}
				taken[at] = r.Name
			}
		}
		if tt.all && len(known) != 0 {
			t.Errorf("%s: not wired: %v", tt.build.Unit, known)
		}
		if !tt.all && len(tt.build.Registers) != 6 {
			t.Errorf("%s: %d registers, want the six required", tt.build.Unit, len(tt.build.Registers))
		}
	}
}

// valueOf is the measured value of a signal.
func valueOf(t *testing.T, p *Plant, name string) Sample {
	t.Helper()
	for i, r := range p.Registers() {
		if r.Name == name {
			return p.Measured(nil)[i]
		}
	}
	t.Fatalf("no register %q", name)
	return Sample{}
}

func TestTransmittersShowTheTruthWithinTheirNoise(t *testing.T) {
	for _, b := range []Build{QuillenReach(), DunmorrowFlats()} {
		p := quiet(t, b)
		var sum, square [2]float64
		const n = 2000
		for range n {
			p.Step(time.Second)
			x, m := p.Truth(), p.Measured(nil)
			for i, d := range [2]float64{m[0].Value - x.Gauge, m[1].Value + b.Instruments.LevelZero - x.Level} {
				sum[i] += d
				square[i] += d * d
			}
		}
		for i, noise := range [2]float64{0.02e5, 0.003} {
			near(t, b.Unit+" mean error over noise", sum[i]/n/noise, 0, 0.15)
			near(t, b.Unit+" deviation over noise", math.Sqrt(square[i]/n)/noise, 1, 0.1)
		}
	}
}

func TestLevelCellAndTap(t *testing.T) {
	b := QuillenReach()
	b.Instruments.LevelCell, b.Instruments.LevelLeg = true, -2000
	b.Instruments.Level = Instrument{Low: -5000, High: 20000}
	b.Instruments.Pressure.Noise, b.Instruments.Pressure.Error = 0, 1000
	b.Tank.PressureTap = 0.2
	b.Registers = quillenRegisters(b)
	b.Start.OilTemperature = 288.15
	p := quiet(t, b)
	x := p.Truth()
	// ρ g h by hand: the oil at 15 °C less the gas over it.
	gas := x.Air / x.GasVolume
	near(t, "cell, Pa", valueOf(t, p, "level").Value, (870-gas)*9.81*(x.Level-0.05)-2000, 8)
	near(t, "tap, Pa", valueOf(t, p, "pressure").Value, x.Gauge+870*9.81*(x.Level-0.2)+1000, 400)
}

func TestDriftIsSlow(t *testing.T) {
	b := QuillenReach()
	b.Instruments.Level.Noise = 0
	p := quiet(t, b)
	p.Set("level.drift", 1)
	pass(p, 3600)
	near(t, "after an hour, m", valueOf(t, p, "level").Value-(p.Truth().Level-0.05), 0.005*2.5, 1e-3)
}

func TestStatusBitsStandWhereTheMapSays(t *testing.T) {
	p := quiet(t, QuillenReach())
	p.Set("pump2.hand", 1)
	p.Set("compressor1.overload", 1)
	p.Step(time.Second)
	words := p.Image().Words[3]
	// Mains off (bit 0), no low switch, overload of the third machine (bit 6);
	// automatic but for the second machine, hand of the second (bit 5).
	if words[200] != 1<<6 || words[201] != 0b0010_1101 {
		t.Errorf("status words %016b %016b", words[200], words[201])
	}
}

func TestBrokenPumpHasNeitherPressureNorLoad(t *testing.T) {
	for _, weak := range []float64{0, 1} {
		b := QuillenReach()
		b.Start.Oil = newGeometry(b.Tank).volumeAt(1.1)
		p := built(t, b)
		p.Set("pump1.weak", weak)
		pass(p, 20)
		pressure, current := valueOf(t, p, "pump1.discharge_pressure").Value, valueOf(t, p, "pump1.motor_current").Value
		if sound := weak == 0; (pressure > p.Truth().Gauge) != sound || (current > 1.5) != sound || current < 0.3 {
			t.Errorf("weak %v: %.0f Pa, %.2f A", weak, pressure, current)
		}
		if rest := valueOf(t, p, "pump2.motor_current").Value; rest != 0 {
			t.Errorf("pump at rest draws %v A", rest)
		}
	}
}

func TestLoopCurrentsFollowNE43(t *testing.T) {
	for _, tt := range []struct {
		name    string
		value   float64 // of a span 0 to 16
		fault   transmitterFaults
		current float64
	}{
		{"zero", 0, transmitterFaults{}, 4},
		{"half", 8, transmitterFaults{}, 12},
		{"full", 16, transmitterFaults{}, 20},
		{"below", -3, transmitterFaults{}, 3.8},
		{"above", 30, transmitterFaults{}, 20.5},
		{"own failure", 8, transmitterFaults{low: 1}, 3.5},
		{"broken wire", 8, transmitterFaults{open: 1}, 0},
		{"short", 8, transmitterFaults{short: 1}, 22},
	} {
		x := transmitter{Instrument: Instrument{High: 16}, value: tt.value}
		x.drive()
		x.fail(&tt.fault)
		near(t, tt.name, x.current, tt.current, milliampStep/2)
	}
}

func TestWireRefusesWhatTheUnitHasNot(t *testing.T) {
	for name, r := range map[string]Register{
		"no such signal": {Name: "pump1.colour", Table: 2, Format: "bit"},
		"no such valve":  {Name: "valve.XV-9.open", Table: 2, Format: "bit"},
		"other span":     {Name: "pressure", Table: 4, Format: "uint16", Current: true, RawHigh: 1, High: 5},
	} {
		b := QuillenReach()
		b.Registers = append(b.Registers, r)
		if _, err := New(b, 1); err == nil {
			t.Errorf("%s: built", name)
		}
	}
}

func TestSpeed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := built(t, DunmorrowFlats())
		s, err := NewServer(nil, 30, p)
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second+50*time.Millisecond)
		defer cancel()
		s.live(ctx)
		if got := p.Truth().Elapsed; got != 600*time.Second {
			t.Errorf("20 s at speed 30 let %v pass", got)
		}
	})
}

func TestStepsAndReadsDoNotAllocate(t *testing.T) {
	b := QuillenReach()
	b.Routine = Routine{}
	p := built(t, b)
	dst := make([]Sample, 0, 64)
	if n := testing.AllocsPerRun(1000, func() {
		p.Step(time.Second)
		dst = p.Measured(dst[:0])
		p.Truth()
	}); n != 0 {
		t.Errorf("%v allocations a step", n)
	}
}

// BenchmarkLife lets plants live an hour each turn and reports plant seconds
// per second.
func BenchmarkLife(b *testing.B) {
	for _, bb := range []struct {
		name  string
		build Build
		dt    time.Duration
	}{
		{"unit=AU-7/dt=1s", QuillenReach(), time.Second},
		{"unit=AU-7/dt=10s", QuillenReach(), 10 * time.Second},
		{"unit=ACC-2/dt=1s", DunmorrowFlats(), time.Second},
	} {
		b.Run(bb.name, func(b *testing.B) {
			p := built(b, bb.build)
			dst := make([]Sample, 0, 64)
			b.ReportAllocs()
			for b.Loop() {
				for left := time.Hour; left > 0; left -= bb.dt {
					p.Step(bb.dt)
					dst = p.Measured(dst[:0])
				}
			}
			b.ReportMetric(p.Truth().Elapsed.Seconds()/b.Elapsed().Seconds(), "plant_s/s")
		})
	}
}

// BenchmarkDischarge is one shutdown of four strokes with its dwells.
func BenchmarkDischarge(b *testing.B) {
	build := QuillenReach()
	for b.Loop() {
		p := built(b, build)
		p.Set("mains_lost", 1)
		p.Shutdown()
		p.Step(70 * time.Second)
	}
}
