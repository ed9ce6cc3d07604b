package export

import (
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/rules/machine"
)

// What several tables have.
const (
	unitMeans     = "the unit"
	positionMeans = "the machine's place, as pump1: what stands there may be exchanged"
	tagTerm       = "equipment identification, tag number"
	serialTerm    = "unique equipment identification"
	eventMeans    = "id of the event in the journal and in messages"
	clockMeans    = "false: the clock was not known to be right, and with it no time in this row"
)

// head is the columns that every table of events begins with.
func head(at string) []column[rules.Entry] {
	return []column[rules.Entry]{
		{"unit", "", unitMeans, func(c *cell, e *rules.Entry) { c.text(c.place.Unit) }},
		{"event", "", eventMeans, func(c *cell, e *rules.Entry) { c.text(e.ID) }},
		{"time", "", at, func(c *cell, e *rules.Entry) { c.time(e.Time) }},
		{"clock_trusted", "", clockMeans, func(c *cell, e *rules.Entry) { c.truth(e.ClockTrusted) }},
	}
}

// Runs are the completed runs of the machines.
var Runs = &Table[rules.NumberedRun]{
	Name: "runs", At: "end_time",
	Means: "Completed runs, from running contact closing to opening. operating_time_seconds is what was watched, by the " +
		"monotonic clock: it differs from the wall clock's times where that was corrected.",
	columns: []column[rules.NumberedRun]{
		{"unit", "", unitMeans, func(c *cell, r *rules.NumberedRun) { c.text(c.place.Unit) }},
		{"run", "", "number in history, rising", func(c *cell, r *rules.NumberedRun) { c.count(r.Number) }},
		{"position", "", positionMeans, func(c *cell, r *rules.NumberedRun) { c.text(r.Position) }},
		{"tag_number", tagTerm, "the site's name of the position", func(c *cell, r *rules.NumberedRun) { c.tag(r.Position) }},
		{"serial_number", serialTerm, "of the individual that ran", func(c *cell, r *rules.NumberedRun) { c.text(r.Serial) }},
		{"start_time", "", "contact closed", func(c *cell, r *rules.NumberedRun) { c.time(r.Start) }},
		{"end_time", "", "contact opened; of a run that was cut, last seen running", func(c *cell, r *rules.NumberedRun) { c.time(r.End) }},
		{"operating_time_seconds", "operating time", "watched", func(c *cell, r *rules.NumberedRun) { c.number(r.Seconds) }},
		{"lead", "", "it led; false: the standby", func(c *cell, r *rules.NumberedRun) { c.truth(r.Lead) }},
		{"start_observed", "", "false: it was found running", func(c *cell, r *rules.NumberedRun) { c.truth(r.StartSeen) }},
		{"end_observed", "", "false: nobody saw it stop", func(c *cell, r *rules.NumberedRun) { c.truth(!r.Cut) }},
		{"doubt_seconds", "", "by so much operating_time_seconds may be short, because nobody watched", func(c *cell, r *rules.NumberedRun) { c.number(r.Doubt) }},
	},
}

