package rules

import (
	"fmt"
	"strings"
	"time"

	"strokebank/sensors/signal"
)

// longestPast is how far back a person may put a failure or a repair; common
// practice, no source.
const longestPast = 366 * 24 * time.Hour

// recordFailure takes in a failure that the program did not see.
func (u *Unit) recordFailure(c *Command, scan *signal.Scan) ([]Event, error) {
	if _, _, ok := u.position(c.Source); !ok && c.Source != unitSource {
		return nil, noMachine(c.Source)
	}
	if c.Mode == "" {
		return nil, fmt.Errorf("say the failure mode: %s", modeNames())
	}
	if err := c.failed(scan.Time); err != nil {
		return nil, err
	}
	for i := range u.failures.List {
		if f := &u.failures.List[i]; !f.done() && f.Position == c.Source && f.Mode() == c.Mode {
			return nil, fmt.Errorf("%s of %s is open already as %s: confirm, correct or close that", c.Mode, c.Source, f.ID)
		}
	}
	f := u.newFailure(scan, c.Source)
	f.State = Confirmed
	f.Said = c.said(scan)
	f.Said.FailureUse = u.useBy(c.Source)
	if f.Said.When.IsZero() {
		f.Said.When = scan.Time
	}
	return []Event{u.tellFailure(scan, u.putFailure(f), "recorded")}, nil
}

func (u *Unit) confirmFailure(c *Command, scan *signal.Scan) ([]Event, error) {
	f, err := u.findFailure(c)
	switch {
	case err != nil:
		return nil, err
	case f.State == Confirmed:
		return nil, fmt.Errorf("%s is confirmed already: correct it, or close it with its repair", f.ID)
	case c.Mode != "" || !c.At.IsZero():
		return nil, fmt.Errorf("to say another mode or time, correct it")
	}
	return u.say(c, scan, f, Confirmed, "confirmed"), nil
}

func (u *Unit) correctFailure(c *Command, scan *signal.Scan) ([]Event, error) {
	f, err := u.findFailure(c)
	if err != nil {
		return nil, err
	}
	if c.Mode == "" && c.At.IsZero() {
		return nil, fmt.Errorf("say what is to be corrected: the mode, or when it happened")
	}
	if err := c.failed(scan.Time); err != nil {
		return nil, err
	}
	if f.Repair != nil && c.At.After(f.Repair.Time) {
		return nil, fmt.Errorf("it was repaired at %s", f.Repair.Time.UTC().Format(time.RFC3339))
	}
	return u.say(c, scan, f, Confirmed, "corrected"), nil
}

func (u *Unit) rejectFailure(c *Command, scan *signal.Scan) ([]Event, error) {
	f, err := u.findFailure(c)
	switch {
	case err != nil:
		return nil, err
	case f.State == Rejected:
		return nil, fmt.Errorf("%s is rejected already", f.ID)
	case f.Repair != nil:
		return nil, fmt.Errorf("%s was closed with a repair: it was a failure", f.ID)
	}
	return u.say(c, scan, f, Rejected, "rejected"), nil
}

// closeFailure ends a failure with its repair.
func (u *Unit) closeFailure(c *Command, scan *signal.Scan) ([]Event, error) {
	f, err := u.findFailure(c)
	switch {
	case err != nil:
		return nil, err
	case f.State != Confirmed:
		return nil, fmt.Errorf("%s is %s: confirm it first", f.ID, f.State)
	case f.Repair != nil:
		return nil, fmt.Errorf("%s is closed already", f.ID)
	case c.Mode != "":
		return nil, fmt.Errorf("to say another mode, correct it")
	}
	r := FailureRepair{Time: c.At.UTC(), Down: signal.Unknown(), By: c.By, Via: c.Via, Said: scan.Time, Reason: c.Reason}
	if c.At.IsZero() {
		r.Time = scan.Time
	}
	if err := c.past(scan.Time); err != nil {
		return nil, err
	}
	trusted := scan.ClockTrusted && (f.Seen == nil || f.Seen.ClockTrusted || !f.Said.When.IsZero())
	down := r.Time.Sub(f.Time())
	if trusted && down < 0 {
		return nil, fmt.Errorf("it failed after that, at %s", f.Time().UTC().Format(time.RFC3339))
	}
	if trusted {
		r.Down = signal.Number(down.Seconds())
	}
	f.Repair = &r
	return []Event{u.tellFailure(scan, f, "closed")}, nil
}

// say puts what a person says beside what was seen. What was said before and
// is not said anew stands.
func (u *Unit) say(c *Command, scan *signal.Scan, f *Failure, state FailureState, name string) []Event {
	said := c.said(scan)
	said.FailureUse = FailureUse{signal.Unknown(), signal.Unknown()}
	if before := f.Said; before != nil {
		said.FailureUse = before.FailureUse
		if said.Mode == "" {
			said.Mode = before.Mode
		}
		if said.When.IsZero() {
			said.When = before.When
		}
	}
	f.State, f.Said = state, said
	if f.Repair != nil {
		r := *f.Repair
		if r.Down.Known() {
			r.Down = signal.Number(r.Time.Sub(f.Time()).Seconds())
		}
		f.Repair = &r
	}
	return []Event{u.tellFailure(scan, f, name)}
}

func (c *Command) said(scan *signal.Scan) *FailureSaid {
	s := &FailureSaid{Time: scan.Time, By: c.By, Via: c.Via, Mode: c.Mode, Reason: c.Reason}
	if !c.At.IsZero() {
		s.When = c.At.UTC()
	}
	return s
}

// findFailure is the failure that a command names, by its id or the number
// that begins it.
func (u *Unit) findFailure(c *Command) (*Failure, error) {
	if c.Failure == "" {
		return nil, fmt.Errorf("%s wants the failure's id", c.Order)
	}
	var open []string
	for i := range u.failures.List {
		f := &u.failures.List[i]
		if number, _, _ := strings.Cut(f.ID, "-"); f.ID == c.Failure || number == c.Failure {
			return f, nil
		}
		if !f.done() {
			open = append(open, f.ID)
		}
	}
	at := "none is open"
	if open != nil {
		at = "open are " + strings.Join(open, ", ")
	}
	return nil, fmt.Errorf("there is no failure %q to say anything of: %s, and of those that are done the last %d can be named",
		shortened(c.Failure), at, mostDone)
}

// failed checks the mode and time of a failure that a command brings.
func (c *Command) failed(now time.Time) error {
	if c.Mode != "" && FailureTitle(c.Mode) == "" {
		return fmt.Errorf("there is no failure mode %q here: use one of %s", shortened(c.Mode), modeNames())
	}
	return c.past(now)
}

// past checks a time that must have been.
func (c *Command) past(now time.Time) error {
	switch {
	case c.At.After(now):
		return fmt.Errorf("%s is not past: the agent's clock shows %s", c.At.UTC().Format(time.RFC3339), now.UTC().Format(time.RFC3339))
	case !c.At.IsZero() && now.Sub(c.At) > longestPast:
		return fmt.Errorf("%s is more than a year past", c.At.UTC().Format(time.RFC3339))
	}
	return nil
}

func modeNames() string {
	var names []string
	for _, code := range FailureModes() {
		names = append(names, code+" ("+FailureTitle(code)+")")
	}
	return strings.Join(names, ", ")
}
