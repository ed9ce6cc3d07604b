package rules

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Role is what somebody may do.
type Role string

// The roles. Who may act may see.
const (
	See Role = "see"
	Act Role = "act"
)

// LogIn is how a note comes that the agent makes itself, of who came in, was
// refused, or left. No adapter gives it to a command from outside.
const LogIn = "log-in"

// Order is the word for what a command does.
type Order string

// All there is to command. None of it reaches the plant.
const (
	Acknowledge        Order = "acknowledge"          // an alarm was seen
	Shelve             Order = "shelve"               // put an alarm aside, with an end and a reason
	Unshelve           Order = "unshelve"             // take it back
	Reset              Order = "reset"                // a latched alarm
	OutOfService       Order = "out_of_service"       // a machine or the unit, with an end and a reason
	BackInService      Order = "back_in_service"      // and back
	AnnounceTest       Order = "announce_test"        // what happens until its end is a test
	EndTest            Order = "end_test"             // before its end
	SetBaseline        Order = "set_baseline"         // what is normal for a machine is found anew
	ExchangeMachine    Order = "exchange_machine"     // another individual stands at a position
	ServiceDone        Order = "service_done"         // a machine was serviced
	Note               Order = "note"                 // a remark for the journal
	ForgetHeatExchange Order = "forget_heat_exchange" // what was learned of the tank's heat exchange
	RecordFailure      Order = "record_failure"       // a failure that the program did not see
	ConfirmFailure     Order = "confirm_failure"      // what was found is one
	CorrectFailure     Order = "correct_failure"      // it is one of another mode, or happened at another time
	RejectFailure      Order = "reject_failure"       // it is none
	CloseFailure       Order = "close_failure"        // it was repaired
)

// Orders lists them all. The copy is the caller's own.
func Orders() []Order {
	return []Order{Acknowledge, Shelve, Unshelve, Reset, OutOfService, BackInService, AnnounceTest, EndTest,
		SetBaseline, ExchangeMachine, ServiceDone, Note, ForgetHeatExchange,
		RecordFailure, ConfirmFailure, CorrectFailure, RejectFailure, CloseFailure}
}

// Command is one thing that a person wants of the agent. Who asks, and that
// they may, has been settled before it gets here.
type Command struct {
	ID     string    `json:"id"` // chosen by who asks; answers and events carry it
	Order  Order     `json:"command"`
	Unit   string    `json:"unit"`
	Source string    `json:"source,omitempty"` // of the alarm; or the machine, "unit", a protective function
	Alarm  string    `json:"alarm,omitempty"`
	By     string    `json:"by"` // the person, as given
	Role   Role      `json:"role"`
	Via    string    `json:"via"` // "page", "command line", "message", LogIn
	Reason string    `json:"reason,omitempty"`
	Until  time.Time `json:"until,omitzero"`

	// Of ExchangeMachine: the new individual and what it had run and started
	// before, s and starts.
	Serial       string  `json:"serial,omitempty"`
	SecondsSoFar float64 `json:"seconds_so_far,omitempty"`
	StartsSoFar  float64 `json:"starts_so_far,omitempty"`

	// Of ServiceDone: the task; empty: all that are due at the source.
	Task string `json:"task,omitempty"`

	// Of the orders about a failure: its id or the number that begins it; the
	// mode, a code of ISO 14224; when it happened or, of CloseFailure, when the
	// machine was restored; zero: as seen, or now.
	Failure string    `json:"failure,omitempty"`
	Mode    string    `json:"failure_mode,omitempty"`
	At      time.Time `json:"at,omitzero"`
}

// Outcome is the answer to a command.
type Outcome struct {
	ID       string   `json:"id"`
	Accepted bool     `json:"accepted"`
	Why      string   `json:"why,omitempty"`     // it was refused
	Events   []string `json:"events,omitempty"`  // the ids of what it led to, once they are recorded
	Durable  bool     `json:"durable,omitempty"` // and whether they are on the disk
}

// Refused is the answer to a command that is not carried out.
func Refused(id, why string) Outcome { return Outcome{ID: id, Why: why} }

// The bounds of what a person may write, so that a message of any size leads
// to a refusal and not to a full disk; and of how long something may be out of
// sight. *Common practice, no source.*
const (
	longestWord   = 80  // bytes of an id, a name or a source
	longestReason = 500 // bytes
	longestShelf  = 24 * time.Hour
	longestLeave  = 366 * 24 * time.Hour
	longestTest   = 24 * time.Hour
)

// Check reports what is wrong with a command in itself, whatever the unit.
func (c *Command) Check() error {
	for _, f := range []struct {
		name, text string
		most       int
	}{{"id", c.ID, longestWord}, {"unit", c.Unit, longestWord}, {"source", c.Source, longestWord}, {"alarm", c.Alarm, longestWord},
		{"by", c.By, longestWord}, {"serial", c.Serial, longestWord}, {"task", c.Task, longestWord},
		{"failure", c.Failure, longestWord}, {"failure_mode", c.Mode, longestWord}, {"reason", c.Reason, longestReason}} {
		switch {
		case len(f.text) > f.most:
			return fmt.Errorf("%s is longer than %d bytes", f.name, f.most)
		case !utf8.ValidString(f.text) || strings.ContainsFunc(f.text, unicode.IsControl):
			return fmt.Errorf("%s is not plain text", f.name)
		}
	}
	switch {
	case c.ID == "":
		return errors.New("id is missing: the answer could not be told from another")
	case strings.TrimSpace(c.By) == "":
		return errors.New("by is missing: say who asks")
	case c.Unit == "":
		return errors.New("unit is missing")
	case !slices.Contains(Orders(), c.Order):
		return fmt.Errorf("there is no command %q", shortened(string(c.Order)))
	case needsReason(c.Order) && strings.TrimSpace(c.Reason) == "":
		return fmt.Errorf("%s wants a reason", c.Order)
	}
	return nil
}

// needsReason reports the orders that mean nothing without words.
func needsReason(o Order) bool {
	switch o {
	case Shelve, OutOfService, AnnounceTest, SetBaseline, ExchangeMachine, ServiceDone, Note, ForgetHeatExchange,
		RecordFailure, CorrectFailure, RejectFailure, CloseFailure:
		return true
	}
	return false
}

// shortened keeps an answer short whatever was asked.
func shortened(text string) string {
	if len(text) > 40 {
		return text[:40] + "…"
	}
	return text
}
