package main

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"strokebank/agent/internal/simulator"
	"strokebank/rules"
	"strokebank/rules/alarm"
)

// plantFault is one fault of the tank, its pipes or its instruments, and the
// alarm that must name it: with everything wired, and with pressure, level and
// running contacts alone.
type plantFault struct {
	fault      string
	severities [3]float64
	all, few   string        // alarm and source
	within     time.Duration // at the mildest severity
	before     int           // days of health
	// also may be raised before it: what follows from the fault, or is the
	// same to all instruments.
	also string
	// change alters plant and configuration, where normal operation would show
	// the fault only after months.
	change func(*simulator.Build, *rules.Config)
}

// charged lets the compressors run every other day, which the site knows.
func charged(b *simulator.Build, c *rules.Config) {
	if b != nil {
		b.AirLoss = 0.04
	}
	if c != nil {
		c.AirLeak = 0.2
	}
}

// busy lets the valves move three times as often, so that a few days hold
// enough actions of the panel.
func busy(b *simulator.Build, _ *rules.Config) {
	if b != nil {
		b.Routine.Strokes *= 3
	}
}

// whole is the severity of a fault that is there or not.
var whole = [3]float64{1}

// plantFaults is the part of the table of faults that concerns leaks and
// instruments. Severities: see simulator.Faults.
var plantFaults = []plantFault{
	{fault: "oil_leak", severities: [3]float64{0.05, 0.2, 1}, all: "oil_lost unit", few: "oil_leak unit", within: 36 * time.Hour, before: 2},
	{fault: "valve.1.leak", severities: [3]float64{0.05, 0.2, 1}, all: "oil_returns unit", few: "oil_leak unit", within: 36 * time.Hour, before: 2},
	{fault: "pump2.check_valve_leak", severities: [3]float64{0.05, 0.2, 1}, all: "oil_returns unit", few: "oil_leak unit", within: 36 * time.Hour, before: 2},
	{fault: "air_leak", severities: [3]float64{0.1, 0.3, 1}, all: "air_leak unit", few: "air_leak unit", within: 8 * 24 * time.Hour, before: 1},
	{fault: "waterlogged", severities: [3]float64{0.3, 0.5, 1}, all: "waterlogged unit", few: "waterlogged unit", within: 4 * time.Hour, before: 1, also: "point_moved compressors"},
	{fault: "overcharged", severities: [3]float64{0.5, 0.75, 1}, all: "overcharged unit", few: "overcharged unit", within: 12 * time.Hour, before: 1},
	{fault: "relief_lifting", severities: [3]float64{0.85, 0.92, 1}, all: "relief_lifting unit", few: "relief_lifting unit", within: 6 * 24 * time.Hour, before: 1},
	{fault: "level.stuck", severities: whole, all: "measurement_stuck level", few: "measurement_stuck level", within: 4 * 24 * time.Hour, before: 1},
	{fault: "pressure.stuck", severities: whole, all: "measurement_stuck pressure", few: "measurement_stuck pressure", within: 4 * 24 * time.Hour, before: 1},
	{fault: "level.drift", severities: [3]float64{0.3, 0.6, -1}, all: "point_moved pumps", few: "point_moved pumps", within: 3 * 24 * time.Hour, before: 3,
		// A level that sinks slowly looks like oil that goes, until the gas tells.
		also: "overcharged unit, oil_lost unit", change: busy},
	{fault: "pressure.drift", severities: [3]float64{0.3, -0.3, 0.6}, all: "point_moved compressors", few: "point_moved compressors",
		within: 12 * 24 * time.Hour, before: 1, also: "overcharged unit, waterlogged unit, air_leak unit", change: charged},
}

// aboutPlant are the alarms that this test is about: none of them may be
// raised for a fault that is another one.
var aboutPlant = []string{alarm.OilLeak, alarm.OilReturns, alarm.OilLost, alarm.AirLeak, alarm.Waterlogged, alarm.Overcharged,
	alarm.ReliefLifting, alarm.PointMoved, alarm.MeasurementStuck, alarm.ProofOverdue}

// tryPlantFault gives the time until the fault was named; wrong is what was
// named before although it should not.
func tryPlantFault(t *testing.T, f *plantFault, example string, severity float64) (took time.Duration, named string, wrong []string) {
	t.Helper()
	build, want, period := simulator.QuillenReach(), f.all, 10*time.Second
	if example == "dunmorrow-flats" {
		build, want, period = simulator.DunmorrowFlats(), f.few, 5*time.Second
	}
	change := func(*rules.Config) {}
	if f.change != nil {
		f.change(&build, nil)
		change = func(c *rules.Config) { f.change(nil, c) }
	}
	r := newRig(t, example, build, 5, period, change)
	began := time.Duration(0)
	each := func(a *rules.Assessment) {
		for _, e := range a.Events {
			if e.Kind != rules.AlarmEvent || e.To != string(alarm.Unacknowledged) || !slices.Contains(aboutPlant, e.Name) {
				continue
			}
			name := e.Name + " " + e.Source
			switch {
			case name == want && began > 0:
				took, named = r.scan.Elapsed-began, name
				if len(e.Values) == 0 {
					t.Errorf("%s came without the figures that led to it", name)
				}
			case !strings.Contains(f.also, name):
				wrong = append(wrong, fmt.Sprintf("%s after %v", name, r.scan.Elapsed-began))
			}
		}
	}
	r.pass(time.Duration(f.before)*24*time.Hour, each)
	fault := strings.Replace(f.fault, "valve.1", "valve."+build.Valves[0].Tag, 1)
	if err := r.plant.Set(simulator.Fault(fault), severity); err != nil {
		t.Fatal(err)
	}
	began = r.scan.Elapsed
	for named == "" && r.scan.Elapsed-began < f.within {
		each(r.step())
	}
	return took, named, wrong
}

