package main

import (
	"context"
	"fmt"
	"strconv"
	"time"

	"strokebank/agent/internal/history"
	"strokebank/agent/internal/report"
	"strokebank/configs"
	"strokebank/rules"
	"strokebank/rules/alarm"
)

// lastTest is the number of the newest test.
const lastTest = 0

// testNumber is the number of the event that ended a test.
func testNumber(text string) (uint64, error) {
	if text == "last" {
		return lastTest, nil
	}
	n, err := strconv.ParseUint(text, 10, 63)
	if err != nil || n == 0 {
		return 0, fmt.Errorf("-test %.40q: give the number of a test, as the report lists it, or last", text)
	}
	return n, nil
}

// record reads all that a test has brought.
func (r *reporting) record(ctx context.Context, store *history.Reader, unit *configs.Unit) (*report.Record, error) {
	number, err := testNumber(r.test)
	if err != nil {
		return nil, err
	}
	about, c := unitOfReport(unit), &unit.Rules
	out := &report.Record{Made: r.made, Zone: time.Local, Program: programName(), Installation: store.Installation(), Unit: &about,
		SetPressure: c.Reserve.SetPressure, MinPressure: c.Reserve.MinPressure, SetLevel: c.Reserve.SetLevel}
	err = store.Events(ctx, about.Name, []rules.Kind{rules.TestEvent}, r.span.from, r.span.to, func(e *rules.Entry) error {
		if e.Record != nil && (number == lastTest || e.Seq == number) {
			out.Event, out.Test = e.ID, report.Test{Number: e.Seq, Test: *e.Record}
		}
		return nil
	})
	switch {
	case err != nil:
		return nil, err
	case out.Event == "" && number == lastTest:
		return nil, fmt.Errorf("unit %s: no proof test has ended", about.Name)
	case out.Event == "":
		return nil, fmt.Errorf("unit %s: no proof test has ended with event %d; the report lists the numbers", about.Name, number)
	}
	return out, tested(ctx, store, out)
}

// afterTest is how long after its end a test still brings something: a charge
// is known only once the gas has settled.
const afterTest = 4 * time.Hour

// beforeTest is how long before its beginning a draw may have begun that ended
// in it.
const beforeTest = time.Hour

// tested reads what began within the test.
func tested(ctx context.Context, store *history.Reader, out *report.Record) error {
	kinds := []rules.Kind{rules.DrawEvent, rules.FillEvent, rules.ChargeEvent, rules.AlarmEvent}
	begin, end := out.Test.Begin, out.Test.End
	within := func(t time.Time) bool { return !t.Before(begin) && !t.After(end) }
	room := func(n int) bool {
		if n >= mostInRecord {
			out.More++
		}
		return n < mostInRecord
	}
	return store.Events(ctx, out.Unit.Name, kinds, begin.Add(-beforeTest), end.Add(afterTest), func(e *rules.Entry) error {
		switch {
		case e.Draw != nil && (within(e.Draw.Start) || e.Draw.Test && within(e.Draw.End)):
			if room(len(out.Draws)) {
				out.Draws = append(out.Draws, *e.Draw)
			}
		case e.Fill != nil && within(e.Fill.Start):
			if room(len(out.Fills)) {
				out.Fills = append(out.Fills, *e.Fill)
			}
		case e.Charge != nil && within(e.Charge.Start):
			if room(len(out.Charges)) {
				out.Charges = append(out.Charges, *e.Charge)
			}
		case e.Kind == rules.AlarmEvent && within(e.Time) && alarm.State(e.To) == alarm.Unacknowledged:
			if room(len(out.Alarms)) {
				out.Alarms = append(out.Alarms, *e)
			}
		}
		return nil
	})
}

// mostInRecord bounds each list of a test's record.
const mostInRecord = 200
