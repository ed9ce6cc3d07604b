package rules_test

import (
	"errors"
	"slices"
	"testing"
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/rules/proof"
	"strokebank/sensors/signal"
)

// outcome is what a test has shown of a function.
func outcome(t *testing.T, record *proof.Test, function string) proof.Outcome {
	t.Helper()
	for _, r := range record.Results {
		if r.Function == function {
			return r.Outcome
		}
	}
	t.Fatalf("the record has no %s", function)
	return ""
}

func status(t *testing.T, a *rules.Assessment, function string) proof.Status {
	t.Helper()
	for _, s := range a.Proof {
		if s.Function == function {
			return s
		}
	}
	t.Fatalf("no function %s", function)
	return proof.Status{}
}

// A test marks what it provokes, outlives a restart, and its record says what
// was seen.
func TestAnnouncedTest(t *testing.T) {
	b := newBench(t)
	b.pass(60)
	if _, err := b.unit.EndTest(); !errors.Is(err, proof.ErrNoTest) {
		t.Errorf("ended a test that had not begun: %v", err)
	}
	if err := b.unit.BeginTest("A. Tester", "low level, yearly"); err != nil {
		t.Fatal(err)
	}
	if err := b.unit.BeginTest("B", ""); !errors.Is(err, proof.ErrUnderWay) {
		t.Errorf("announced twice: %v", err)
	}
	b.set(signal.Level, 1.1)
	b.pass(30)
	state, err := b.unit.Save()
	if err != nil {
		t.Fatal(err)
	}
	b.restart(state, nil)
	if b.pass(120).Test == nil {
		t.Fatal("a restart has forgotten the test")
	}
	record, err := b.unit.EndTest()
	if err != nil {
		t.Fatal(err)
	}
	if o := outcome(t, &record, "low_level.reported"); o != proof.Pass {
		t.Errorf("low level: %s", o)
	}
	if o := outcome(t, &record, "low_pressure.reported"); o != proof.NotSeen {
		t.Errorf("low pressure: %s", o)
	}
	if a := b.pass(1); len(a.Tests) != 1 || a.Tests[0].By != "A. Tester" || a.Test != nil {
		t.Errorf("told after it: %+v", a.Tests)
	}
	if a := b.pass(1); len(a.Tests) != 0 {
		t.Error("told twice")
	}
	told := b.events[slices.IndexFunc(b.events, func(e rules.Event) bool { return e.Kind == rules.TestEvent && e.Name == "ended" })]
	if told.Record == nil || outcome(t, told.Record, "low_level.reported") != proof.Pass || told.Record.End.IsZero() {
		t.Errorf("the journal keeps %+v of it", told.Record)
	}
	b.set(signal.Level, 1.5)
	b.pass(120)
	marked := 0
	for _, e := range b.events {
		if e.Kind == rules.AlarmEvent && e.Name == alarm.LowLevel {
			marked++
			if !e.Test {
				t.Errorf("%s to %s is not marked as a test", e.From, e.To)
			}
		}
	}
	if marked < 2 {
		t.Errorf("%d events of the low level", marked)
	}
	// The next one is real.
	b.events = nil
	b.set(signal.Level, 1.1)
	b.pass(120)
	for _, e := range b.events {
		if e.Kind == rules.AlarmEvent && e.Test {
			t.Errorf("%s is marked although no test is under way", e.Name)
		}
	}
}

// withValve is a bench whose first valve has its limit switches wired.
func withValve(t *testing.T) *bench {
	b := newBench(t)
	b.cfg.Valves = []rules.Valve{{Tag: "XV-1"}}
	for _, s := range []string{signal.Open, signal.Closed} {
		b.points = append(b.points, signal.Point{ID: signal.OfValve("XV-1", s), Unit: signal.Boolean})
		b.scan.Readings = append(b.scan.Readings, signal.Reading{})
	}
	b.restart(nil, nil)
	b.set(signal.OfValve("XV-1", signal.Open), 1)
	b.set(signal.OfValve("XV-1", signal.Closed), 0)
	b.pass(10)
	return b
}

func TestValveCompletesItsStroke(t *testing.T) {
	const function = "valve.XV-1.strokes"
	open, closed := signal.OfValve("XV-1", signal.Open), signal.OfValve("XV-1", signal.Closed)
	t.Run("in its time", func(t *testing.T) {
		b := withValve(t)
		b.set(open, 0)
		b.pass(12)
		b.set(closed, 1)
		if s := status(t, b.pass(1), function); !s.Proven || s.Count != 1 || s.By != "closing stroke in 13 s" {
			t.Errorf("%+v", s)
		}
		b.set(closed, 0)
		b.pass(12)
		b.set(open, 1)
		if s := status(t, b.pass(1), function); s.Count != 2 || s.By != "opening stroke in 13 s" {
			t.Errorf("back: %+v", s)
		}
	})
	t.Run("too slowly", func(t *testing.T) {
		b := withValve(t)
		b.set(open, 0)
		b.pass(40)
		b.set(closed, 1)
		if s := status(t, b.pass(1), function); s.Proven || s.Failed.IsZero() {
			t.Errorf("%+v", s)
		}
	})
	t.Run("part of the way and back", func(t *testing.T) {
		b := withValve(t)
		b.set(open, 0)
		b.pass(5)
		b.set(open, 1)
		if s := status(t, b.pass(1), function); s.Proven || !s.Failed.IsZero() {
			t.Errorf("%+v", s)
		}
	})
	t.Run("not watched in between", func(t *testing.T) {
		b := withValve(t)
		b.set(open, 0)
		b.pass(5)
		b.fail(open, signal.LinkLost)
		b.pass(3)
		b.set(open, 0)
		b.set(closed, 1)
		if s := status(t, b.pass(1), function); s.Proven {
			t.Errorf("%+v", s)
		}
	})
}

func TestProofOverdue(t *testing.T) {
	b := newBench(t)
	b.cfg.Proof.Standby = time.Hour
	b.restart(nil, nil)
	b.pass(3600)
	overdue := func() alarm.State {
		for _, a := range b.last.Alarms {
			if a.Name == alarm.ProofOverdue && a.Source == "pumps.standby" {
				return a.State
			}
		}
		t.Fatal("no such alarm")
		return ""
	}
	if s := overdue(); s != alarm.Normal {
		t.Errorf("%s before it is due", s)
	}
	if b.pass(10); overdue() != alarm.Unacknowledged {
		t.Errorf("%s after an hour without the standby", overdue())
	}
	// The lead runs, the level goes on falling, the standby helps.
	b.set(signal.Level, 1.43)
	b.set("pump1.running", 1)
	b.pass(10)
	b.set(signal.Level, 1.40)
	b.set("pump2.running", 1)
	b.pass(10)
	b.set(signal.Level, 1.5)
	if s := status(t, b.pass(90), "pumps.standby"); !s.Proven || overdue() != alarm.Normal {
		t.Errorf("after it has helped: %+v, %s", s, overdue())
	}
}

func TestCompressorsWaitForTheLevel(t *testing.T) {
	for _, waits := range []bool{true, false} {
		b := newBench(t)
		b.set(signal.Level, 1.40)
		b.set(signal.Pressure, 7.6*bar)
		b.set("pump1.running", 1)
		if !waits {
			b.set("compressor1.running", 1)
		}
		b.pass(90)
		b.set(signal.Level, 1.51)
		b.set("pump1.running", 0)
		s := status(t, b.pass(2), "compressors.lockout")
		if s.Proven != waits || s.Failed.IsZero() != waits {
			t.Errorf("waits %v: %+v", waits, s)
		}
	}
}
