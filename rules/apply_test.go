package rules_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/sensors/signal"
)

// ask is a command as one who may act would give it.
func (b *bench) ask(order rules.Order, name, source string) rules.Command {
	c := rules.Command{ID: fmt.Sprint("c", len(b.events), order), Order: order, Unit: "AU-7", Source: source, Alarm: name,
		By: "M. Okoro", Role: rules.Act, Via: "page", Reason: "the cause is known"}
	switch order {
	case rules.Shelve, rules.OutOfService, rules.AnnounceTest:
		c.Until = b.scan.Time.Add(time.Minute)
	}
	return c
}

// apply gives a command before the next scan.
func (b *bench) apply(c rules.Command) error {
	b.tb.Helper()
	events, err := b.unit.Apply(&c, &b.scan)
	if err != nil && len(events) > 0 || err == nil && len(events) == 0 {
		b.tb.Errorf("%s: %d events and the error %v", c.Order, len(events), err)
	}
	for _, e := range events {
		if e.By != c.By || e.Role != c.Role || e.Via != c.Via || e.Command != c.ID || e.Reason != c.Reason || !e.Until.Equal(c.Until) {
			b.tb.Errorf("%s: the event %+v does not say who, how and why", c.Order, e)
		}
	}
	b.events = append(b.events, events...)
	return err
}

func (b *bench) must(order rules.Order, name, source string) {
	b.tb.Helper()
	if err := b.apply(b.ask(order, name, source)); err != nil {
		b.tb.Fatalf("%s: %v", order, err)
	}
}

// saved restarts the unit from its own state, a moment later.
func (b *bench) reborn() {
	b.tb.Helper()
	state, err := b.unit.Save()
	if err != nil {
		b.tb.Fatal(err)
	}
	beat, err := b.unit.Beat()
	if err != nil {
		b.tb.Fatal(err)
	}
	b.restart(state, beat)
}

// Whatever a person has done stands after a restart at any moment.
func TestWhatPeopleDidSurvivesARestart(t *testing.T) {
	latch := true
	for _, restarts := range []bool{false, true} {
		t.Run(fmt.Sprint("restarts ", restarts), func(t *testing.T) {
			b := newBench(t)
			b.cfg.Alarms = map[string]alarm.Setting{alarm.Overload: {Latch: &latch}}
			b.restart(nil, nil)
			pass := func(n int) {
				for i := range n {
					b.pass(1)
					if restarts && i%3 == 0 {
						b.reborn()
					}
				}
			}
			check := func(name, source string, want alarm.State) {
				t.Helper()
				if got := b.state(name, source); got != want {
					t.Fatalf("%s of %s is %s, want %s", name, source, got, want)
				}
			}
			b.set(signal.Pressure, 6.9*bar)
			b.set("pump2.overload", 1)
			pass(40)
			check(alarm.LowPressure, "unit", alarm.Unacknowledged)
			b.must(rules.Acknowledge, alarm.LowPressure, "unit")
			b.must(rules.Acknowledge, alarm.Overload, "pump2")
			pass(2)
			check(alarm.LowPressure, "unit", alarm.Acknowledged)
			b.set("pump2.overload", 0)
			pass(20)
			check(alarm.Overload, "pump2", alarm.Latched)
			b.must(rules.Shelve, alarm.LowPressure, "unit")
			pass(50)
			check(alarm.LowPressure, "unit", alarm.Shelved)
			check(alarm.Overload, "pump2", alarm.Latched)
			pass(20)
			check(alarm.LowPressure, "unit", alarm.Unacknowledged)
			b.must(rules.Reset, alarm.Overload, "pump2")
			b.must(rules.OutOfService, "", "pump1")
			pass(30)
			check(alarm.Overload, "pump2", alarm.Normal)
			check(alarm.FailedToStart, "pump1", alarm.OutOfService)
			pass(40)
			check(alarm.FailedToStart, "pump1", alarm.Normal)
			if n := len(slices.DeleteFunc(slices.Clone(b.events), func(e rules.Event) bool { return e.Name != string(rules.BackInService) })); n != 1 {
				t.Errorf("coming back into service was told %d times", n)
			}
		})
	}
}

// Time that nobody watched counts for the shelf: it ends by the clock.
func TestShelfEndsWhileNobodyWatches(t *testing.T) {
	b := newBench(t)
	b.set(signal.Pressure, 6.9*bar)
	b.pass(40)
	b.must(rules.Shelve, alarm.LowPressure, "unit")
	b.pass(5)
	state, _ := b.unit.Save()
	b.scan.Time, b.scan.Elapsed = b.scan.Time.Add(10*time.Minute), 0
	b.restart(state, nil)
	b.pass(2)
	if got := b.state(alarm.LowPressure, "unit"); got != alarm.Unacknowledged {
		t.Errorf("ten minutes later it is %s", got)
	}
}

