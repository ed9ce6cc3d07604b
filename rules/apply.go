package rules

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"strokebank/rules/alarm"
	"strokebank/sensors/signal"
)

// carry carries out one order and says what came of it.
type carry func(u *Unit, c *Command, scan *signal.Scan) ([]Event, error)

// orders says how each order is carried out. What is not in it is refused.
var orders = map[Order]carry{
	Acknowledge:        (*Unit).acknowledge,
	Shelve:             (*Unit).shelve,
	Unshelve:           (*Unit).unshelve,
	Reset:              (*Unit).reset,
	OutOfService:       (*Unit).outOfService,
	BackInService:      (*Unit).backInService,
	Note:               (*Unit).note,
	AnnounceTest:       (*Unit).announceTest,
	EndTest:            (*Unit).endTest,
	ForgetHeatExchange: (*Unit).forgetHeatExchange,
	SetBaseline:        (*Unit).setBaseline,
	ExchangeMachine:    (*Unit).exchangeMachine,
	ServiceDone:        (*Unit).serviceDone,
	RecordFailure:      (*Unit).recordFailure,
	ConfirmFailure:     (*Unit).confirmFailure,
	CorrectFailure:     (*Unit).correctFailure,
	RejectFailure:      (*Unit).rejectFailure,
	CloseFailure:       (*Unit).closeFailure,
}

// Apply carries out a command with the scan that is about to be judged, from
// the goroutine that steps. The events say who did what and why; the state
// that Save gives afterwards holds what has changed. The error says, for the
// person who asked, why the command is refused; nothing has changed then.
//
// Given the same commands before the same scans a replay comes to the same.
func (u *Unit) Apply(c *Command, scan *signal.Scan) ([]Event, error) {
	if err := c.Check(); err != nil {
		return nil, err
	}
	if c.Unit != u.cfg.Unit {
		return nil, fmt.Errorf("this is unit %s", u.cfg.Unit)
	}
	if c.Role != Act && !(c.Order == Note && c.Via == LogIn) {
		return nil, fmt.Errorf("the role %q may not act", shortened(string(c.Role)))
	}
	do, ok := orders[c.Order]
	if !ok {
		return nil, fmt.Errorf("%s cannot be done at this unit", c.Order)
	}
	events, err := do(u, c, scan)
	for i := range events {
		e := &events[i]
		e.By, e.Role, e.Via, e.Command = c.By, c.Role, c.Via, c.ID
		if c.Reason != "" {
			e.Reason = c.Reason
		}
	}
	return events, err
}

// done is the event of a command that changes no alarm's state.
func (u *Unit) done(c *Command, scan *signal.Scan, source string) []Event {
	return []Event{u.event(scan, CommandEvent, source, string(c.Order))}
}

// find is the alarm that a command names; without a source the only one of
// that name.
func (u *Unit) find(c *Command) (*watcher, error) {
	if c.Alarm == "" {
		return nil, fmt.Errorf("%s wants an alarm's name", c.Order)
	}
	var found *watcher
	var sources []string
	for i := range u.alarms {
		w := &u.alarms[i]
		if w.definition.Name == c.Alarm && (c.Source == "" || c.Source == w.source) {
			found, sources = w, append(sources, w.source)
		}
	}
	switch len(sources) {
	case 0:
		return nil, fmt.Errorf("there is no alarm %q of %q here", shortened(c.Alarm), shortened(c.Source))
	case 1:
		return found, nil
	default:
		return nil, fmt.Errorf("%s has several sources: name one of %s", c.Alarm, strings.Join(sources, ", "))
	}
}

// changed is the event of an alarm that a person has moved.
func (u *Unit) changed(w *watcher, change alarm.Transition, scan *signal.Scan, err error) ([]Event, error) {
	if err != nil {
		return nil, err
	}
	return []Event{u.alarmEvent(scan, w, change)}, nil
}

func (u *Unit) acknowledge(c *Command, scan *signal.Scan) ([]Event, error) {
	w, err := u.find(c)
	if err != nil {
		return nil, err
	}
	change, err := w.alarm.Acknowledge(&w.definition, scan.Time)
	return u.changed(w, change, scan, err)
}

