package rules_test

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/sensors/signal"
)

// failToStart calls a machine and never sees it run.
func (b *bench) failToStart(position string) {
	b.set(signal.Of(position, signal.Called), 1)
	b.pass(30)
	b.set(signal.Of(position, signal.Called), 0)
}

// start lets a machine run on a call through the whole dead band.
func (b *bench) start(position string) {
	b.pass(5)
	b.pump(position, nil)
}

// failures is what became of the failures, as the events tell it.
func (b *bench) failures() (names []string, last *rules.Failure) {
	for _, e := range b.events {
		if e.Kind == rules.FailureEvent {
			names = append(names, e.Source+" "+e.Name)
			last = e.Failure
		}
	}
	return names, last
}

func (b *bench) speak(order rules.Order, change func(*rules.Command)) error {
	c := b.ask(order, "", "")
	change(&c)
	return b.apply(c)
}

func TestFoundFailureIsConfirmedAndRepaired(t *testing.T) {
	b := newBench(t)
	b.cfg.Pumps.Machines[0].Serial = "P-001"
	b.restart(nil, nil)
	b.start("pump1")
	b.failToStart("pump1")
	found := b.scan.Time
	names, f := b.failures()
	if strings.Join(names, ", ") != "pump1 found" || f.ID != "F1-20261125" || f.State != rules.Unconfirmed || f.Serial != "P-001" ||
		f.Mode() != "FTS" || f.Impact() != rules.Critical || f.Seen.Alarm != alarm.FailedToStart || f.Seen.Starts != 1 || f.Seen.Run < 299 || f.Said != nil {
		t.Fatalf("%v: %+v %+v", names, f, f.Seen)
	}
	seen := *f.Seen
	b.reborn() // with the failure open and the alarm standing: it is not found anew
	b.pass(30)
	if len(b.last.Failures) != 1 || b.last.Failures[0].ID != f.ID {
		t.Fatalf("after a restart: %+v", b.last.Failures)
	}
	if err := b.speak(rules.CloseFailure, func(c *rules.Command) { c.Failure = "F1" }); err == nil || !strings.Contains(err.Error(), "confirm it first") {
		t.Errorf("closed unconfirmed: %v", err)
	}
	for _, step := range []struct {
		order  rules.Order
		change func(*rules.Command)
	}{
		{rules.ConfirmFailure, func(c *rules.Command) { c.Reason = "contactor coil open" }},
		{rules.CorrectFailure, func(c *rules.Command) { c.Mode, c.Reason = "BRD", "coupling broken" }},
		{rules.CloseFailure, func(c *rules.Command) { c.At, c.Reason = b.scan.Time.Add(-10*time.Second), "coupling replaced" }},
	} {
		if err := b.speak(step.order, func(c *rules.Command) { c.Failure = "F1"; step.change(c) }); err != nil {
			t.Fatalf("%s: %v", step.order, err)
		}
	}
	b.reborn()
	b.pass(1)
	f = &b.last.Failures[0]
	if f.State != rules.Confirmed || f.Mode() != "BRD" || *f.Seen != seen || f.Said.Reason != "coupling broken" || f.Said.By == "" ||
		f.Repair == nil || f.Repair.Reason != "coupling replaced" {
		t.Errorf("%+v seen %+v said %+v repair %+v", f, f.Seen, f.Said, f.Repair)
	}
	if down := time.Duration(float64(f.Repair.Down)) * time.Second; down < 0 || down > b.scan.Time.Sub(found)+time.Minute {
		t.Errorf("down for %v", down)
	}
	names, _ = b.failures()
	if strings.Join(names, ", ") != "pump1 found, pump1 confirmed, pump1 corrected, pump1 closed" {
		t.Error(names)
	}
	b.start("pump1")
	b.failToStart("pump1") // after the repair it is another one
	if _, f := b.failures(); f.ID != "F2-20261125" {
		t.Errorf("%+v", f)
	}
}

// While a failure is open the same one is counted there, not opened twice.
func TestOpenFailureIsSeenAgain(t *testing.T) {
	b := newBench(t)
	for range 3 {
		b.start("pump2")
		b.failToStart("pump2")
	}
	names, f := b.failures()
	if strings.Join(names, ", ") != "pump2 found, pump2 seen again, pump2 seen again" || f.Seen.Times != 3 || !f.Seen.Last.After(f.Seen.Time) {
		t.Errorf("%v %+v", names, f.Seen)
	}
}

func TestWhatIsNoFailure(t *testing.T) {
	for _, c := range []struct {
		name string
		do   func(*bench)
	}{
		{"provoked by a test", func(b *bench) { b.must(rules.AnnounceTest, "", "") }},
		{"machine out of service", func(b *bench) { b.must(rules.OutOfService, "", "pump1") }},
		{"no mains", func(b *bench) { b.set(signal.Mains, 0); b.pass(5) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBench(t)
			b.pass(3)
			c.do(b)
			b.failToStart("pump1")
			if names, _ := b.failures(); names != nil {
				t.Error(names)
			}
		})
	}
}

