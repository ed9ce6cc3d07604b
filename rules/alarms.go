package rules

import (
	"slices"
	"time"

	"strokebank/rules/alarm"
	"strokebank/rules/machine"
	"strokebank/sensors/signal"
)

// verdict is what a check found this scan.
type verdict struct {
	condition    alarm.Condition
	reason       string // why it is unclear
	value, limit signal.Number
	unit         signal.Unit
}

// check judges one alarm at one source from the unit as it is after this
// scan's measurement. hold is whether the deadband applies.
type check func(u *Unit, scan *signal.Scan, d *alarm.Definition, hold bool) verdict

// watcher is one alarm at one source.
type watcher struct {
	definition alarm.Definition
	source     string
	check      check
	alarm      alarm.Alarm
	test       bool // raised by an announced test
	failing    bool // the failure that it stands for was found
	tally      alarm.Tally
	explainers []explainer
	found      verdict // of this scan
}

// watchers builds every alarm that the unit's signals allow, in catalogue
// order. An alarm whose signal is not wired has no watcher: it is not there,
// rather than forever quiet.
func (u *Unit) watchers(points []signal.Point) []watcher {
	var list []watcher
	for _, d := range alarm.Catalogue() {
		setting := u.cfg.Alarms[d.Name]
		add := func(source string, c check) {
			list = append(list, watcher{definition: d.Apply(setting), source: source, check: c})
		}
		switch d.Name {
		case alarm.LowReserve:
			add(unitSource, checkCycles(float64(u.cfg.Reserve.Required)))
		case alarm.ReserveLost:
			add(unitSource, checkCycles(1))
		case alarm.ReserveUnknown:
			add(unitSource, checkReserveUnknown)
		case alarm.LowPressure:
			add(unitSource, checkPressure(limitOf(setting, u.cfg.LowPressure)))
		case alarm.LowLevel:
			add(unitSource, checkLevel(limitOf(setting, u.cfg.LowLevel)))
		default:
			u.wired(d.Name, points, add)
			u.plant(d.Name, add)
		}
	}
	return list
}

// limitOf is the site's own limit for an alarm, or the unit's.
func limitOf(s alarm.Setting, otherwise float64) float64 {
	if s.Limit != nil {
		return *s.Limit
	}
	return otherwise
}

// wired adds the alarms that stand or fall with a signal.
func (u *Unit) wired(name string, points []signal.Point, add func(string, check)) {
	switch name {
	case alarm.PairNoAnswer:
		for i, source := range pairSources {
			add(source, checkPair(func(u *Unit) signal.Reading { return u.machines[i].NoAnswer }))
		}
	case alarm.FailedToStart:
		u.eachMachine(points, add, func(o *machine.Out, which int) signal.Reading { return o.FailedToStart[which] }, signal.Running)
	case alarm.Overload:
		u.eachMachine(points, add, func(o *machine.Out, which int) signal.Reading { return o.Overload[which] }, signal.Overload)
	case alarm.NotInAutomatic:
		u.eachMachine(points, add, func(o *machine.Out, which int) signal.Reading { return o.NotInAutomatic[which] }, signal.Automatic, signal.Hand)
	case alarm.TransmitterFailed:
		for i, p := range points {
			if p.Unit != signal.Boolean || u.isRunning(p.ID) {
				add(string(p.ID), checkSignal(i))
			}
		}
	case alarm.LinkLost:
		for i, p := range points {
			if p.ID.IsLink() {
				add(string(p.ID), checkOff(i))
			}
		}
	case alarm.MainsLost:
		if u.at.mains >= 0 {
			add(unitSource, checkOff(u.at.mains))
		}
	default:
		u.worked(name, points, add)
		u.aboutAgent(name, points, add)
	}
}

// eachMachine adds an alarm for every machine that has one of the signals that
// tell.
func (u *Unit) eachMachine(points []signal.Point, add func(string, check), of func(*machine.Out, int) signal.Reading, tell ...string) {
	for pair, config := range u.pairConfigs() {
		for which := range config.Machines {
			position := config.Machines[which].Position
			told := slices.ContainsFunc(tell, func(name string) bool { return find(points, signal.Of(position, name)) >= 0 })
			if told {
				add(position, checkPair(func(u *Unit) signal.Reading { return of(u.machines[pair], which) }))
			}
		}
	}
}