// TestPlantFaults tries each fault at three severities on both units.
func TestPlantFaults(t *testing.T) {
	for _, example := range []string{"quillen-reach", "dunmorrow-flats"} {
		for i := range plantFaults {
			f := &plantFaults[i]
			t.Run(example+" "+f.fault, func(t *testing.T) {
				t.Parallel()
				for _, severity := range f.severities {
					if severity == 0 {
						continue
					}
					took, named, wrong := tryPlantFault(t, f, example, severity)
					if named == "" {
						t.Errorf("severity %g: not named in %v", severity, f.within)
					}
					if len(wrong) > 0 {
						t.Errorf("severity %g: named before it: %s", severity, strings.Join(wrong, ", "))
					}
					t.Logf("%-16s %-24s %5.2f  %-28s %8.1f h", example, f.fault, severity, named, took.Hours())
				}
			})
		}
	}
}

// TestQuietQuarterOfThePlant lets both units work for a quarter with nothing
// wrong: days, seasons, noise and draws alone raise none of these alarms.
func TestQuietQuarterOfThePlant(t *testing.T) {
	for example, build := range map[string]simulator.Build{
		"quillen-reach": simulator.QuillenReach(), "dunmorrow-flats": simulator.DunmorrowFlats(),
	} {
		t.Run(example, func(t *testing.T) {
			t.Parallel()
			r := newRig(t, example, build, 5, 10*time.Second, nil)
			draws := 0
			r.pass(91*24*time.Hour, func(a *rules.Assessment) {
				draws += len(a.Draws)
				for _, e := range a.Events {
					if e.Kind == rules.AlarmEvent && e.To == string(alarm.Unacknowledged) && slices.Contains(aboutPlant, e.Name) {
						t.Errorf("%v %s of %s: %+v", e.Time, e.Name, e.Source, e.Values)
					}
				}
			})
			// What the watch has learned is what the build has: seepage past the
			// cylinders and air lost through fittings, about 0.95 of it at the
			// mean pressure.
			l := r.last.Leaks
			seeps := build.Seepage * float64(len(build.Valves))
			if off := float64(l.OilDecline) - seeps; !(off > -2*float64(l.OilDeclineBand) && off < 2*float64(l.OilDeclineBand)) {
				t.Errorf("oil goes down by %v ± %v m³/s, %v in truth", l.OilDecline, l.OilDeclineBand, seeps)
			}
			if off := float64(l.AirDecline) - build.AirLoss; !(off > -2*float64(l.AirDeclineBand) && off < 2*float64(l.AirDeclineBand)) {
				t.Errorf("%v ± %v of the air lost a day, %v in truth", l.AirDecline, l.AirDeclineBand, build.AirLoss)
			}
			if draws < 600 {
				t.Errorf("only %d draws seen", draws)
			}
			for _, s := range r.last.Proof {
				if strings.HasSuffix(s.Function, ".delivers") && (!s.Proven || s.Overdue) {
					t.Errorf("%+v", s)
				}
			}
		})
	}
}

// TestProofTestOfThePlant announces a test, empties the tank stroke by stroke
// and looks at the record.
func TestProofTestOfThePlant(t *testing.T) {
	b := simulator.QuillenReach()
	b.Routine, b.Start.Oil = simulator.Routine{}, 0.895 // just full
	r := newRig(t, "quillen-reach", b, 3, time.Second, nil)
	r.pass(2*time.Hour, nil)
	if err := r.plant.Set("pump1.weak", 1); err != nil { // it leads, and the standby has to help
		t.Fatal(err)
	}
	if err := r.unit.BeginTest("A. Tester", "yearly"); err != nil {
		t.Fatal(err)
	}
	var draws []rules.Draw
	marked, alarms := 0, 0
	each := func(a *rules.Assessment) {
		draws = append(draws, a.Draws...)
		for _, e := range a.Events {
			if e.Kind == rules.AlarmEvent && e.To == string(alarm.Unacknowledged) {
				alarms++
				if e.Test {
					marked++
				}
			}
		}
	}
	for range 4 {
		r.plant.Shutdown()
		r.pass(70*time.Second, each)
		r.plant.Restore()
		r.pass(200*time.Second, each)
	}
	r.pass(time.Hour, each)
	record, err := r.unit.EndTest()
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]string{}
	for _, o := range record.Results {
		seen[o.Function] = string(o.Outcome)
		t.Logf("%-24s %-9s %s", o.Function, o.Outcome, o.By)
	}
	for _, function := range []string{"pumps.standby", "valve.XV-1.strokes", "valve.XV-2.strokes", "valve.XV-3.strokes",
		"valve.XV-4.strokes", "unit.drawdown"} {
		if seen[function] != "pass" {
			t.Errorf("%s: %s", function, seen[function])
		}
	}
	if seen["pump1.delivers"] == "pass" || alarms == 0 || marked != alarms {
		t.Errorf("%d alarms in the test, %d marked", alarms, marked)
	}
	if len(draws) == 0 || draws[0].Oil < 20e-3 || !draws[0].Predicted.Known() || !draws[0].Test {
		t.Errorf("draws %+v", draws)
	}
}
