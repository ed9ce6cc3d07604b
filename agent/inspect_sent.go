package main

import (
	"regexp"
	"slices"
	"strings"
	"time"

	"strokebank/configs"
	"strokebank/rules"
	"strokebank/rules/alarm"
)

// What may go into a service file stands in this file. All of it are lists of
// what may: what is added elsewhere stays at home until somebody has thought
// of it.

// sentEvent is what of an event goes into a service file: a list of what may,
// so that a name that is added to events stays out.
type sentEvent struct {
	Seq          uint64        `json:"sequence"`
	ID           string        `json:"id"`
	Kind         rules.Kind    `json:"kind"`
	Time         time.Time     `json:"time"`
	ClockTrusted bool          `json:"clock_trusted"`
	Unit         string        `json:"unit,omitempty"`
	Source       string        `json:"source,omitempty"`
	Name         string        `json:"name,omitempty"`
	From         string        `json:"from,omitempty"`
	To           string        `json:"to,omitempty"`
	Priority     string        `json:"priority,omitempty"`
	Reason       string        `json:"reason,omitempty"`
	Values       []rules.Value `json:"values,omitempty"`
	Test         bool          `json:"test,omitempty"`
}

// told is what of an event's texts goes into a service file.
type told struct {
	name    bool // what happened, in the program's own word
	reason  bool // why, in its own words; not where a person has acted
	between func(e *rules.Entry) (from, to string)
}

// toldOf is by the kinds of event. Any other text, and that of a kind that is
// not here, stays: a person may have typed it.
var toldOf = map[rules.Kind]told{
	rules.AlarmEvent:   {name: true, reason: true, between: alarmStates},
	rules.MachineEvent: {name: true, reason: true},
	rules.AgentEvent:   {name: true}, // the reason may quote what the disk has spoiled
	rules.ClockEvent:   {name: true, reason: true},
	rules.GapEvent:     {name: true, reason: true, between: gapEnds},
	rules.ConfigEvent:  {name: true, between: keyValues},
	rules.DrawEvent:    {name: true, reason: true},
	rules.LossEvent:    {name: true, reason: true},
	rules.PanelEvent:   {name: true, reason: true},
	rules.ProofEvent:   {name: true, reason: true},
	rules.TestEvent:    {name: true}, // who tests stands in from
	rules.CommandEvent: {name: true}, // from and to are serial numbers, as typed
	rules.NoteEvent:    {},           // its name is the alarm that a person has named
	rules.FillEvent:    {name: true, reason: true},
	rules.ChargeEvent:  {name: true, reason: true},
	rules.FailureEvent: {name: true},
}

func sent(e *rules.Entry) sentEvent {
	s := sentEvent{Seq: e.Seq, ID: e.ID, Kind: e.Kind, Time: e.Time, ClockTrusted: e.ClockTrusted, Unit: e.Unit, Test: e.Test}
	t, known := toldOf[e.Kind]
	if !known {
		return s
	}
	s.Source, s.Values = e.Source, e.Values
	if slices.Contains([]alarm.Priority{alarm.High, alarm.Medium, alarm.Low}, e.Priority) {
		s.Priority = string(e.Priority)
	}
	if t.name {
		s.Name = e.Name
	}
	if t.reason && e.By == "" && e.Via == "" && e.Command == "" {
		s.Reason = e.Reason
	}
	if t.between != nil {
		s.From, s.To = t.between(e)
	}
	return s
}

// alarmStates are an alarm's.
func alarmStates(e *rules.Entry) (from, to string) {
	known := func(text string) string {
		if slices.Contains(alarm.States(), alarm.State(text)) {
			return text
		}
		return ""
	}
	return known(e.From), known(e.To)
}

// gapEnds are the ends of a gap.
func gapEnds(e *rules.Entry) (from, to string) {
	known := func(text string) string {
		if _, err := time.Parse(time.RFC3339, text); err == nil {
			return text
		}
		return ""
	}
	return known(e.From), known(e.To)
}

// keyValues are a key's values.
func keyValues(e *rules.Entry) (from, to string) {
	return openValue(e.Source, e.From), openValue(e.Source, e.To)
}

// openText are the texts of a configuration that go along: what things are
// called and where they stand, without which nothing could be answered. All
// others stay: who the agent is at the broker, where its secrets stand (some
// write the secret itself there), what a person has typed in words.
var openText = regexp.MustCompile(`^(site|agent)$|(^|\.)(address|listen|server_name|dir|ca_file|certificate_file|link|tag|baseline|at|unit|column_unit)$`)

const leftOut = "(left out)"

// openValue is a key's value for a service file.
func openValue(path, value string) string {
	if value == "" || configs.Plain(path) || openText.MatchString(path) {
		return value
	}
	return leftOut
}

// forOthers is the inspection without what a person has typed and what hide
// takes out: here, before lines are broken and letters escaped in another way.
func (in *inspection) forOthers(hide *strings.Replacer) *inspection {
	out := *in
	out.Findings = nil
	for _, f := range in.Findings {
		if f.sent != nil {
			f.Details = f.sent
		}
		f.Says, f.Do, f.Details = hide.Replace(f.Says), hide.Replace(f.Do), slices.Clone(f.Details)
		for i := range f.Details {
			f.Details[i] = hide.Replace(f.Details[i])
		}
		out.Findings = append(out.Findings, f)
	}
	return &out
}

var (
	// A wrong value is said in quotes, and may have quotes in itself.
	inQuotes = regexp.MustCompile(`(?s)".*"|'.*'`)
	// A key that is no plain word is none of the program's.
	wordy = regexp.MustCompile(`[^.]*[^-.\w\[\]][^.]*`)
)

// closedProblem is what is wrong in a file without what stands there: it may
// be a secret that somebody has written into it.
func closedProblem(p configs.Problem) configs.Problem {
	p.Path = wordy.ReplaceAllString(p.Path, leftOut)
	p.What, p.Want = inQuotes.ReplaceAllString(p.What, leftOut), inQuotes.ReplaceAllString(p.Want, leftOut)
	return p
}
