package configs

import (
	"fmt"
	"strings"

	q "strokebank/configs/quantity"
	"strokebank/rules/machine"
	"strokebank/rules/machine/service"
)

// none is the word for a usual task that does not exist here.
const none = "none"

// unitTasks is the kind and the source of the tasks of a whole unit.
const unitTasks = "unit"

var serviceKeys = &table{name: "units.NAME.service.TASK and units.NAME.pumps.pump1.service.TASK", doc: serviceDoc(), keys: []key{
	{name: "title", kind: aText, sample: "Change the oil", doc: "What is to be done, for a person. Default: the usual title, or the task's name."},
	{name: "run", kind: aQuantity, dim: q.Duration, above: "0 h", most: "1000000 h", sample: "500 h", doc: "Run time of the machine until it is due again."},
	{name: "starts", kind: aCount, sample: "5000", doc: "Starts of the machine until it is due again, 1 to 100000000."},
	{name: "every", kind: aQuantity, dim: q.Duration, least: "1 h", most: "36500 d", sample: "365 d", doc: "Time by the calendar until it is due again."},
	{name: "ahead", kind: aQuantity, dim: q.Ratio, def: "10 %", above: "0 %", most: "90 %", sample: "10 %", doc: "Last part of the interval, in which it is coming due."},
	{name: "first_due", kind: aDate, sample: "2027-05-31", doc: "Day on which it is due first, with `every`; it counts until somebody tells this program that it was done. Default: an interval after the program began to watch."},
	{name: "first_due_at", kind: aQuantity, dim: q.Duration, above: "0 h", most: "1000000 h", sample: "1500 h", doc: "Likewise the run time of the machine, `hours_before` counted in, with `run`."},
}}

// serviceDoc lists the usual tasks as the rules have them.
func serviceDoc() string {
	var b strings.Builder
	b.WriteString("One task of maintenance, at the unit or at a machine: due by whichever limit comes first. " +
		"Keys of a usual task change it: where `run`, `starts` or `every` stands, only those that stand count. `TASK: none` drops a usual one. " +
		"Usual (*common practice, no source*; the maker's book decides) are, ")
	for i, kind := range []string{unitTasks, string(machine.Pump), string(machine.Compressor)} {
		if i > 0 {
			b.WriteString("; ")
		}
		b.WriteString("for a " + kind + ": ")
		for k, t := range service.Usual(kind, "") {
			if k > 0 {
				b.WriteString(", ")
			}
			b.WriteString("`" + t.Name + "` (" + intervals(&t) + ")")
		}
	}
	b.WriteString(".")
	return b.String()
}

// intervals are a task's limits, for a person.
func intervals(t *service.Task) string {
	var parts []string
	if t.Run > 0 {
		parts = append(parts, fmt.Sprintf("%.0f h of run time", t.Run/3600))
	}
	if t.Starts > 0 {
		parts = append(parts, fmt.Sprintf("%.0f starts", t.Starts))
	}
	if t.Every > 0 {
		parts = append(parts, fmt.Sprintf("%.0f d", t.Every.Hours()/24))
	}
	return strings.Join(parts, ", ")
}
