// Package alarm holds the catalogue of alarms and their life cycle, after the
// state model of ISA-18.2 / IEC 62682.
package alarm

import (
	"time"

	"strokebank/sensors/signal"
)

// Priority follows consequence and time to respond.
type Priority string

// The priorities, most urgent first.
const (
	High   Priority = "high"
	Medium Priority = "medium"
	Low    Priority = "low"
)

// State is where an alarm stands in its life cycle.
type State string

// The states of ISA-18.2 / IEC 62682, by name since the letters differ
// between editions. What the standard calls latched unacknowledged is Returned
// here: seen or not is the first question either way, and the acknowledgement
// leads to Latched.
const (
	Normal         State = "normal"
	Unacknowledged State = "unacknowledged"
	Acknowledged   State = "acknowledged"
	Returned       State = "returned unacknowledged"
	Latched        State = "latched" // gone and seen, waits for a reset
	Shelved        State = "shelved"
	Suppressed     State = "suppressed by design"
	OutOfService   State = "out of service"
	NotKnown       State = "unknown"
)

// States lists them all, in the order of the life cycle. The copy is the
// caller's own.
func States() []State {
	return []State{Normal, Unacknowledged, Acknowledged, Returned, Latched, Shelved, Suppressed, OutOfService, NotKnown}
}

// Active reports whether the alarm's condition stands in this state.
func (s State) Active() bool { return s == Unacknowledged || s == Acknowledged }

// plain reports a state that an alarm can stand in; the others cover one.
func (s State) plain() bool {
	switch s {
	case Normal, Unacknowledged, Acknowledged, Returned, Latched:
		return true
	}
	return false
}

// Definition is one row of the catalogue.
type Definition struct {
	Name     string // "low_reserve": part of topics and metrics
	Title    string // for a person
	Meaning  string
	Causes   []string
	Action   string        // what the operator does
	Respond  time.Duration // how long there is to do it
	Priority Priority
	// Code is the failure mode of ISO 14224 where one fits (from memory): FTS
	// fails to start on demand, STP fails to stop on demand, LOO low output, UST
	// spurious stop, BRD breakdown, PLU plugged, ELP external leakage. Raised, it
	// opens a failure.
	Code     string
	OnDelay  time.Duration // the condition must stand this long before the alarm is raised
	OffDelay time.Duration // and must be gone this long before it clears
	Deadband float64       // ratio of the limit by which the value must return
	Explains []string      // alarms that follow from this one and never rank above it
	// Acknowledge: a returned alarm waits for a person before it is normal.
	// Without it a returned alarm is normal at once.
	Acknowledge bool
	// Latch: once its cause is gone and somebody has seen it, the alarm waits
	// for a reset. No row of the catalogue asks for it: what must stay tripped
	// is latched by the panel. A site may.
	Latch  bool
	Safety bool   // a site may tune it but never drop it
	Note   string // the site's own words, from its Setting
}

// Apply is the definition as the site wants it. Safe to call on a copy from
// Catalogue or Find; d itself is not changed.
func (d Definition) Apply(s Setting) Definition {
	if s.Priority != "" {
		d.Priority = s.Priority
	}
	if s.OnDelay != nil {
		d.OnDelay = *s.OnDelay
	}
	if s.OffDelay != nil {
		d.OffDelay = *s.OffDelay
	}
	if s.Deadband != nil {
		d.Deadband = *s.Deadband
	}
	if s.Acknowledge != nil {
		d.Acknowledge = *s.Acknowledge
	}
	if s.Latch != nil {
		d.Latch = *s.Latch
	}
	if s.Note != "" {
		d.Note = s.Note
	}
	return d
}

// Setting is what a site changes of a definition; nil keeps the default.
type Setting struct {
	Priority Priority // empty keeps the default
	OnDelay  *time.Duration
	OffDelay *time.Duration
	Deadband *float64
	Limit    *float64 // SI; only where the alarm has a limit of its own
	Note     string   // the site's own words, shown beside the action

	Acknowledge *bool // whether a returned alarm waits for a person
	Latch       *bool // whether it then waits for a reset
}

// Condition is what the rules found this scan.
type Condition uint8

// The conditions; the zero value is the one that nobody knows.
const (
	Unclear Condition = iota // an input is bad
	Absent
	Present
	Unread // nothing was read yet since the start: the alarm stays as it was
)

// Status is the present view of one alarm.
type Status struct {
	Name     string        `json:"alarm"`
	Source   string        `json:"source"` // "unit", "pump1", "link.panel"
	Title    string        `json:"title"`
	State    State         `json:"state"`
	Behind   State         `json:"behind,omitempty"` // where it stands under a state that covers it
	Reason   string        `json:"reason,omitempty"` // why it is unknown or covered
	Priority Priority      `json:"priority"`
	Since    time.Time     `json:"since,omitzero"` // of the present state
	Until    time.Time     `json:"until,omitzero"` // end of shelving or of being out of service
	By       string        `json:"by,omitempty"`   // who has shelved it or taken it out of service
	Action   string        `json:"action"`
	Respond  float64       `json:"respond_within_seconds"`
	Note     string        `json:"note,omitempty"`
	Value    signal.Number `json:"value"` // what was compared, where there is one
	Limit    signal.Number `json:"limit"`
	Unit     signal.Unit   `json:"unit,omitempty"`

	Chattering bool `json:"chattering,omitempty"` // raised three times or more within a minute
	Stale      bool `json:"stale,omitempty"`      // raised for longer than a day
}

// Raised says whether the alarm's condition stands, covered or not; known is
// false while that cannot be judged.
func (s *Status) Raised() (raised, known bool) {
	state := s.State
	if state.plain() {
		return state.Active(), true
	}
	return s.Behind.Active(), state != NotKnown && s.Behind != NotKnown
}

// NeedsSomeone reports whether the alarm waits for a person: its condition
// stands, or nobody has seen or reset it since.
func (s State) NeedsSomeone() bool { return s.plain() && s != Normal }
