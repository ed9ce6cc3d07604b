package rules

import (
	"fmt"
	"time"

	"strokebank/rules/machine"
	"strokebank/rules/machine/service"
	"strokebank/sensors/signal"
)

// lookEvery is how often the service book is looked at.
const lookEvery = time.Minute

// paceFrom is how long a machine must have been watched before its pace tells
// when a service will be due, s; common practice, no source.
const paceFrom = 3 * 86400

// tasks is what the site wants done again and again, or what is usual.
func (u *Unit) tasks() []service.Task {
	if u.cfg.Service != nil {
		return u.cfg.Service
	}
	tasks := service.Usual(unitSource, unitSource)
	for _, pair := range u.pairConfigs() {
		for _, m := range pair.Machines {
			tasks = append(tasks, service.Usual(string(m.Kind), m.Position)...)
		}
	}
	return tasks
}

// newService opens the service book of the unit.
func (u *Unit) newService(saved []service.Done) (err error) {
	tasks := u.tasks()
	for _, t := range tasks {
		if _, _, ok := u.position(t.Source); !ok && t.Source != unitSource {
			return fmt.Errorf("service task %q: there is no machine %s", t.Name, t.Source)
		}
	}
	u.works.looked, u.works.use = -lookEvery, u.useOf
	u.works.book, err = service.NewBook(tasks, saved)
	return err
}

// position is the place of a machine.
func (u *Unit) position(source string) (pair, which int, ok bool) {
	for i, config := range u.pairConfigs() {
		for k := range config.Machines {
			if config.Machines[k].Position == source {
				return i, k, true
			}
		}
	}
	return 0, 0, false
}

// useOf is what a source has done so far.
func (u *Unit) useOf(source string) service.Use {
	use := service.Use{Time: u.out.Time, Trusted: u.out.ClockTrusted}
	if pair, which, ok := u.position(source); ok {
		m := &u.out.Machines[2*pair+which]
		use.Run, use.Starts = m.LifetimeRunSeconds, m.LifetimeStarts
		month := &m.Windows[2]
		if seconds := month.CoveredSeconds - month.UnobservedSeconds; seconds >= paceFrom {
			use.RunPace, use.StartsPace = month.RunSeconds/seconds, month.Starts/seconds
		}
	}
	return use
}

// worst is the task of a source that is nearest to its end, or nil.
func (u *Unit) worst(source string) *service.Status {
	var found *service.Status
	for i := range u.out.Service {
		s := &u.out.Service[i]
		if s.Source == source && (found == nil || s.Used > found.Used) {
			found = s
		}
	}
	return found
}

// Between two scans a person may say what was done at the machines. The events
// that tell of it are returned for the caller to record; where there is an
// error nothing has changed.

// Rebaseline begins the health of a machine anew, as after a repair: the next
// good runs make its new baseline.
func (u *Unit) Rebaseline(position string) (Event, error) {
	pair, which, ok := u.position(position)
	if !ok {
		return Event{}, noMachine(position)
	}
	e := u.event(&u.scan, CommandEvent, position, string(SetBaseline))
	o := u.works.outputs[2*pair+which]
	v := o.Verdict(position)
	e.Values = []Value{
		{"old_baseline", v.Baseline, signal.CubicMetrePerSecond.String()},
		{"last", v.Last, signal.CubicMetrePerSecond.String()},
	}
	o.Rebaseline(u.pairs[pair].Serial(which))
	u.works.faults[pair].Renew(which)
	u.showOutput(2*pair + which)
	return e, nil
}

// ServiceDone says that a service task of a machine, or of "unit", was done, by
// whom, with a note.
func (u *Unit) ServiceDone(source, task, by, note string) (Event, error) {
	use := u.useOf(source)
	done, err := u.works.book.Done(source, task, by, note, use)
	if err != nil {
		return Event{}, err
	}
	u.works.looked = -lookEvery
	e := u.event(&u.scan, CommandEvent, source, string(ServiceDone))
	e.Title, e.By, e.Reason, e.Service = task, by, note, &done
	if source != unitSource {
		e.Values = []Value{
			{"lifetime_run", signal.Number(use.Run), signal.Second.String()},
			{"lifetime_starts", signal.Number(use.Starts), ""},
		}
	}
	return e, nil
}

// Exchange puts another individual into a position. The hours and starts of
// the one before leave with it, and so does its health; its service tasks begin
// anew.
func (u *Unit) Exchange(position string, n machine.Individual, by string) (Event, error) {
	pair, which, ok := u.position(position)
	if !ok {
		return Event{}, noMachine(position)
	}
	left, err := u.pairs[pair].Exchange(position, n)
	if err != nil {
		return Event{}, err
	}
	u.works.outputs[2*pair+which].Rebaseline(n.Serial)
	u.works.faults[pair].Renew(which)
	use := u.useOf(unitSource)
	use.Run, use.Starts = n.RunOffset, n.StartOffset
	u.works.book.Exchanged(position, by, use)
	u.works.looked = -lookEvery
	u.showOutput(2*pair + which)
	e := u.event(&u.scan, CommandEvent, position, string(ExchangeMachine))
	e.From, e.To, e.By = left.Serial, n.Serial, by
	e.Values = []Value{
		{"left_run", signal.Number(left.RunOffset), signal.Second.String()},
		{"left_starts", signal.Number(left.StartOffset), ""},
		{"run_before", signal.Number(n.RunOffset), signal.Second.String()},
		{"starts_before", signal.Number(n.StartOffset), ""},
	}
	return e, nil
}

func noMachine(position string) error {
	return fmt.Errorf("there is no machine %q here", shortened(position))
}

func (u *Unit) setBaseline(c *Command, scan *signal.Scan) ([]Event, error) {
	e, err := u.Rebaseline(c.Source)
	return one(e, err, scan)
}

func (u *Unit) exchangeMachine(c *Command, scan *signal.Scan) ([]Event, error) {
	n := machine.Individual{Serial: c.Serial, RunOffset: c.SecondsSoFar, StartOffset: c.StartsSoFar, Installed: scan.Time}
	e, err := u.Exchange(c.Source, n, c.By)
	return one(e, err, scan)
}

// serviceDone writes one task down or, where none is named, all that are due.
func (u *Unit) serviceDone(c *Command, scan *signal.Scan) ([]Event, error) {
	if c.Task != "" {
		e, err := u.ServiceDone(c.Source, c.Task, c.By, c.Reason)
		return one(e, err, scan)
	}
	var events []Event
	for i := range u.out.Service {
		s := &u.out.Service[i]
		if s.Source != c.Source || s.State != service.Due {
			continue
		}
		e, err := u.ServiceDone(s.Source, s.Name, c.By, c.Reason)
		said, err := one(e, err, scan)
		if err != nil {
			return nil, err
		}
		events = append(events, said...)
	}
	if events == nil {
		return nil, fmt.Errorf("nothing is due at %q: name the task", shortened(c.Source))
	}
	return events, nil
}

// one is an event of a command at the scan that is about to be judged.
func one(e Event, err error, scan *signal.Scan) ([]Event, error) {
	if err != nil {
		return nil, err
	}
	e.Time, e.ClockTrusted = scan.Time, scan.ClockTrusted
	return []Event{e}, nil
}
