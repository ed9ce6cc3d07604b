package alarm

import "time"

// Leave is the time for which a person has put an alarm on the shelf, or a
// machine or unit out of service. The zero value is none. It is a plain value
// whose JSON form is what a restart needs.
type Leave struct {
	Since  time.Time     `json:"since,omitzero"`
	Until  time.Time     `json:"until,omitzero"` // wall clock
	Left   time.Duration `json:"left_ns,omitempty"`
	Reason string        `json:"reason,omitempty"`
	By     string        `json:"by,omitempty"`
}

// NewLeave begins at now and ends at until.
func NewLeave(now, until time.Time, reason, by string) Leave {
	return Leave{Since: now, Until: until, Left: until.Sub(now), Reason: reason, By: by}
}

// On reports whether the leave lasts.
func (l *Leave) On() bool { return !l.Until.IsZero() }

// Pass lets dt of watched time go by and reports whether the leave has ended
// with it. It ends by the wall clock or by the time watched, whichever is
// first: a clock that is set in either direction, or wakes in the wrong year,
// may end it early and never late.
func (l *Leave) Pass(dt time.Duration, now time.Time) bool {
	if !l.On() {
		return false
	}
	l.Left -= max(dt, 0)
	if l.Left > 0 && now.Before(l.Until) {
		return false
	}
	*l = Leave{}
	return true
}