// One event instead of twenty: a machine or the unit that is taken out of
// service takes its alarms along without a word.
func TestOutOfServiceIsOneEvent(t *testing.T) {
	for _, c := range []struct{ place, name, source string }{
		{"pump2", alarm.Overload, "pump2"}, {"unit", alarm.Overload, "pump2"}, {"unit", alarm.LowPressure, "unit"},
		{"pump2", alarm.TransmitterFailed, "pump2.running"},
	} {
		t.Run(c.place+" and "+c.name, func(t *testing.T) {
			b := newBench(t)
			b.pass(5)
			b.events = nil
			b.must(rules.OutOfService, "", c.place)
			b.set("pump2.overload", 1)
			b.set(signal.Pressure, 6.9*bar)
			b.fail("pump2.running", signal.NoAnswer)
			b.pass(45)
			if got := b.state(c.name, c.source); got != alarm.OutOfService {
				t.Errorf("%s is %s", c.name, got)
			}
			if got := b.state(alarm.Overload, "pump1"); (got == alarm.OutOfService) != (c.place == "unit") {
				t.Errorf("the other pump's is %s", got)
			}
			for _, e := range b.events {
				if e.Kind == rules.AlarmEvent && (c.place == "unit" || strings.HasPrefix(e.Source, c.place)) {
					t.Errorf("told although out of service: %+v", e)
				}
			}
			if len(b.last.Away) != 1 || b.last.Away[0].By != "M. Okoro" || b.last.Away[0].Source != c.place {
				t.Errorf("shown as %+v", b.last.Away)
			}
			b.must(rules.BackInService, "", c.place)
			b.pass(1)
			if got := b.state(c.name, c.source); got != alarm.Unacknowledged {
				t.Errorf("back in service it is %s", got)
			}
		})
	}
}

// What the agent notes of log-ins needs no role: somebody was refused.
func TestLogInsAreNoted(t *testing.T) {
	b := newBench(t)
	b.pass(2)
	for _, role := range []rules.Role{"", rules.See} {
		c := b.ask(rules.Note, "", "")
		c.Role, c.Via, c.Reason = role, rules.LogIn, "log-in refused, from 192.0.2.7: the secret is wrong"
		events, err := b.unit.Apply(&c, &b.scan)
		if err != nil || len(events) != 1 || events[0].Role != role || events[0].Via != rules.LogIn || events[0].Kind != rules.NoteEvent || events[0].Reason != c.Reason {
			t.Errorf("role %q: %+v %v", role, events, err)
		}
	}
}

func TestRefusedCommands(t *testing.T) {
	b := newBench(t)
	b.set(signal.Pressure, 6.9*bar)
	b.pass(40)
	for _, c := range []struct {
		name   string
		change func(*rules.Command)
		says   string
	}{
		{"of who may only see", func(c *rules.Command) { c.Role = rules.See }, "may not act"},
		{"of who may only see, as a log-in", func(c *rules.Command) { c.Role, c.Via = rules.See, rules.LogIn }, "may not act"},
		{"a note of who may only see", func(c *rules.Command) { c.Order, c.Role = rules.Note, rules.See }, "may not act"},
		{"of nobody", func(c *rules.Command) { c.By = " " }, "say who"},
		{"without an id", func(c *rules.Command) { c.ID = "" }, "id is missing"},
		{"of another unit", func(c *rules.Command) { c.Unit = "AU-8" }, "this is unit AU-7"},
		{"an order nobody knows", func(c *rules.Command) { c.Order = "open_valve" }, "there is no command"},
		{"an alarm nobody knows", func(c *rules.Command) { c.Alarm = "low_tide" }, "no alarm"},
		{"no alarm", func(c *rules.Command) { c.Alarm = "" }, "wants an alarm"},
		{"an alarm of many sources", func(c *rules.Command) { c.Alarm, c.Source = alarm.Overload, "" }, "several sources"},
		{"an alarm that is not raised", func(c *rules.Command) { c.Alarm = alarm.LowLevel }, "nothing to acknowledge"},
		{"a reset of what is not latched", func(c *rules.Command) { c.Order = rules.Reset }, "still stands"},
		{"a shelf without an end", func(c *rules.Command) { c.Order = rules.Shelve }, "wants an end"},
		{"a shelf that has ended", func(c *rules.Command) { c.Order, c.Until = rules.Shelve, b.scan.Time.Add(-time.Minute) }, "is past"},
		{"a shelf for a week", func(c *rules.Command) { c.Order, c.Until = rules.Shelve, b.scan.Time.Add(7*24*time.Hour) }, "too far"},
		{"a shelf without a reason", func(c *rules.Command) { c.Order, c.Until, c.Reason = rules.Shelve, b.scan.Time.Add(time.Minute), "" }, "wants a reason"},
		{"out of service: a valve", func(c *rules.Command) {
			c.Order, c.Until, c.Source = rules.OutOfService, b.scan.Time.Add(time.Minute), "valve.XV-1"
		}, "cannot be out of service"},
		{"back what is in service", func(c *rules.Command) { c.Order, c.Source = rules.BackInService, "pump1" }, "is in service"},
		{"a note of nothing", func(c *rules.Command) { c.Order, c.Source = rules.Note, "pump7" }, "no \"pump7\""},
		{"a reason without end", func(c *rules.Command) { c.Reason = strings.Repeat("x", 501) }, "longer than"},
		{"a reason that is no text", func(c *rules.Command) { c.Reason = "a\x00b" }, "plain text"},
	} {
		t.Run(c.name, func(t *testing.T) {
			command := b.ask(rules.Acknowledge, alarm.LowPressure, "unit")
			c.change(&command)
			before, _ := b.unit.Save()
			_, err := b.unit.Apply(&command, &b.scan)
			if err == nil || !strings.Contains(err.Error(), c.says) {
				t.Errorf("%v; want it to say %q", err, c.says)
			}
			if after, _ := b.unit.Save(); !bytes.Equal(before, after) {
				t.Error("refused, and yet something changed")
			}
		})
	}
}

