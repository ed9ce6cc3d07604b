package main

import (
	"testing"
	"time"

	"strokebank/agent/internal/simulator"
	"strokebank/rules"
	"strokebank/rules/alarm"
)

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
