package main

import (
	"bytes"
	"math"
	"testing"

	"strokebank/agent/internal/simulator"
	"strokebank/configs"
	"strokebank/rules/reserve"
	"strokebank/sensors"
	"strokebank/sensors/register"
)

// near compares two figures that were written in different units.
func near(a, b float64) bool { return math.Abs(a-b) <= 1e-5*math.Max(math.Abs(a), math.Abs(b)) }

// The example files describe the simulated units; a demo or a test that runs
// them on each other would otherwise judge a unit that does not exist.
func TestExamplesDescribeTheSimulatedUnits(t *testing.T) {
	for name, build := range map[string]simulator.Build{
		"quillen-reach": simulator.QuillenReach(), "dunmorrow-flats": simulator.DunmorrowFlats(),
	} {
		t.Run(name, func(t *testing.T) {
			text, err := configs.Example(name)
			if err != nil {
				t.Fatal(err)
			}
			cfg, err := configs.Parse(bytes.NewReader(text))
			if err != nil {
				t.Fatal(err)
			}
			unit := cfg.Units[0]
			points := map[string]sensors.Point{}
			for _, p := range unit.Points {
				points[string(p.ID)] = p
			}
			for _, r := range build.Registers {
				p, ok := points[r.Name]
				if !ok {
					t.Errorf("%s is simulated but not in the file", r.Name)
					continue
				}
				delete(points, r.Name)
				if p.Device != build.Device {
					t.Errorf("%s: device %d, simulated %d", r.Name, p.Device, build.Device)
				}
				sameRegister(t, r, p.Spec)
			}
			for id := range points {
				t.Errorf("%s is in the file but not simulated", id)
			}
			c := unit.Rules
			for what, pair := range map[string][2]float64{
				"pump cut-in":         {c.Pumps.CutIn, build.Level.CutIn},
				"pump cut-out":        {c.Pumps.CutOut, build.Level.CutOut},
				"compressor cut-in":   {c.Compressors.CutIn, build.Pressure.CutIn},
				"compressor cut-out":  {c.Compressors.CutOut, build.Pressure.CutOut},
				"low level":           {c.LowLevel, build.Level.Low},
				"low pressure":        {c.LowPressure, build.Pressure.Low},
				"oil of a full cycle": {cycleOil(&c.Reserve), buildOil(build)},
				"pump rating":         {c.Pumps.Machines[0].Rating, build.Pump.Rating},
				"compressor rating":   {c.Compressors.Machines[0].Rating, build.Compressor.Rating},
			} {
				if !near(pair[0], pair[1]) {
					t.Errorf("%s: %v in the file, %v simulated", what, pair[0], pair[1])
				}
			}
			plant, err := simulator.New(build, 1)
			if err != nil {
				t.Fatal(err)
			}
			truth := plant.Truth()
			if total := truth.GasVolume + truth.OilVolume; math.Abs(total-c.Tank.Total()) > 0.002*total {
				t.Errorf("tank of %v m³ in the file, %v simulated", c.Tank.Total(), total)
			}
		})
	}
}

// sameRegister compares a simulated register with the point that reads it.
func sameRegister(t *testing.T, r simulator.Register, s register.Spec) {
	t.Helper()
	tables := map[simulator.Table]register.Table{1: register.Coils, 2: register.DiscreteInputs, 3: register.HoldingRegisters, 4: register.InputRegisters}
	formats := map[string]register.Format{"bit": register.Bit, "int16": register.Int16, "uint16": register.Uint16, "uint32": register.Uint32, "float32": register.Float32}
	if s.Table != tables[r.Table] || s.Address != r.Address || s.Format != formats[r.Format] || s.BitNumber != r.Bit ||
		s.LittleWords != r.Reversed || s.Current != r.Current || s.LittleBytes {
		t.Errorf("%s: the file reads %+v, simulated is %+v", r.Name, s, r)
	}
	if r.Format == "bit" {
		return
	}
	factor := func(f float64) float64 {
		if f == 0 {
			return 1
		}
		return f
	}
	low, high := float64(factor(r.Factor)*1000)+r.Offset, float64(factor(s.Factor)*1000)+s.Offset
	if r.RawHigh != r.RawLow {
		low, high = r.Low+(r.High-r.Low)/(r.RawHigh-r.RawLow)*1000, s.Low+(s.High-s.Low)/(s.RawHigh-s.RawLow)*1000
	}
	if !near(low, high) {
		t.Errorf("%s: raw 1000 is %v in the file, %v simulated", r.Name, high, low)
	}
}

// cycleOil is the oil of one configured cycle, buildOil that of one simulated.
func cycleOil(c *reserve.Config) (oil float64) {
	for _, s := range c.Cycle {
		oil += s.Oil
	}
	return oil
}

func buildOil(b simulator.Build) (oil float64) {
	for _, v := range b.Valves {
		oil += v.Close + v.Open
	}
	return oil
}
