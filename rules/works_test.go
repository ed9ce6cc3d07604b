package rules_test

import (
	"testing"

	"strokebank/rules"
	"strokebank/rules/machine"
	"strokebank/sensors/signal"
)

// pump lets pump1 raise the oil from 1.44 m to 1.5 m, 1 mm every 5 s, and stop.
// each is called after every scan of the run.
func (b *bench) pump(position string, each func(second int)) {
	b.set(signal.Of(position, signal.Called), 1)
	b.set(signal.Of(position, signal.Running), 1)
	for s := range 300 {
		b.set(signal.Level, 1.44+0.06*float64(s)/300)
		b.pass(1)
		if each != nil {
			each(s)
		}
	}
	b.set(signal.Of(position, signal.Called), 0)
	b.set(signal.Of(position, signal.Running), 0)
	b.pass(40)
}

func (b *bench) fills() (list []*rules.Event) {
	for i := range b.events {
		if b.events[i].Kind == rules.FillEvent {
			list = append(list, &b.events[i])
		}
	}
	return list
}

func TestFillIsAnEventAndARecord(t *testing.T) {
	b := newBench(t)
	b.pass(20)
	records := 0
	b.pump("pump1", nil)
	for _, e := range b.fills() {
		records++
		f := e.Fill
		if f == nil || e.Source != "pump1" || !f.Counts || f.Place != "lead" || f.LevelAfter <= f.LevelBefore {
			t.Errorf("%+v of %+v", f, e)
		}
		if want := 0.06 * 1.767 / 300; float64(f.Flow) < 0.98*want || float64(f.Flow) > 1.02*want {
			t.Errorf("flow %v m³/s, want %v", f.Flow, want)
		}
	}
	if records != 1 {
		t.Errorf("%d fills of one run", records)
	}
}

// The process dies in the middle of a run: neither half is counted twice, and
// the half that was seen whole still tells the flow.
func TestRestartInTheMiddleOfAFill(t *testing.T) {
	b := newBench(t)
	b.pass(20)
	b.pump("pump1", func(second int) {
		if second != 100 {
			return
		}
		state, err := b.unit.Save()
		if err != nil {
			t.Fatal(err)
		}
		beat, err := b.unit.Beat()
		if err != nil {
			t.Fatal(err)
		}
		b.restart(state, beat)
	})
	volume, counted := 0.0, 0
	for _, e := range b.fills() {
		if e.Fill.Volume.Known() {
			volume += float64(e.Fill.Volume)
		}
		if e.Fill.Counts {
			counted++
		}
	}
	if whole := 0.06 * 1.767; volume > 1.01*whole || counted > 1 {
		t.Errorf("%v m³ in %d counted fills of one run of %v m³", volume, counted, whole)
	}
	if m := b.last.Machines[0]; m.LifetimeStarts != 1 {
		t.Errorf("%v starts", m.LifetimeStarts)
	}
}

func TestExchangeTakesTheHoursAlong(t *testing.T) {
	b := newBench(t)
	b.cfg.Pumps.Machines[0].Serial = "A-1"
	b.restart(nil, nil)
	b.pass(20)
	b.pump("pump1", nil)
	run := b.last.Machines[0].LifetimeRunSeconds
	e, err := b.unit.Exchange("pump1", machine.Individual{Serial: "B-2", RunOffset: 7200, StartOffset: 12}, "M. Ferrant")
	if err != nil {
		t.Fatal(err)
	}
	if e.From != "A-1" || e.To != "B-2" || float64(e.Values[0].Value) != run {
		t.Errorf("%+v, the old one had run %v s", e, run)
	}
	check := func(when string) {
		t.Helper()
		m := b.pass(1).Machines[0]
		if m.Serial != "B-2" || m.LifetimeRunSeconds != 7200 || m.LifetimeStarts != 12 || m.Windows[0].RunSeconds != run {
			t.Errorf("%s: %+v", when, m)
		}
	}
	check("at once")
	b.reborn()
	check("after a restart with the old configuration")
	b.cfg.Pumps.Machines[0].Serial = "B-2"
	b.reborn()
	if m := b.pass(1).Machines[0]; m.Serial != "B-2" {
		t.Errorf("once the configuration names it: %+v", m)
	}
	if _, err := b.unit.Exchange("pump1", machine.Individual{Serial: "B-2"}, ""); err == nil {
		t.Error("exchanged for itself")
	}
	if _, err := b.unit.Exchange("pump9", machine.Individual{Serial: "C"}, ""); err == nil {
		t.Error("exchanged where there is nothing")
	}
}

func TestServiceDueAndDone(t *testing.T) {
	b := newBench(t)
	b.pass(70)
	b.scan.Time = b.scan.Time.AddDate(0, 0, 31) // condensate: every 30 days
	b.pass(70)
	if got := b.state("service_due", "unit"); got != "unacknowledged" {
		t.Fatalf("the alarm is %s after 31 days", got)
	}
	if _, err := b.unit.ServiceDone("unit", "condensate", "M. Ferrant", "half a litre"); err != nil {
		t.Fatal(err)
	}
	b.pass(70)
	if got := b.state("service_due", "unit"); got == "unacknowledged" {
		t.Errorf("the alarm is %s although it is done", got)
	}
	b.reborn()
	b.pass(70)
	for _, s := range b.last.Service {
		if s.Name == "condensate" && (s.State != "well" || s.Last.By != "M. Ferrant") {
			t.Errorf("after a restart: %+v", s)
		}
	}
	if _, err := b.unit.ServiceDone("unit", "nonsense", "", ""); err == nil {
		t.Error("a task that is not there was done")
	}
}