// isRunning reports whether a point is one of the four running contacts.
func (u *Unit) isRunning(id signal.ID) bool {
	for _, config := range u.pairConfigs() {
		for _, m := range config.Machines {
			if id == signal.Of(m.Position, signal.Running) {
				return true
			}
		}
	}
	return false
}

// stepAlarms moves every alarm on by one scan. dt is the watched time. All are
// judged before any shows, and what explains others shows before them.
func (u *Unit) stepAlarms(scan *signal.Scan, dt time.Duration) {
	minute := u.load.Pass(dt, true)
	for i := range u.alarms {
		w := &u.alarms[i]
		w.found = w.check(u, scan, &w.definition, w.alarm.Holding())
		w.alarm.Judge(&w.definition, w.found.condition, dt)
	}
	u.passLeaves(scan, dt)
	told := false
	for _, i := range u.order {
		w := &u.alarms[i]
		if len(u.out.Away) > 0 || !w.alarm.Rests() { // most alarms, most of the time
			change, changed := w.alarm.Show(u.explainedBy(w) != nil, u.leaveOf(w.source) != nil, dt, scan.Time)
			if changed {
				told = true
				u.out.Events = append(u.out.Events, u.alarmEvent(scan, w, change))
			}
		}
		u.watchFailure(scan, w)
	}
	for i := range u.alarms {
		w, s := &u.alarms[i], &u.out.Alarms[i]
		if w.alarm.State == alarm.Normal && s.State == alarm.Normal {
			// Most alarms, most of the time: nothing but the figures moves.
			s.Value, s.Limit, s.Unit = w.found.value, w.found.limit, w.found.unit
			s.Chattering = w.tally.Chattering(&u.load)
			continue
		}
		*s = u.status(w)
	}
	if told || minute {
		u.load.Fill(&u.out.AlarmLoad, u.out.Alarms, func(i int) *alarm.Tally { return &u.alarms[i].tally })
	}
}

// status is the present view of an alarm.
func (u *Unit) status(w *watcher) alarm.Status {
	s := w.alarm.Status(&w.definition, w.source)
	s.Value, s.Limit, s.Unit = w.found.value, w.found.limit, w.found.unit
	s.Chattering = w.tally.Chattering(&u.load)
	switch s.State {
	case alarm.NotKnown:
		s.Reason = w.found.reason
	case alarm.Suppressed:
		if e := u.explainedBy(w); e != nil {
			s.Reason = e.because
		}
	case alarm.OutOfService:
		if l := u.leaveOf(w.source); l != nil {
			s.Until, s.By, s.Reason = l.Until, l.By, l.Reason
		}
	}
	return s
}

// alarmEvent is a change of state with what caused it. An alarm that asks for
// attention is counted.
func (u *Unit) alarmEvent(scan *signal.Scan, w *watcher, change alarm.Transition) Event {
	if change.Calls {
		u.load.Call(&w.tally, w.definition.Priority)
	}
	v := &w.found
	e := u.event(scan, AlarmEvent, w.source, w.definition.Name)
	e.Title, e.Priority, e.Action = w.definition.Title, w.definition.Priority, w.definition.Action
	e.From, e.To, e.Reason = string(change.From), string(change.To), v.reason
	switch {
	case change.To == alarm.Suppressed:
		e.Reason = u.status(w).Reason
	case change.From == alarm.Shelved && change.To != alarm.Shelved:
		e.Reason = "the shelving has ended"
	}
	if v.limit.Known() {
		e.Values = append(e.Values, Value{"value", v.value, v.unit.String()}, Value{"limit", v.limit, v.unit.String()})
	}
	e.Values = append(e.Values, u.evidence(w.definition.Name, w.source)...)
	e.Values = append(e.Values, u.plantEvidence(w)...)
	e.Values = append(e.Values, u.tankValues(scan)...)
	u.markTest(w, &e)
	return e
}