// Every order is known to the dispatch or said to be impossible; none panics.
func TestEveryOrderIsAnswered(t *testing.T) {
	for _, order := range rules.Orders() {
		t.Run(string(order), func(t *testing.T) {
			b := newBench(t)
			b.pass(3)
			c := b.ask(order, "", "pump1")
			_ = b.apply(c)
			b.pass(3)
			b.reborn()
			b.pass(1)
		})
	}
}

func TestNoteStandsInTheJournal(t *testing.T) {
	b := newBench(t)
	b.pass(2)
	b.must(rules.Note, alarm.Overload, "pump2")
	e := b.events[len(b.events)-1]
	if e.Kind != rules.NoteEvent || e.Source != "pump2" || e.Name != alarm.Overload || e.Reason != "the cause is known" {
		t.Errorf("%+v", e)
	}
}

// A test that is announced is a test until its end, over restarts, and what it
// provokes is marked.
func TestAnnouncedTestEndsByItself(t *testing.T) {
	for _, c := range []struct {
		name string
		end  func(*bench)
		wait int
	}{
		{"by itself", func(*bench) {}, 65},
		{"by command", func(b *bench) { b.must(rules.EndTest, "", "") }, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBench(t)
			b.pass(3)
			b.events = nil
			b.must(rules.AnnounceTest, "", "")
			if err := b.apply(b.ask(rules.AnnounceTest, "", "")); err == nil {
				t.Error("a second test was begun")
			}
			b.set("pump2.overload", 1)
			b.pass(20)
			b.reborn()
			b.set("pump2.overload", 0)
			c.end(b)
			b.pass(c.wait)
			if err := b.apply(b.ask(rules.EndTest, "", "")); err == nil {
				t.Error("ended twice")
			}
			var told []string
			for _, e := range b.events {
				if e.Kind == rules.TestEvent {
					told = append(told, e.Name)
				}
				if e.Kind == rules.AlarmEvent && e.Name == alarm.Overload && e.To == string(alarm.Unacknowledged) && !e.Test {
					t.Error("the alarm of the test is not marked")
				}
			}
			if fmt.Sprint(told) != "[begun ended]" {
				t.Errorf("told %v", told)
			}
		})
	}
}

// A step after commands of every kind allocates no more than before: nothing
// grows with what people do.
func TestCommandsLeaveNothingBehind(t *testing.T) {
	b := newBench(t)
	b.set(signal.Pressure, 6.9*bar)
	b.pass(40)
	size := func() int {
		text, err := b.unit.Save()
		if err != nil {
			t.Fatal(err)
		}
		return len(text)
	}
	b.must(rules.Shelve, alarm.LowPressure, "unit")
	before := size()
	for range 500 {
		b.must(rules.Shelve, alarm.LowPressure, "unit")
		b.must(rules.Unshelve, alarm.LowPressure, "unit")
		b.must(rules.Note, "", "unit")
		b.must(rules.OutOfService, "", "pump1")
		b.must(rules.BackInService, "", "pump1")
		b.pass(1)
	}
	if after := size(); after > before+600 {
		t.Errorf("the state grew from %d to %d bytes", before, after)
	}
}

// FuzzCommand: no command, however made, does harm, and none is accepted
// without saying who, in which role and why.
func FuzzCommand(f *testing.F) {
	for _, order := range rules.Orders() {
		text, err := json.Marshal(rules.Command{ID: "1", Order: order, Unit: "AU-7", Source: "pump1", Alarm: alarm.Overload,
			By: "x", Role: rules.Act, Reason: "r", Until: began.Add(time.Hour)})
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		var c rules.Command
		if json.Unmarshal(text, &c) != nil {
			return
		}
		b := newBench(t)
		b.pass(1)
		events, err := b.unit.Apply(&c, &b.scan)
		for _, e := range events {
			if err != nil || e.By == "" || e.Command == "" || e.Role != rules.Act && (e.Via != rules.LogIn || e.Kind != rules.NoteEvent) {
				t.Errorf("%+v, %v", e, err)
			}
		}
		b.pass(2)
		b.reborn()
	})
}