func TestPersonReportsAFailure(t *testing.T) {
	b := newBench(t)
	b.pass(90)
	report := func(c *rules.Command) {
		c.Source, c.Mode, c.Reason, c.At = "compressor2", "ELP", "hose weeps", b.scan.Time.Add(-time.Minute)
	}
	if err := b.speak(rules.RecordFailure, report); err != nil {
		t.Fatal(err)
	}
	_, f := b.failures()
	if f.State != rules.Confirmed || f.Seen != nil || f.Mode() != "ELP" || !f.Time().Equal(b.scan.Time.Add(-time.Minute)) || f.Impact() != rules.Degraded {
		t.Errorf("%+v %+v", f, f.Said)
	}
	if err := b.speak(rules.RecordFailure, report); err == nil || !strings.Contains(err.Error(), "open already as F1") {
		t.Errorf("twice: %v", err)
	}
	if err := b.speak(rules.RejectFailure, func(c *rules.Command) { c.Failure, c.Reason = f.ID, "it was water" }); err != nil {
		t.Fatal(err)
	}
	if err := b.speak(rules.RecordFailure, report); err != nil {
		t.Errorf("after the first was rejected: %v", err)
	}
}

func TestRefusedWordsAboutFailures(t *testing.T) {
	b := newBench(t)
	b.pass(3)
	b.failToStart("pump1")
	for _, c := range []struct {
		name   string
		order  rules.Order
		change func(*rules.Command)
		says   string
	}{
		{"which one", rules.ConfirmFailure, func(c *rules.Command) {}, "wants the failure's id"},
		{"none of that name", rules.ConfirmFailure, func(c *rules.Command) { c.Failure = "F9" }, "open are F1-"},
		{"confirmed as another mode", rules.ConfirmFailure, func(c *rules.Command) { c.Failure, c.Mode = "F1", "BRD" }, "correct it"},
		{"a mode of no list", rules.CorrectFailure, func(c *rules.Command) { c.Failure, c.Mode = "F1", "XXX" }, "there is no failure mode"},
		{"nothing corrected", rules.CorrectFailure, func(c *rules.Command) { c.Failure = "F1" }, "what is to be corrected"},
		{"in the future", rules.CorrectFailure, func(c *rules.Command) { c.Failure, c.At = "F1", b.scan.Time.Add(time.Hour) }, "is not past"},
		{"long ago", rules.RecordFailure, func(c *rules.Command) {
			c.Source, c.Mode, c.At = "pump1", "BRD", b.scan.Time.Add(-367*24*time.Hour)
		}, "more than a year"},
		{"rejected without a reason", rules.RejectFailure, func(c *rules.Command) { c.Failure, c.Reason = "F1", "" }, "wants a reason"},
		{"of no machine", rules.RecordFailure, func(c *rules.Command) { c.Source, c.Mode = "pump9", "BRD" }, "no machine"},
		{"without a mode", rules.RecordFailure, func(c *rules.Command) { c.Source = "pump1" }, "say the failure mode"},
	} {
		t.Run(c.name, func(t *testing.T) {
			before, _ := b.unit.Save()
			if err := b.speak(c.order, c.change); err == nil || !strings.Contains(err.Error(), c.says) {
				t.Errorf("%v; want it to say %q", err, c.says)
			}
			if after, _ := b.unit.Save(); string(before) != string(after) {
				t.Error("refused, and yet something changed")
			}
		})
	}
}

// However many failures come and go, the state that is written with every
// start stays small.
func TestFailuresThatAreDoneAreLetGo(t *testing.T) {
	b := newBench(t)
	b.pass(3)
	size := func() int {
		text, err := b.unit.Save()
		if err != nil {
			t.Fatal(err)
		}
		return len(text)
	}
	var at20 int
	for i := range 60 {
		if err := b.speak(rules.RecordFailure, func(c *rules.Command) { c.Source, c.Mode = "pump1", "BRD" }); err != nil {
			t.Fatal(err)
		}
		_, f := b.failures()
		if err := b.speak(rules.CloseFailure, func(c *rules.Command) { c.Failure = f.ID }); err != nil {
			t.Fatal(err)
		}
		if i == 20 {
			at20 = size()
		}
	}
	if now := size(); now > at20+100 {
		t.Errorf("the state grew from %d to %d bytes", at20, now)
	}
	var a rules.Assessment
	if text, err := json.Marshal(b.pass(1)); err != nil || json.Unmarshal(text, &a) != nil || len(a.Failures) == 0 || len(a.Failures) > 14 {
		t.Errorf("%d failures shown, %v", len(a.Failures), err)
	}
}