// Alarms are the changes of alarms.
var Alarms = &Table[rules.Entry]{
	Name: "alarms", At: "time",
	Means: "Every change of every alarm, by the state model of ISA-18.2 / IEC 62682. The state unknown says that its signal " +
		"was not observed: from a change to unknown to the next one nobody knows.",
	columns: append(head("of the change"), []column[rules.Entry]{
		{"alarm", "", "its name in the catalogue", func(c *cell, e *rules.Entry) { c.text(e.Name) }},
		{"source", "", "the unit, machine, signal or link that it is about", func(c *cell, e *rules.Entry) { c.text(e.Source) }},
		{"title", "", "in words", func(c *cell, e *rules.Entry) { c.text(e.Title) }},
		{"failure_mode", "failure mode", "code, where the alarm tells one", func(c *cell, e *rules.Entry) {
			d, _ := alarm.Find(e.Name)
			c.text(d.Code)
		}},
		{"from_state", "", "", func(c *cell, e *rules.Entry) { c.text(e.From) }},
		{"to_state", "", "", func(c *cell, e *rules.Entry) { c.text(e.To) }},
		{"priority", "", "", func(c *cell, e *rules.Entry) { c.text(string(e.Priority)) }},
		{"value", "", "compared with the limit, in value_unit", func(c *cell, e *rules.Entry) { c.known(valueOf(e, "value").Value) }},
		{"limit", "", "in value_unit", func(c *cell, e *rules.Entry) { c.known(valueOf(e, "limit").Value) }},
		{"value_unit", "", "SI; empty for counts and ratios", func(c *cell, e *rules.Entry) { c.text(valueOf(e, "limit").Unit) }},
		{"reason", "", "why, or what a person wrote", func(c *cell, e *rules.Entry) { c.text(e.Reason) }},
		{"by", "", "the person who did it", func(c *cell, e *rules.Entry) { c.text(e.By) }},
		{"via", "", "the way the person took", func(c *cell, e *rules.Entry) { c.text(e.Via) }},
		{"until", "", "end of a shelving", func(c *cell, e *rules.Entry) { c.time(e.Until) }},
		{"test", "", "true: provoked by an announced test", func(c *cell, e *rules.Entry) { c.truth(e.Test) }},
	}...),
}

// Service is what people did to the machines.
var Service = &Table[rules.Entry]{
	Name: "service", At: "time",
	Means: "Service, exchanges of a machine, new baselines, and times out of service. Repairs stand with their failure.",
	columns: append(head("when it was said"), []column[rules.Entry]{
		{"position", "", "the machine's place, or unit", func(c *cell, e *rules.Entry) { c.text(e.Source) }},
		{"tag_number", tagTerm, "the site's name of the position", func(c *cell, e *rules.Entry) { c.tag(e.Source) }},
		{"maintenance_activity", "maintenance activity", "service, replace, set baseline, out of service, back in service",
			func(c *cell, e *rules.Entry) { c.text(activities[rules.Order(e.Name)]) }},
		{"maintenance_category", "maintenance category", "preventive for a service task, otherwise not said", func(c *cell, e *rules.Entry) {
			if rules.Order(e.Name) == rules.ServiceDone {
				c.text("preventive")
				return
			}
			c.none()
		}},
		{"task", "", "of a service, by its name in the configuration", func(c *cell, e *rules.Entry) { c.text(taskOf(e)) }},
		{"serial_number_before", serialTerm, "of the individual that left", func(c *cell, e *rules.Entry) { c.text(e.From) }},
		{"serial_number", serialTerm, "of the individual that came", func(c *cell, e *rules.Entry) { c.text(e.To) }},
		{"operating_time_seconds", "operating time", "of the machine for its life: at the service; of the one that left", func(c *cell, e *rules.Entry) {
			c.known(firstOf(e, "lifetime_run", "left_run"))
		}},
		{"starts", "number of demands", "likewise", func(c *cell, e *rules.Entry) { c.known(firstOf(e, "lifetime_starts", "left_starts")) }},
		{"until", "", "end of a time out of service", func(c *cell, e *rules.Entry) { c.time(e.Until) }},
		{"by", "", "who", func(c *cell, e *rules.Entry) { c.text(e.By) }},
		{"via", "", "the way the person took", func(c *cell, e *rules.Entry) { c.text(e.Via) }},
		{"remarks", "remarks", "in the person's words", func(c *cell, e *rules.Entry) { c.text(e.Reason) }},
	}...),
}

// Counter is a machine as it stands.
type Counter struct {
	machine.Lifetime
	Time time.Time // of the figures
}

