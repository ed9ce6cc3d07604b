package alarm

import "time"

// Alarm is one alarm at one source: where it stands and how far its running
// delay has come. It is a plain value whose JSON form is what a restart needs;
// the zero value is a normal alarm. One goroutine at a time.
//
// While the condition cannot be judged the state is NotKnown and Behind keeps
// where the alarm stood. With the first known condition it stands there again
// and both delays start anew, so a bad reading in between neither clears an
// alarm early nor asks a person to acknowledge it twice.
//
// After a restart a delay goes on from what had been counted when the value
// was saved; the time in between counts for nothing.
type Alarm struct {
	State  State         `json:"state"`
	Behind State         `json:"behind,omitempty"` // the state under NotKnown
	Since  time.Time     `json:"since,omitzero"`   // of State, wall clock
	Last   Condition     `json:"condition"`        // at the last step that was not Unread
	Stood  time.Duration `json:"stood_ns"`         // how long Last has contradicted the state
}

// Transition is a change of state. From and To are the same only where an
// unknown alarm was acknowledged.
type Transition struct {
	From, To State
}

// Step moves the alarm on by one scan. dt is the watched time since the
// step before (0 for the first one after a start): the time between two scans
// counts as what the condition was at both, and a caller leaves out what
// nobody watched. now is the wall clock at the condition's source. The second
// result says whether the state changed.
//
// The moves are those of ISA-18.2 / IEC 62682: a raise leads to
// unacknowledged from everywhere, a clear from acknowledged to normal and from
// unacknowledged to returned unacknowledged (to normal where d.Acknowledge is
// false). Step never allocates.
func (a *Alarm) Step(d *Definition, c Condition, dt time.Duration, now time.Time) (Transition, bool) {
	a.repair()
	if c == Unread {
		return Transition{}, false
	}
	if c != Present && c != Absent {
		c = Unclear
	}
	stands := a.stands()
	if c == a.Last && (c == Present) != stands.Active() {
		a.Stood += max(dt, 0)
	} else {
		a.Stood = 0
	}
	a.Last = c

	next := stands
	switch {
	case c == Unclear:
		next = NotKnown
	case c == Present && !stands.Active() && a.Stood >= d.OnDelay:
		next = Unacknowledged
	case c == Absent && stands.Active() && a.Stood >= d.OffDelay:
		next = cleared(stands, d.Acknowledge)
	case c == Absent && stands == Returned && !d.Acknowledge:
		next = Normal // the site no longer wants it acknowledged
	}
	return a.enter(next, stands, now)
}

// Acknowledge records that a person has seen the alarm. It changes nothing
// where there is nothing to acknowledge. An unknown alarm can be acknowledged
// too: it stays unknown and remembers.
func (a *Alarm) Acknowledge(now time.Time) (Transition, bool) {
	a.repair()
	next := a.stands()
	switch next {
	case Unacknowledged:
		next = Acknowledged
	case Returned:
		next = Normal
	default:
		return Transition{}, false
	}
	if a.State == NotKnown {
		a.Behind = next
		return Transition{NotKnown, NotKnown}, true
	}
	return a.enter(next, next, now)
}

// Holding reports whether a deadband applies to the next comparison: the
// condition stood at the last step, or it is not known and stood before.
func (a *Alarm) Holding() bool {
	if a.Last == Unclear {
		return a.stands().Active()
	}
	return a.Last == Present
}

// stands is the state without the cover of NotKnown.
func (a *Alarm) stands() State {
	if a.State == NotKnown {
		return a.Behind
	}
	return a.State
}

// enter makes next the state; behind is kept while it is NotKnown.
func (a *Alarm) enter(next, behind State, now time.Time) (Transition, bool) {
	from := a.State
	a.Behind = ""
	if next == NotKnown {
		a.Behind = behind
	}
	if next == from {
		return Transition{}, false
	}
	a.State, a.Since = next, now
	return Transition{from, next}, true
}

// repair makes a value sound that was never set or was saved by a version
// that knew other states.
func (a *Alarm) repair() {
	if !a.State.plain() && a.State != NotKnown {
		a.State = Normal
	}
	if a.State == NotKnown && !a.Behind.plain() {
		a.Behind = Normal
	}
}

// plain reports a state that an alarm with a known condition can stand in.
func (s State) plain() bool {
	switch s {
	case Normal, Unacknowledged, Acknowledged, Returned:
		return true
	}
	return false
}

// cleared is where an active alarm goes when its condition is gone.
func cleared(s State, acknowledge bool) State {
	if s == Unacknowledged && acknowledge {
		return Returned
	}
	return Normal
}

// Status is the view of the alarm at a source. Reason, Value, Limit and Unit
// are the caller's to add.
func (a *Alarm) Status(d *Definition, source string) Status {
	a.repair()
	return Status{
		Name: d.Name, Source: source, Title: d.Title, State: a.State,
		Priority: d.Priority, Since: a.Since, Action: d.Action,
		Respond: d.Respond.Seconds(), Note: d.Note,
		Value: unknown, Limit: unknown,
	}
}
