package rules_test

import (
	"fmt"
	"testing"
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/rules/machine/service"
)

// What a person takes out of service nobody counts on, and a restart does not
// change that.
func TestOutOfServiceLowersRedundancy(t *testing.T) {
	b := newBench(t)
	b.pass(3)
	check := func(when, redundancy string, available int, blocked string) {
		t.Helper()
		b.pass(1)
		p, m := b.last.Pairs[0], b.last.Machines[1]
		if p.Redundancy != redundancy || p.Available != available || m.Blocked != blocked || m.Available != (blocked == "") {
			t.Errorf("%s: redundancy %s, %d available, pump2 %q", when, p.Redundancy, p.Available, m.Blocked)
		}
		if other := b.last.Pairs[1].Redundancy; other != "both" {
			t.Errorf("%s: the compressors have %s", when, other)
		}
	}
	check("at first", "both", 2, "")
	b.must(rules.OutOfService, "", "pump2")
	check("one out", "one", 1, "out of service")
	b.reborn()
	check("after a restart", "one", 1, "out of service")
	b.must(rules.OutOfService, "", "pump1")
	check("two out", "none", 0, "out of service")
	b.must(rules.BackInService, "", "pump1")
	check("one back", "one", 1, "out of service")
	b.pass(60)
	check("when its time is over", "both", 2, "")
	b.must(rules.OutOfService, "", "unit")
	check("the whole unit", "both", 2, "")
}

// While its partner is away a machine leads every run: no turn was missed, also
// not afterwards.
func TestOutOfServiceMissesNoTurn(t *testing.T) {
	for _, away := range []bool{true, false} {
		t.Run(fmt.Sprint("away ", away), func(t *testing.T) {
			b := newBench(t)
			b.pass(20)
			for range 4 {
				if away {
					c := b.ask(rules.OutOfService, "", "pump2")
					c.Until = b.scan.Time.AddDate(0, 0, 1)
					if err := b.apply(c); err != nil {
						t.Fatal(err)
					}
				}
				b.pump("pump1", nil)
			}
			if away {
				b.must(rules.BackInService, "", "pump2")
			}
			b.pass(60)
			for _, a := range []struct{ name, source string }{{alarm.MissedTurns, "pump2"}, {alarm.AlternationStuck, "pumps"}} {
				if got := b.state(a.name, a.source); (got == alarm.Normal) != away {
					t.Errorf("%s of %s is %s", a.name, a.source, got)
				}
			}
			if missed := b.last.Pairs[0].Missed; (missed == 0) != away {
				t.Errorf("%v turns missed", missed)
			}
		})
	}
}

// A pump that runs and raises nothing is no redundancy.
func TestUselessMachineIsNotAvailable(t *testing.T) {
	b := newBench(t)
	b.pass(20)
	b.set("level", 1.44)
	b.set("pump1.called", 1)
	b.set("pump1.running", 1)
	b.pass(400)
	if m, p := b.last.Machines[0], b.last.Pairs[0]; !b.last.Outputs[0].Nothing || m.Blocked != "delivers nothing" || p.Redundancy != "one" {
		t.Errorf("delivers nothing: %v, blocked %q, redundancy %s", b.last.Outputs[0].Nothing, m.Blocked, p.Redundancy)
	}
}

// learned lets pump1 make its first five good runs.
func (b *bench) learned() float64 {
	b.tb.Helper()
	for range 5 {
		b.pump("pump1", nil)
	}
	o := b.last.Outputs[0]
	if !o.Baseline.Known() || o.Learned != 5 {
		b.tb.Fatalf("after five runs: %+v", o)
	}
	return float64(o.Baseline)
}

// After a repair what is normal is found anew, and the individual, its hours
// and its service stay.
func TestBaselineIsSetAnew(t *testing.T) {
	b := newBench(t)
	b.pass(20)
	before := b.learned()
	was := *b.last.Clone()
	b.must(rules.SetBaseline, "", "pump1")
	e := b.events[len(b.events)-1]
	if e.Source != "pump1" || len(e.Values) < 1 || e.Values[0].Name != "old_baseline" || float64(e.Values[0].Value) != before {
		t.Errorf("the event does not keep the old baseline: %+v", e)
	}
	b.reborn()
	b.pass(1)
	if o := b.last.Outputs[0]; o.Baseline.Known() || o.Learned != 0 || o.Ratio.Known() {
		t.Errorf("right after: %+v", o)
	}
	if m := b.last.Machines[0]; m.Serial != was.Machines[0].Serial || m.LifetimeRunSeconds != was.Machines[0].LifetimeRunSeconds || m.LifetimeStarts != 5 {
		t.Errorf("the hours changed: %+v", m)
	}
	if now := b.learned(); now < 0.98*before || now > 1.02*before {
		t.Errorf("learned anew %v, before %v", now, before)
	}
}

// A baseline that the site gives is there at once and stays.
func TestGivenBaseline(t *testing.T) {
	b := newBench(t)
	b.cfg.Pumps.Machines[0].Baseline = 24 * litre / 60
	b.restart(nil, nil)
	b.pass(20)
	b.pump("pump1", nil)
	check := func(when string) {
		t.Helper()
		o := b.last.Outputs[0]
		if float64(o.Baseline) != 24*litre/60 || float64(o.Ratio) < 0.86 || float64(o.Ratio) > 0.92 {
			t.Errorf("%s: %+v", when, o)
		}
	}
	check("after one run of 21.2 L/min")
	b.must(rules.SetBaseline, "", "pump1")
	b.pump("pump1", nil)
	check("after set_baseline and a run")
}