// checkCycles is present while fewer than limit cycles are certain. Whole
// figures need no deadband: the cycles themselves are one.
func checkCycles(limit float64) check {
	return func(u *Unit, scan *signal.Scan, _ *alarm.Definition, hold bool) verdict {
		f := &u.out.Reserve
		v := verdict{value: f.AtLeast, limit: signal.Number(limit), unit: signal.Cycle}
		if !f.Known {
			v.condition, v.reason, v.value = u.reserveUnclear(scan), f.Reason, signal.Unknown()
			return v
		}
		v.condition = alarm.Below(signal.Reading{Value: float64(f.AtLeast), Quality: f.Quality}, limit, 0, hold)
		return v
	}
}

// reserveUnclear tells "nothing was read yet" from "an input is bad".
func (u *Unit) reserveUnclear(scan *signal.Scan) alarm.Condition {
	for _, at := range [...]int{u.at.pressure, u.at.level} {
		if r := scan.Readings[at]; !r.Known() && r.Reason == signal.NeverRead {
			return alarm.Unread
		}
	}
	return alarm.Unclear
}

func checkReserveUnknown(u *Unit, scan *signal.Scan, _ *alarm.Definition, _ bool) verdict {
	v := verdict{value: signal.Unknown(), limit: signal.Unknown(), reason: u.out.Reserve.Reason}
	switch {
	case u.out.Reserve.Known:
		v.condition = alarm.Absent
	case u.reserveUnclear(scan) == alarm.Unread:
		v.condition = alarm.Unread
	default:
		v.condition = alarm.Present
	}
	return v
}

func checkPressure(limit float64) check {
	return func(u *Unit, scan *signal.Scan, d *alarm.Definition, hold bool) verdict {
		return below(scan.Readings[u.at.pressure], limit, d, hold)
	}
}

func checkLevel(limit float64) check {
	return func(u *Unit, _ *signal.Scan, d *alarm.Definition, hold bool) verdict {
		return below(u.out.Level, limit, d, hold)
	}
}

// below compares a reading with a lower limit.
func below(r signal.Reading, limit float64, d *alarm.Definition, hold bool) verdict {
	return verdict{
		condition: alarm.Below(r, limit, d.Deadband, hold), reason: r.Reason.String(),
		value: r.Number(), limit: signal.Number(limit), unit: r.Unit,
	}
}

// checkPair takes the condition that the machines' part has found.
func checkPair(found func(*Unit) signal.Reading) check {
	return func(u *Unit, _ *signal.Scan, _ *alarm.Definition, _ bool) verdict {
		r := found(u)
		return verdict{condition: alarm.When(r), reason: r.Reason.String(), value: signal.Unknown(), limit: signal.Unknown()}
	}
}

// checkOff is present while the contact at a place is known to be off.
func checkOff(at int) check {
	return func(_ *Unit, scan *signal.Scan, _ *alarm.Definition, _ bool) verdict {
		r := scan.Readings[at]
		return verdict{condition: opposite(alarm.When(r)), reason: r.Reason.String(), value: r.Number(), limit: signal.Unknown(), unit: signal.Boolean}
	}
}

// opposite turns presence around and leaves what is not known alone.
func opposite(c alarm.Condition) alarm.Condition {
	switch c {
	case alarm.Present:
		return alarm.Absent
	case alarm.Absent:
		return alarm.Present
	default:
		return c
	}
}

// checkSignal is present while a signal is bad for a reason of its own. A
// signal that is gone with its link is unclear: link_lost says that.
func checkSignal(at int) check {
	return func(_ *Unit, scan *signal.Scan, _ *alarm.Definition, _ bool) verdict {
		r := scan.Readings[at]
		v := verdict{condition: alarm.Absent, reason: r.Reason.String(), value: r.Number(), limit: signal.Unknown(), unit: r.Unit}
		switch {
		case r.Known():
		case r.Reason == signal.NeverRead:
			v.condition = alarm.Unread
		case r.Reason == signal.LinkLost:
			v.condition = alarm.Unclear
		default:
			v.condition = alarm.Present
		}
		return v
	}
}
