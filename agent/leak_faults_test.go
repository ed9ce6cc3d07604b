package main

import (
	"slices"
	"strings"
	"testing"
	"time"

	"strokebank/agent/internal/simulator"
	"strokebank/rules"
	"strokebank/rules/alarm"
)

// aboutPlant are the alarms that this test is about: none of them may be
// raised for a fault that is another one.
var aboutPlant = []string{alarm.OilLeak, alarm.OilReturns, alarm.OilLost, alarm.AirLeak, alarm.Waterlogged, alarm.Overcharged,
	alarm.ReliefLifting, alarm.PointMoved, alarm.MeasurementStuck, alarm.ProofOverdue}

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