// Counters are what each machine has done in its life.
var Counters = &Table[Counter]{
	Name: "counters", At: "",
	Means: "The machines that stand at the positions now, and what each has done since it was first watched, with what it " +
		"brought along. They are as old as the agent's last save, minutes while it runs; no time selects among them.",
	columns: []column[Counter]{
		{"unit", "", unitMeans, func(c *cell, m *Counter) { c.text(c.place.Unit) }},
		{"time", "", "of the figures", func(c *cell, m *Counter) { c.time(m.Time) }},
		{"position", "", positionMeans, func(c *cell, m *Counter) { c.text(m.Position) }},
		{"tag_number", tagTerm, "the site's name of the position", func(c *cell, m *Counter) { c.text(m.Tag) }},
		{"equipment_class", "equipment class", "pump or compressor", func(c *cell, m *Counter) { c.text(string(m.Kind)) }},
		{"serial_number", serialTerm, "of the individual", func(c *cell, m *Counter) { c.text(m.Serial) }},
		{"installed_time", "installation date", "", func(c *cell, m *Counter) { c.time(m.Installed) }},
		{"operating_time_seconds", "operating time", "watched, filled from the hour meter, and brought along", func(c *cell, m *Counter) { c.number(m.Run) }},
		{"starts", "number of demands", "likewise", func(c *cell, m *Counter) { c.number(m.Starts) }},
		{"unobserved_seconds", "", "nobody knew whether it ran: neither operating nor standing", func(c *cell, m *Counter) { c.number(m.Unobserved) }},
		{"doubt_seconds", "", "by so much operating_time_seconds may be short, from runs that were cut", func(c *cell, m *Counter) { c.number(m.Doubt) }},
		{"filled_operating_time_seconds", "", "of operating_time_seconds, from the panel's hour meter for a time that nobody watched", func(c *cell, m *Counter) { c.number(m.Filled) }},
		{"filled_starts", "", "of starts, from the panel's start counter likewise", func(c *cell, m *Counter) { c.number(m.FilledStarts) }},
	},
}

// Readings are the down-sampled trends.
var Readings = &Table[rules.Trend]{
	Name: "readings", At: "start_time",
	Means: "Least, mean and most of what is kept for years, in steps. Where nothing was known there is no row; " +
		"covered_seconds says how much of a step holds readings.",
	columns: []column[rules.Trend]{
		{"unit", "", unitMeans, func(c *cell, t *rules.Trend) { c.text(c.place.Unit) }},
		{"point", "", "what was measured or computed; pressures are gauge", func(c *cell, t *rules.Trend) { c.text(t.Name) }},
		{"start_time", "", "of the step", func(c *cell, t *rules.Trend) { c.time(t.Start) }},
		{"length_seconds", "", "of the step", func(c *cell, t *rules.Trend) { c.number(t.Seconds) }},
		{"covered_seconds", "", "of it that hold readings; empty: not said", func(c *cell, t *rules.Trend) {
			if t.Covered == 0 {
				c.none()
				return
			}
			c.number(t.Covered)
		}},
		{"readings", "", "how many were known", func(c *cell, t *rules.Trend) { c.count(uint64(max(t.Count, 0))) }},
		{"minimum", "", "in value_unit", func(c *cell, t *rules.Trend) { c.number(t.Min) }},
		{"mean", "", "in value_unit", func(c *cell, t *rules.Trend) { c.number(t.Mean) }},
		{"maximum", "", "in value_unit", func(c *cell, t *rules.Trend) { c.number(t.Max) }},
		{"value_unit", "", "Pa, m, m3, cycles, ratio", func(c *cell, t *rules.Trend) { c.text(trendUnits[t.Name]) }},
	},
}

// Unobserved is the time in which the agent did not watch.
var Unobserved = &Table[rules.Entry]{
	Name: "unobserved", At: "time",
	Means: "Times in which the agent did not watch at all: it counts as unobserved, never as stopped or running. Lost links " +
		"and failed signals while it watched stand in alarms, doubt of single runs in runs, the sum of each machine in counters.",
	columns: append(head("the agent watched again"), []column[rules.Entry]{
		{"from_time", "", "last watched", func(c *cell, e *rules.Entry) { c.words(e.From) }},
		{"to_time", "", "watched again", func(c *cell, e *rules.Entry) { c.words(e.To) }},
		{"unobserved_seconds", "", "empty where the clock could not be trusted", func(c *cell, e *rules.Entry) { c.known(valueOf(e, "not_observed").Value) }},
		{"reason", "", "why that is not known", func(c *cell, e *rules.Entry) { c.text(e.Reason) }},
	}...),
}
