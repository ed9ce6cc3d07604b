package alarm

import (
	"errors"
	"time"
)

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
	State  State         `json:"state"`            // what it shows
	Behind State         `json:"behind,omitempty"` // where it stands, under NotKnown or a cover too
	Since  time.Time     `json:"since,omitzero"`   // of State, wall clock
	Last   Condition     `json:"condition"`        // at the last judgement that was not Unread
	Blind  bool          `json:"blind,omitempty"`  // Last is Unclear: the state is not known
	Stood  time.Duration `json:"stood_ns"`         // how long Last has contradicted Behind
	Raised time.Duration `json:"raised_ns"`        // watched time since the alarm was raised; 0 while it is not
	Shelf  Leave         `json:"shelf,omitzero"`
	Told   State         `json:"told,omitempty"` // while out of service: what the last event said

	fresh bool // raised by the last judgement
}

// Transition is a change of state. From and To are the same where an unknown
// alarm was acknowledged or a shelved one shelved anew.
type Transition struct {
	From, To State
	// Calls: the alarm asks for attention: it was raised, or appears from
	// under a cover while its condition stands.
	Calls bool
}

// Judge takes one scan's condition in. dt is the watched time since the step
// before (0 for the first one after a start): the time between two scans
// counts as what the condition was at both, and a caller leaves out what
// nobody watched. Nothing shows before Show. Judge never allocates.
//
// The moves are those of ISA-18.2 / IEC 62682: a raise leads to
// unacknowledged from everywhere, a clear from acknowledged to normal and from
// unacknowledged to returned unacknowledged (to normal where d.Acknowledge is
// false). What clears under a cover need not be acknowledged: nobody was to
// see it. Where d.Latch is set, latched stands in the place of normal.
func (a *Alarm) Judge(d *Definition, c Condition, dt time.Duration) {
	a.repair()
	a.fresh = false
	if a.Behind.Active() {
		a.Raised += max(dt, 0)
	}
	if c == Unread {
		return
	}
	if c != Present && c != Absent {
		c = Unclear
	}
	if c == a.Last && (c == Present) != a.Behind.Active() {
		a.Stood += max(dt, 0)
	} else {
		a.Stood = 0
	}
	a.Last, a.Blind = c, c == Unclear
	switch stands := a.Behind; {
	case c == Present && !stands.Active() && a.Stood >= d.OnDelay:
		a.Behind, a.Raised, a.fresh = Unacknowledged, 0, true
	case c == Absent && stands.Active() && a.Stood >= d.OffDelay:
		a.Behind, a.Raised = a.cleared(d), 0
	case c == Absent && stands == Returned && !d.Acknowledge: // the site no longer wants it
		a.Behind = d.rest()
	case stands == Latched && !d.Latch:
		a.Behind = Normal
	}
}

// Show decides what is seen of the alarm after Judge. explained: another alarm
// that explains it stands; away: its machine or unit is out of service. dt and
// now are the watched time since the last Show and the wall clock at the
// source. The second result says whether there is something to tell.
//
// A machine or unit out of service silences its alarms without a word of
// their own: that it was taken out is said once, by the caller. What shows
// after the shelf or the service is unacknowledged anew if it stands.
func (a *Alarm) Show(explained, away bool, dt time.Duration, now time.Time) (Transition, bool) {
	a.repair()
	a.Shelf.Pass(dt, now)
	next := a.shows(explained, away)
	if (a.State == Shelved || a.State == OutOfService) && next == Acknowledged {
		a.Behind, next = Unacknowledged, Unacknowledged
	}
	return a.enter(next, now)
}

// Rests reports an alarm for which Show has nothing to do and nothing to tell
// while its machine and unit are in service.
func (a *Alarm) Rests() bool {
	return a.State == Normal && a.Behind == Normal && !a.Blind && !a.Shelf.On()
}

// shows is the state under the present covers, the strongest first.
func (a *Alarm) shows(explained, away bool) State {
	switch {
	case away:
		return OutOfService
	case a.Shelf.On():
		return Shelved
	case a.Blind:
		return NotKnown
	case explained && a.Behind.Active():
		return Suppressed
	}
	return a.Behind
}

// enter makes next what is seen.
func (a *Alarm) enter(next State, now time.Time) (Transition, bool) {
	from := a.State
	if next == from {
		return Transition{}, false
	}
	a.State, a.Since = next, now
	if next == OutOfService {
		a.Told = from
		return Transition{}, false
	}
	calls := next == Unacknowledged && (a.fresh || from == Shelved || from == Suppressed || from == OutOfService)
	if from == OutOfService {
		from, a.Told = a.Told, ""
		if from == next {
			return Transition{}, false
		}
	}
	return Transition{from, next, calls}, true
}