// With another individual its health and its service begin anew; duty belongs
// to the position.
func TestExchangeTakesHealthAndServiceAlong(t *testing.T) {
	b := newBench(t)
	b.cfg.Pumps.Machines[0].Serial = "A-1"
	b.restart(nil, nil)
	b.pass(20)
	b.learned()
	was := *b.last.Clone()
	c := b.ask(rules.ExchangeMachine, "", "pump1")
	c.Serial, c.SecondsSoFar, c.StartsSoFar = "B-2", 3600, 7
	if err := b.apply(c); err != nil {
		t.Fatal(err)
	}
	b.pass(70)
	if o := b.last.Outputs[0]; o.Baseline.Known() || o.Learned != 0 || o.Last.Known() {
		t.Errorf("the new pump has the old one's health: %+v", o)
	}
	if m := b.last.Machines[0]; m.Windows[2].RunSeconds != was.Machines[0].Windows[2].RunSeconds || m.LifetimeRunSeconds != 3600 || m.LifetimeStarts != 7 {
		t.Errorf("%+v", m)
	}
	if now, before := b.last.Pairs[0], was.Pairs[0]; now.Imbalance != before.Imbalance {
		t.Errorf("imbalance %v, before %v", now.Imbalance, before.Imbalance)
	}
	for _, s := range b.last.Service {
		if s.Source == "pump1" && (s.Last.Run != 3600 || s.Last.By != "M. Okoro" || s.Last.Assumed || s.Used > 0.001) {
			t.Errorf("service of the new pump: %+v", s)
		}
	}
	for range 5 {
		b.pump("pump1", nil)
	}
	if o := b.last.Outputs[0]; !o.Baseline.Known() {
		t.Errorf("nothing learned of the new pump: %+v", o)
	}
}

// Coming due and due, by what, when, and done by whom with a note, all stand in
// the assessment.
func TestServiceIsVisible(t *testing.T) {
	b := newBench(t)
	b.pass(70)
	at := func(name string) (found *service.Status) {
		t.Helper()
		for i := range b.last.Service {
			if s := &b.last.Service[i]; s.Source == "compressor1" && s.Name == name {
				return s
			}
		}
		t.Fatalf("no task %s", name)
		return nil
	}
	begin := b.scan.Time
	b.scan.Time = begin.AddDate(0, 0, 170) // belts: every 182 days
	b.pass(70)
	s := at("belts")
	if s.State != "coming due" || s.Nearest != "date" || !s.RunLeft.Known() || s.DueDate.Sub(begin).Hours() < 181*24 || s.Forecast != s.DueDate {
		t.Errorf("%+v", s)
	}
	if b.state(alarm.ServiceDue, "compressor1") != alarm.Normal {
		t.Error("coming due is no alarm yet")
	}
	b.scan.Time = begin.AddDate(0, 0, 183)
	b.pass(70)
	if s = at("belts"); s.State != "due" || b.state(alarm.ServiceDue, "compressor1") != alarm.Unacknowledged {
		t.Errorf("%+v", s)
	}
	c := b.ask(rules.ServiceDone, "", "compressor1")
	c.Task, c.Reason = "belts", "one belt renewed"
	if err := b.apply(c); err != nil {
		t.Fatal(err)
	}
	b.reborn()
	b.pass(1)
	if s = at("belts"); s.State != "well" || s.Last.By != "M. Okoro" || s.Last.Note != "one belt renewed" || s.Last.Assumed || s.DueDate.Before(begin.AddDate(0, 0, 360)) {
		t.Errorf("done: %+v", s)
	}
}

// A machine's pace in the last month tells when a task by run time will be due.
func TestServiceIsForecast(t *testing.T) {
	b := newBench(t)
	const scan = 600 * time.Second
	b.cfg.ScanPeriod = scan
	b.restart(nil, nil)
	step := func(running float64) {
		b.set("pump1.called", running)
		b.set("pump1.running", running)
		b.pass(1)
		b.scan.Time, b.scan.Elapsed = b.scan.Time.Add(scan-time.Second), b.scan.Elapsed+scan-time.Second
	}
	strainer := func() *service.Status {
		for i := range b.last.Service {
			if s := &b.last.Service[i]; s.Source == "pump1" && s.Name == "strainer" {
				return s
			}
		}
		t.Fatal("no such task")
		return nil
	}
	for i := range 5 * 144 {
		step(map[bool]float64{true: 1}[i%6 == 0])
		if i == 2*144 {
			if s := strainer(); s.Forecast != s.DueDate {
				t.Errorf("forecast by run time after two days: %+v", s)
			}
		}
	}
	s := strainer() // every 1000 h of run time, of which it makes 4 h a day
	want := b.scan.Time.Add(time.Duration(float64(s.RunLeft)*6) * time.Second)
	if off := s.Forecast.Sub(want); off.Abs() > 48*time.Hour || s.Nearest != "run" {
		t.Errorf("forecast for %v, want %v: %+v", s.Forecast, want, s)
	}
}
