package rules

import (
	"time"

	"strokebank/rules/alarm"
	"strokebank/rules/machine"
	"strokebank/rules/machine/service"
	"strokebank/rules/machine/work"
	"strokebank/rules/proof"
	"strokebank/sensors/signal"
)

// Kind is what an event is about.
type Kind string

// The kinds of event.
const (
	AlarmEvent   Kind = "alarm"         // an alarm changed its state
	MachineEvent Kind = "machine"       // a machine started, stopped, or a run was cut
	AgentEvent   Kind = "agent"         // the agent started or stopped
	ClockEvent   Kind = "clock"         // the clock was corrected
	GapEvent     Kind = "gap"           // a time that nobody watched has ended
	ConfigEvent  Kind = "configuration" // the configuration changed
	DrawEvent    Kind = "draw"          // oil left the tank with no pump running
	LossEvent    Kind = "air_loss"      // air left the tank within seconds
	PanelEvent   Kind = "panel"         // the panel acted on one of its switches
	ProofEvent   Kind = "proof"         // a protective function was seen to work, or not to
	TestEvent    Kind = "test"          // a proof test began or ended
	CommandEvent Kind = "command"       // a person did something that is no alarm's change
	NoteEvent    Kind = "note"          // a person's remark
	FillEvent    Kind = "fill"          // a pump's run was measured
	ChargeEvent  Kind = "charge"        // what a compressor brought in was measured
	FailureEvent Kind = "failure"       // a failure was found, or a person said something of one
)

// Event is one thing that happened, at its source's time.
type Event struct {
	Kind         Kind           `json:"kind"`
	Time         time.Time      `json:"time"`
	ClockTrusted bool           `json:"clock_trusted"`
	Site         string         `json:"site"`
	Unit         string         `json:"unit"`
	Source       string         `json:"source"` // "unit", "pump1", "link.panel", "agent"
	Name         string         `json:"name"`   // alarm's name, or what happened: "started"
	Title        string         `json:"title,omitempty"`
	From         string         `json:"from,omitempty"`
	To           string         `json:"to,omitempty"`
	Priority     alarm.Priority `json:"priority,omitempty"`
	Action       string         `json:"action,omitempty"`
	Reason       string         `json:"reason,omitempty"`
	By           string         `json:"by,omitempty"`      // the person who did it
	Role         Role           `json:"role,omitempty"`    // in which role
	Via          string         `json:"via,omitempty"`     // "page", "command line", "message"
	Command      string         `json:"command,omitempty"` // the id of the command
	Until        time.Time      `json:"until,omitzero"`    // the end that was set
	Values       []Value        `json:"values,omitempty"`  // what caused it
	Test         bool           `json:"test,omitempty"`    // provoked by an announced test
	Fill         *work.Fill     `json:"fill,omitempty"`    // of a fill event
	Charge       *work.Charge   `json:"charge,omitempty"`  // of a charge event
	Run          *machine.Run   `json:"run,omitempty"`     // of the end of a run
	Draw         *Draw          `json:"draw,omitempty"`    // of a draw
	Service      *service.Done  `json:"service,omitempty"` // of a service task that was done
	Record       *proof.Test    `json:"record,omitempty"`  // of the end of a test
	Failure      *Failure       `json:"failure,omitempty"` // of a failure event, as it stands since
}

// Value is one figure that caused an event.
type Value struct {
	Name  string        `json:"name"`
	Value signal.Number `json:"value"`
	Unit  string        `json:"unit,omitempty"`
}

// Entry is an event as it stands in history: numbered, identified, and said
// to be durable or not. Its JSON form is the message that leaves the program.
type Entry struct {
	Schema  int    `json:"schema"`
	ID      string `json:"id"` // installation and sequence number, never repeated
	Seq     uint64 `json:"sequence"`
	Durable bool   `json:"durable"`
	Event
}

// Trend is one value over one stretch of time, with its extremes kept.
type Trend struct {
	Name    string // "pressure", "reserve_expected"
	Start   time.Time
	Seconds float64 // length of the stretch
	Covered float64 // s of it that hold readings; 0: not said
	Count   int     // readings in it that were known
	Min     float64
	Mean    float64
	Max     float64
}
