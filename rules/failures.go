package rules

import (
	"fmt"
	"slices"
	"time"

	"strokebank/rules/alarm"
	"strokebank/sensors/signal"
)

// FailureState is what people have made of a failure that was found.
type FailureState string

// The states of a failure.
const (
	Unconfirmed FailureState = "unconfirmed" // found by the program, nobody has said anything
	Confirmed   FailureState = "confirmed"   // a person says that it was one
	Rejected    FailureState = "rejected"    // a person says that it was none
)

// What a failure does to the function of the machine, in the words of ISO
// 14224, failure impact (from memory).
const (
	Critical = "critical" // it is lost at once
	Degraded = "degraded" // it goes on, less well
)

// failureModes are codes of ISO 14224, annex B (from memory), with the title
// and the impact that each usually has.
var failureModes = map[string]struct{ title, impact string }{
	"FTS": {"fails to start on demand", Critical},
	"STP": {"fails to stop on demand", Critical},
	"UST": {"spurious stop", Critical},
	"BRD": {"breakdown", Critical},
	"LOO": {"low output", Degraded},
	"ELP": {"external leakage of oil or air", Degraded},
	"ELU": {"external leakage of what serves the machine", Degraded},
	"PLU": {"plugged or choked", Degraded},
	"OTH": {"other", Degraded},
}

// FailureModes lists the codes of ISO 14224 that a failure may have here, in
// the order of the alphabet. The copy is the caller's own.
func FailureModes() []string {
	var codes []string
	for code := range failureModes {
		codes = append(codes, code)
	}
	slices.Sort(codes)
	return codes
}

// FailureTitle is a failure mode in words; empty for a code that is none.
func FailureTitle(code string) string { return failureModes[code].title }

// Failure is one failure of the machine at a position, or of the unit: what
// the program saw and, beside it and never in its place, what people say.
type Failure struct {
	ID       string       `json:"id"`               // "F12-20261125"
	Position string       `json:"position"`         // the machine's, or "unit"
	Serial   string       `json:"serial,omitempty"` // of the individual that stood there then
	State    FailureState `json:"state"`

	Seen   *FailureSeen   `json:"seen,omitempty"`   // nil: a person reported it
	Said   *FailureSaid   `json:"said,omitempty"`   // nil: nobody has said anything; the newest, the others are events
	Repair *FailureRepair `json:"repair,omitempty"` // nil: it is open
}

// FailureSeen is a failure as the program found it.
type FailureSeen struct {
	Time         time.Time `json:"time"`
	ClockTrusted bool      `json:"clock_trusted"`
	Alarm        string    `json:"alarm"` // that told it
	Mode         string    `json:"failure_mode"`
	Impact       string    `json:"failure_impact"`
	Times        int       `json:"times"` // found before it was closed
	Last         time.Time `json:"last_time"`
	FailureUse
}

// FailureUse is what the individual had done by then; unknown for the unit.
type FailureUse struct {
	Run    signal.Number `json:"operating_time_seconds"`
	Starts signal.Number `json:"starts"`
}

// FailureSaid is what a person says of a failure.
type FailureSaid struct {
	Time   time.Time `json:"time"` // when it was said
	By     string    `json:"by"`
	Via    string    `json:"via"`
	Mode   string    `json:"failure_mode,omitempty"` // empty: as seen
	When   time.Time `json:"failure_time,omitzero"`  // zero: as seen
	Reason string    `json:"reason,omitempty"`       // the cause, or why it was none
	FailureUse
}

// FailureRepair ends a failure.
type FailureRepair struct {
	Time   time.Time     `json:"restored_time"`
	Down   signal.Number `json:"down_time_seconds"` // from the failure to that; unknown where a clock was not trusted
	By     string        `json:"by"`
	Via    string        `json:"via"`
	Said   time.Time     `json:"time"` // when it was said
	Reason string        `json:"reason"`
}

// Mode is the failure mode: as a person says, or else as seen.
func (f *Failure) Mode() string {
	if f.Said != nil && f.Said.Mode != "" {
		return f.Said.Mode
	}
	if f.Seen != nil {
		return f.Seen.Mode
	}
	return ""
}

// Impact is what it did to the function: as seen or, where a person says
// another mode, what that usually does.
func (f *Failure) Impact() string {
	if mode := f.Mode(); f.Seen == nil || f.Seen.Mode != mode {
		return failureModes[mode].impact
	}
	return f.Seen.Impact
}

