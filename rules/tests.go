package rules

import (
	"time"

	"strokebank/rules/alarm"
	"strokebank/sensors/signal"
)

// announceTest begins a test that ends by itself, so that one which nobody
// ends does not mark what happens for ever.
func (u *Unit) announceTest(c *Command, scan *signal.Scan) ([]Event, error) {
	leave, err := c.leave(scan.Time, longestTest)
	if err != nil {
		return nil, err
	}
	u.out.Time, u.out.ClockTrusted = scan.Time, scan.ClockTrusted
	if err := u.BeginTest(c.By, c.Reason); err != nil {
		return nil, err
	}
	u.testing = leave
	return until(u.testEvents(), leave.Until), nil
}

func (u *Unit) endTest(_ *Command, scan *signal.Scan) ([]Event, error) {
	u.out.Time, u.out.ClockTrusted = scan.Time, scan.ClockTrusted
	if _, err := u.EndTest(); err != nil {
		return nil, err
	}
	u.testing = alarm.Leave{}
	return u.testEvents(), nil
}

// testEvents takes what the test's beginning or end has to say, to go with
// the command that caused it.
func (u *Unit) testEvents() []Event {
	events := u.proofs.pending
	u.proofs.pending = nil
	return events
}

// passTest ends a test at the end that was announced.
func (u *Unit) passTest(scan *signal.Scan, dt time.Duration) {
	if !u.testing.Pass(dt, scan.Time) {
		return
	}
	// Whoever ended it meanwhile has ended the leave too; an error would say
	// that there is nothing to end.
	if _, err := u.EndTest(); err == nil {
		u.out.Events = append(u.out.Events, u.testEvents()...)
	}
}
