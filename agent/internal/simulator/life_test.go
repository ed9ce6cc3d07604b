package simulator

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

func TestWeatherSwingsByDayAndSeason(t *testing.T) {
	k := newSky(Weather{Mean: 285, Day: 8, Season: 15, Begin: time.Date(2026, 7, 15, 0, 0, 0, 0, time.UTC)}, nil)
	near(t, "July afternoon", k.at(15*3600), 285+8+15, 0.1)
	near(t, "July night", k.at(3*3600), 285-8+15, 0.1)
	near(t, "January afternoon", k.at(15*3600+184*day), 285+8-15, 0.2)
	wander := newSky(Weather{Mean: 285, Wander: 3}, rand.New(rand.NewPCG(1, 1)))
	square, n := 0.0, 0.0
	for now := 0.0; now < year; now += 3600 {
		wander.update(now)
		square, n = square+(wander.ambient-285)*(wander.ambient-285), n+1
	}
	near(t, "wander, K", math.Sqrt(square/n), 3, 1)
}

func TestRoutineStrokesAsOftenAsBuilt(t *testing.T) {
	b := QuillenReach()
	b.Routine = Routine{Strokes: 40, Partials: 20}
	p := built(t, b)
	full, part := 0, 0
	for range 15 * 24 * 360 {
		p.Step(10 * time.Second)
	}
	for _, s := range p.Drain() {
		if !s.Closing {
			continue
		}
		if s.Part == 1 {
			full++
		} else {
			near(t, "partial stroke", s.Part, 0.15, 1e-9)
			part++
		}
	}
	// 15 days: 600 and 300, less the few that met a valve in use; Poisson.
	near(t, "strokes", float64(full), 590, 75)
	near(t, "partial strokes", float64(part), 295, 55)
}

func TestSloshAndLag(t *testing.T) {
	b := QuillenReach()
	b.Instruments.Level.Noise, b.Instruments.Level.Lag = 0, 0
	b.Instruments.Pressure.Noise, b.Instruments.Pressure.Lag = 0, 5
	p := quiet(t, b)
	pass(p, 60)
	calm := spreadOf(p)
	p.Shutdown()
	pass(p, 13)
	if x, m := p.Truth(), valueOf(t, p, "pressure"); m.Value < x.Gauge+0.01e5 {
		t.Errorf("pressure %.0f Pa does not lag behind %.0f Pa", m.Value, x.Gauge)
	}
	if moved := spreadOf(p); calm > 0.001 || moved < 0.006 {
		t.Errorf("level moves by %.4f m at rest, %.4f m after a stroke", calm, moved)
	}
}

// spreadOf is how far the measured level strays from the true one in 3 s.
func spreadOf(p *Plant) float64 {
	least, most := math.Inf(1), math.Inf(-1)
	for range 30 {
		p.Step(100 * time.Millisecond)
		d := p.Measured(nil)[1].Value + 0.05 - p.Truth().Level
		least, most = math.Min(least, d), math.Max(most, d)
	}
	return most - least
}

// Whatever breaks, matter is conserved and no number runs away.
func TestAnyFaultsAtAnyTime(t *testing.T) {
	for seed := range uint64(4) {
		b := busy()
		if seed%2 == 1 {
			b = DunmorrowFlats()
		}
		p, err := New(b, seed)
		if err != nil {
			t.Fatal(err)
		}
		rng := rand.New(rand.NewPCG(seed, 9))
		list := p.Faults()
		before := p.Truth()
		for range 144 {
			f := list[rng.IntN(len(list))].Fault
			if err := p.Set(f, math.Max(0, 2*rng.Float64()-1)); err != nil {
				t.Fatal(err)
			}
			for range 60 {
				p.Step(10 * time.Second)
			}
			x := p.Truth()
			near(t, "oil", x.OilMass+x.OilLost-x.OilAdded, before.OilMass, 1e-5)
			near(t, "air", x.Air+x.DissolvedAir-x.AirIn+x.AirOut, before.Air+before.DissolvedAir, 1e-7)
			if !(x.Gauge > -0.3e5 && x.Gauge < 13e5 && x.GasTemperature > 230 && x.GasTemperature < 400 &&
				x.SumpVolume >= 0 && x.OilVolume > 0 && x.Air > 0) {
				t.Fatalf("seed %d after %s: %+v", seed, f, x)
			}
		}
	}
}