func (u *Unit) reset(c *Command, scan *signal.Scan) ([]Event, error) {
	w, err := u.find(c)
	if err != nil {
		return nil, err
	}
	change, err := w.alarm.Reset(scan.Time)
	return u.changed(w, change, scan, err)
}

func (u *Unit) shelve(c *Command, scan *signal.Scan) ([]Event, error) {
	w, err := u.find(c)
	if err != nil {
		return nil, err
	}
	leave, err := c.leave(scan.Time, longestShelf)
	if err != nil {
		return nil, err
	}
	change, err := w.alarm.Shelve(leave, scan.Time)
	events, err := u.changed(w, change, scan, err)
	return until(events, leave.Until), err
}

func (u *Unit) unshelve(c *Command, scan *signal.Scan) ([]Event, error) {
	w, err := u.find(c)
	if err != nil {
		return nil, err
	}
	change, err := w.alarm.Unshelve(u.explainedBy(w) != nil, scan.Time)
	return u.changed(w, change, scan, err)
}

func (u *Unit) outOfService(c *Command, scan *signal.Scan) ([]Event, error) {
	a, err := u.place(c)
	if err != nil {
		return nil, err
	}
	leave, err := c.leave(scan.Time, longestLeave)
	if err != nil {
		return nil, err
	}
	a.Leave = leave
	return until(u.done(c, scan, a.Place), leave.Until), nil
}

func (u *Unit) backInService(c *Command, scan *signal.Scan) ([]Event, error) {
	a, err := u.place(c)
	if err != nil {
		return nil, err
	}
	if !a.Leave.On() {
		return nil, fmt.Errorf("%s is in service", a.Place)
	}
	a.Leave = alarm.Leave{}
	return u.done(c, scan, a.Place), nil
}

// place is the machine or the unit that a command names.
func (u *Unit) place(c *Command) (*absence, error) {
	var names []string
	for i := range u.leaves {
		if u.leaves[i].Place == c.Source {
			return &u.leaves[i], nil
		}
		names = append(names, u.leaves[i].Place)
	}
	return nil, fmt.Errorf("%q cannot be out of service: name one of %s as source", shortened(c.Source), strings.Join(names, ", "))
}

// leave is the time that a command asks for.
func (c *Command) leave(now time.Time, longest time.Duration) (alarm.Leave, error) {
	if err := c.end(now, longest); err != nil {
		return alarm.Leave{}, err
	}
	return alarm.NewLeave(now, c.Until, c.Reason, c.By), nil
}

// end checks the end that a command asks for.
func (c *Command) end(now time.Time, longest time.Duration) error {
	switch {
	case c.Until.IsZero():
		return fmt.Errorf("%s wants an end", c.Order)
	case !c.Until.After(now):
		return fmt.Errorf("the end, %s, is past: the agent's clock shows %s", c.Until.UTC().Format(time.RFC3339), now.UTC().Format(time.RFC3339))
	case c.Until.Sub(now) > longest:
		return fmt.Errorf("the end is too far: %s lasts %v at most", c.Order, longest)
	}
	return nil
}

// until notes the end that was set.
func until(events []Event, end time.Time) []Event {
	for i := range events {
		events[i].Until = end.UTC()
	}
	return events
}

func (u *Unit) note(c *Command, scan *signal.Scan) ([]Event, error) {
	source := c.Source
	if source == "" {
		source = unitSource
	}
	known := slices.ContainsFunc(u.alarms, func(w watcher) bool { return w.source == source }) ||
		slices.ContainsFunc(u.leaves, func(a absence) bool { return a.Place == source })
	if !known {
		return nil, fmt.Errorf("there is no %q to note anything of", shortened(source))
	}
	e := u.event(scan, NoteEvent, source, string(Note))
	if c.Alarm != "" {
		e.Name = c.Alarm
	}
	return []Event{e}, nil
}

func (u *Unit) forgetHeatExchange(c *Command, scan *signal.Scan) ([]Event, error) {
	events := u.done(c, scan, unitSource)
	events[0].Values = []Value{{"heat_exchange", signal.Number(u.air.learned.Tau), signal.Second.String()}}
	u.air.learner.Reset()
	u.air.learn(u.air.learner.Learned())
	return events, nil
}
