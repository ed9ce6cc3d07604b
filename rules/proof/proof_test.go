package proof

import (
	"encoding/json"
	"errors"
	"testing"
	"time"
)

var start = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

func at(days float64) time.Time { return start.Add(time.Duration(days * 24 * float64(time.Hour))) }

func book() *Book {
	b := New([]Function{{"pump1.delivers", "pump1 delivers", 30 * 24 * time.Hour}, {"pumps.standby", "the standby takes over", 0}})
	b.Step(start, true)
	return b
}

func TestDueAndOverdue(t *testing.T) {
	b := book()
	s := &b.All()[0]
	if s.Proven || s.Overdue || !s.Due.Equal(at(30)) {
		t.Errorf("at the start %+v", s)
	}
	if b.Step(at(31), true); !s.Overdue {
		t.Error("never seen in 31 days and not overdue")
	}
	if !b.Prove(0, at(31), "a fill") || s.Overdue || s.By != "a fill" {
		t.Errorf("after its proof %+v", s)
	}
	if b.Prove(0, at(32), "a fill") {
		t.Error("the second proof in a row is news")
	}
	if b.Step(at(62.5), true); !s.Overdue || !s.Due.Equal(at(62)) {
		t.Errorf("30 days after the last one %+v", s)
	}
	if never := b.All()[1]; never.Overdue || !never.Due.IsZero() || never.Proven {
		t.Errorf("what is never due %+v", never)
	}
}

func TestClockThatIsNotTrusted(t *testing.T) {
	b := New([]Function{{"a", "a", time.Hour}})
	b.Step(at(-1000), false)
	b.Step(start, true)
	if s := b.All()[0]; s.Overdue || !s.Due.Equal(start.Add(time.Hour)) {
		t.Errorf("%+v", s)
	}
	if b.Step(at(1000), false); b.All()[0].Overdue {
		t.Error("overdue by a clock that nobody trusts")
	}
}

func TestFailureDoesNotTakeAProofBack(t *testing.T) {
	b := book()
	b.Prove(0, at(1), "a fill")
	b.Fail(0, at(2), "it gave nothing")
	s := b.All()[0]
	if !s.Proven || !s.Last.Equal(at(1)) || !s.Failed.Equal(at(2)) || s.Why != "it gave nothing" {
		t.Errorf("%+v", s)
	}
	if !b.Prove(0, at(3), "a fill") {
		t.Error("a proof after a failure is no news")
	}
}

func TestRecordOfATest(t *testing.T) {
	b := book()
	if _, err := b.End(at(1)); !errors.Is(err, ErrNoTest) {
		t.Errorf("ended what had not begun: %v", err)
	}
	if err := b.Begin("A. Tester", "yearly", at(1)); err != nil {
		t.Fatal(err)
	}
	if err := b.Begin("B", "", at(1)); !errors.Is(err, ErrUnderWay) {
		t.Errorf("begun twice: %v", err)
	}
	b.Prove(0, at(1.1), "a fill")
	b.Fail(0, at(1.2), "it gave nothing")
	b.Prove(0, at(1.3), "a fill")

	// A restart in the middle; another version knows other functions.
	text, err := json.Marshal(b.State())
	if err != nil {
		t.Fatal(err)
	}
	var s State
	if err := json.Unmarshal(text, &s); err != nil {
		t.Fatal(err)
	}
	c := New([]Function{{"new", "new", time.Hour}, {"pumps.standby", "the standby takes over", 0}, {"pump1.delivers", "pump1 delivers", time.Hour}})
	c.Restore(s)
	record, err := c.End(at(2))
	if err != nil {
		t.Fatal(err)
	}
	if record.By != "A. Tester" || record.Note != "yearly" || !record.Begin.Equal(at(1)) || !record.End.Equal(at(2)) {
		t.Errorf("%+v", record)
	}
	want := map[string]Outcome{"new": NotSeen, "pumps.standby": NotSeen, "pump1.delivers": Fail}
	for _, r := range record.Results {
		if r.Outcome != want[r.Function] {
			t.Errorf("%s: %s", r.Function, r.Outcome)
		}
	}
	if record.Count(NotSeen) != 2 || record.Count(Fail) != 1 || record.Count(Pass) != 0 || c.Test() != nil {
		t.Errorf("%+v", record)
	}
	if p := c.All()[2]; p.Count != 2 || !p.Last.Equal(at(1.3)) {
		t.Errorf("the proof was not kept: %+v", p)
	}
}

func TestIntervals(t *testing.T) {
	i := Intervals{Machine: time.Hour, Valve: -1}.WithDefaults()
	if i.Machine != time.Hour || i.Valve != -1 || i.Standby != 365*24*time.Hour {
		t.Errorf("%+v", i)
	}
}

func TestStepDoesNotAllocate(t *testing.T) {
	b := book()
	if n := testing.AllocsPerRun(100, func() { b.Step(at(5), true) }); n > 0 {
		t.Errorf("%v allocations", n)
	}
}