// Time is when it happened: as a person says, or else as seen.
func (f *Failure) Time() time.Time {
	switch {
	case f.Said != nil && !f.Said.When.IsZero():
		return f.Said.When
	case f.Seen != nil:
		return f.Seen.Time
	}
	return time.Time{}
}

// done reports a failure with which nothing more has to happen.
func (f *Failure) done() bool { return f.State == Rejected || f.Repair != nil }

// mostDone is how many failures that are done a unit keeps at hand, so that
// what was said of them can still be corrected.
const mostDone = 12

// failures is what is open at a unit and what was done last, oldest first. One
// machine has at most one open failure of a mode and impact, which bounds it.
type failures struct {
	Last int       `json:"last"` // number given out
	List []Failure `json:"list,omitempty"`
}

// watchFailure looks whether the alarm of a failure mode has found one. What
// another alarm explains, what happens out of service and what a test provokes
// is none.
func (u *Unit) watchFailure(scan *signal.Scan, w *watcher) {
	stands := w.alarm.Behind.Active()
	if !stands || w.failing || w.definition.Code == "" || w.definition.Name == alarm.OutputFalling {
		w.failing = w.failing && stands
		return
	}
	if u.explainedBy(w) != nil || u.leaveOf(w.source) != nil {
		return
	}
	w.failing = true
	if u.proofs.book.Test() == nil {
		u.found(scan, w)
	}
}

// found opens a failure, or counts it once more where the same is open.
func (u *Unit) found(scan *signal.Scan, w *watcher) {
	mode, impact := w.definition.Code, failureModes[w.definition.Code].impact
	if w.definition.Name == alarm.NoDelivery {
		impact = Critical
	}
	for i := range u.failures.List {
		f := &u.failures.List[i]
		if f.done() || f.Position != w.source || f.Seen == nil || f.Seen.Mode != mode || f.Seen.Impact != impact {
			continue
		}
		seen := *f.Seen // what was handed out stays as it is
		seen.Times++
		seen.Last = scan.Time
		f.Seen = &seen
		u.out.Events = append(u.out.Events, u.tellFailure(scan, f, "seen again"))
		return
	}
	f := u.newFailure(scan, w.source)
	f.State = Unconfirmed
	f.Seen = &FailureSeen{Time: scan.Time, ClockTrusted: scan.ClockTrusted, Alarm: w.definition.Name, Mode: mode, Impact: impact,
		Times: 1, Last: scan.Time, FailureUse: u.useBy(w.source)}
	u.out.Events = append(u.out.Events, u.tellFailure(scan, u.putFailure(f), "found"))
}

// newFailure has its number and the individual.
func (u *Unit) newFailure(scan *signal.Scan, position string) Failure {
	u.failures.Last++
	f := Failure{ID: fmt.Sprintf("F%d-%s", u.failures.Last, scan.Time.UTC().Format("20060102")), Position: position}
	if pair, which, ok := u.position(position); ok {
		f.Serial = u.pairs[pair].Serial(which)
	}
	return f
}

// useBy is what the machine at a position has done so far.
func (u *Unit) useBy(position string) FailureUse {
	if pair, which, ok := u.position(position); ok {
		m := &u.out.Machines[2*pair+which]
		return FailureUse{signal.Number(m.LifetimeRunSeconds), signal.Number(m.LifetimeStarts)}
	}
	return FailureUse{signal.Unknown(), signal.Unknown()}
}

// putFailure adds a failure, and lets go of the oldest that are done.
func (u *Unit) putFailure(f Failure) *Failure {
	list := append(u.failures.List, f)
	done := 0
	for i := range list {
		if list[i].done() {
			done++
		}
	}
	u.failures.List = slices.DeleteFunc(list, func(f Failure) bool {
		if over := done > mostDone; over && f.done() {
			done--
			return true
		}
		return false
	})
	return &u.failures.List[len(u.failures.List)-1]
}

// tellFailure is the event of what has become of a failure, and shows it.
func (u *Unit) tellFailure(scan *signal.Scan, f *Failure, name string) Event {
	told := *f
	e := u.event(scan, FailureEvent, f.Position, name)
	e.Title, e.Failure = FailureTitle(f.Mode()), &told
	u.out.Failures = append([]Failure{}, u.failures.List...)
	return e
}