// The reasons for which a person's wish is refused.
var (
	errShelved    = errors.New("the alarm is shelved")
	errSuppressed = errors.New("the alarm is suppressed by design: acknowledge the one that explains it")
	errAway       = errors.New("its machine or unit is out of service")
	errNothing    = errors.New("there is nothing to acknowledge: the alarm is not raised, or somebody has acknowledged it")
	errStands     = errors.New("its cause still stands: it can be reset only once that is gone")
	errUnseen     = errors.New("nobody has acknowledged it: do that before the reset")
	errNotLatched = errors.New("the alarm is not latched")
	errNotShelved = errors.New("the alarm is not shelved")
)

// Acknowledge records that a person has seen the alarm. An unknown alarm can
// be acknowledged too: it stays unknown and remembers. The error says why
// there is nothing to acknowledge.
func (a *Alarm) Acknowledge(d *Definition, now time.Time) (Transition, error) {
	a.repair()
	switch {
	case a.State == Shelved:
		return Transition{}, errShelved
	case a.State == Suppressed:
		return Transition{}, errSuppressed
	case a.State == OutOfService:
		return Transition{}, errAway
	case a.Behind == Unacknowledged:
		a.Behind = Acknowledged
	case a.Behind == Returned:
		a.Behind = d.rest()
	default:
		return Transition{}, errNothing
	}
	return a.move(a.shows(false, false), now), nil
}

// Reset lets a latched alarm become normal.
func (a *Alarm) Reset(now time.Time) (Transition, error) {
	a.repair()
	switch {
	case a.State == OutOfService:
		return Transition{}, errAway
	case a.Behind.Active():
		return Transition{}, errStands
	case a.Behind == Returned:
		return Transition{}, errUnseen
	case a.Behind != Latched:
		return Transition{}, errNotLatched
	}
	a.Behind = Normal
	return a.move(a.shows(false, false), now), nil
}

// Shelve puts the alarm on the shelf until its leave ends; a shelved one gets
// the new end.
func (a *Alarm) Shelve(l Leave, now time.Time) (Transition, error) {
	a.repair()
	if a.State == OutOfService {
		return Transition{}, errAway
	}
	a.Shelf = l
	return a.move(Shelved, now), nil
}

// Unshelve takes it down before the end. explained as in Show.
func (a *Alarm) Unshelve(explained bool, now time.Time) (Transition, error) {
	a.repair()
	if !a.Shelf.On() {
		return Transition{}, errNotShelved
	}
	if a.State == OutOfService {
		return Transition{}, errAway
	}
	a.Shelf, a.fresh = Leave{}, false
	t, _ := a.Show(explained, false, 0, now)
	return t, nil
}

// move is enter for what a person does, which is told even where the state
// stays.
func (a *Alarm) move(next State, now time.Time) Transition {
	a.fresh = false
	if t, changed := a.enter(next, now); changed {
		return t
	}
	return Transition{From: next, To: next}
}

// Holding reports whether a deadband applies to the next comparison: the
// condition stood at the last step, or it is not known and stood before.
func (a *Alarm) Holding() bool {
	if a.Last == Unclear {
		return a.Behind.Active()
	}
	return a.Last == Present
}

// Explains reports whether the alarm is in sight and stands, so that others
// may be put down to it. One that is itself explained still counts, since what
// explains it is in sight; a shelved one does not, nor one out of service.
func (a *Alarm) Explains() bool {
	return a.State.Active() || a.State == Suppressed
}

// repair makes a value sound that was never set or was saved by a version
// that knew other states.
func (a *Alarm) repair() {
	if !a.Behind.plain() {
		a.Behind = Normal
		if a.State.plain() {
			a.Behind = a.State
		}
	}
	if !a.State.plain() && !a.State.covers() {
		a.State = a.Behind
	}
}

func (s State) covers() bool {
	return s == NotKnown || s == Shelved || s == Suppressed || s == OutOfService
}

// cleared is where an active alarm goes when its condition is gone.
func (a *Alarm) cleared(d *Definition) State {
	if a.Behind == Unacknowledged && d.Acknowledge && (a.State.plain() || a.State == NotKnown) {
		return Returned
	}
	return d.rest()
}

// rest is where an alarm comes to rest that was seen and is gone.
func (d *Definition) rest() State {
	if d.Latch {
		return Latched
	}
	return Normal
}

// stale is how long an alarm is raised before it counts as stale (ISA-18.2;
// the figure from memory).
const stale = 24 * time.Hour

// Status is the view of the alarm at a source. Value, Limit and Unit, and the
// reason where it is not the shelf's, are the caller's to add.
func (a *Alarm) Status(d *Definition, source string) Status {
	a.repair()
	s := Status{
		Name: d.Name, Source: source, Title: d.Title, State: a.State,
		Priority: d.Priority, Since: a.Since, Action: d.Action,
		Respond: d.Respond.Seconds(), Note: d.Note,
		Value: unknown, Limit: unknown, Stale: a.Raised > stale,
	}
	if s.State.covers() {
		s.Behind = a.Behind
		if a.Blind && s.State != NotKnown {
			s.Behind = NotKnown
		}
	}
	if s.State == Shelved {
		s.Until, s.By, s.Reason = a.Shelf.Until, a.Shelf.By, a.Shelf.Reason
	}
	return s
}
