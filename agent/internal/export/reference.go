package export

import (
	"fmt"
	"slices"
	"strings"
)

// described is any table.
type described interface {
	name() string
	describe(b *strings.Builder)
}

// tables are all there are.
var tables = []described{Runs, Fills, Charges, Draws, Alarms, Failures, Service, Counters, Readings, Unobserved}

// Names lists the tables.
func Names() []string {
	var names []string
	for _, t := range tables {
		names = append(names, t.name())
	}
	return names
}

func (t *Table[T]) name() string { return t.Name }

func (t *Table[T]) describe(b *strings.Builder) {
	fmt.Fprintf(b, "\n## %s\n\n%s", t.Name, t.Means)
	if t.At != "" {
		fmt.Fprintf(b, " Selected by `%s`.", t.At)
	}
	b.WriteString("\n\n| column | unit | ISO 14224 | meaning |\n| --- | --- | --- | --- |\n")
	for _, c := range t.columns {
		fmt.Fprintf(b, "| `%s` | %s | %s | %s |\n", c.name, unitOf(c.name), c.term, c.means)
	}
}

// suffixes are the ends of names that say a unit, the longer first.
var suffixes = []struct{ end, unit string }{
	{"_cubic_meters_per_second", "m³/s"}, {"_cubic_meters", "m³"}, {"_seconds", "s"}, {"_pascals", "Pa"}, {"_meters", "m"},
	{"_kelvins", "K"}, {"_ratio", "1"}, {"_time", "RFC 3339, UTC"},
}

func unitOf(name string) string {
	if name == "time" || name == "until" {
		return "RFC 3339, UTC"
	}
	i := slices.IndexFunc(suffixes, func(s struct{ end, unit string }) bool { return strings.HasSuffix(name, s.end) })
	if i < 0 {
		return ""
	}
	return suffixes[i].unit
}

// Reference is the description of all tables, as Markdown.
func Reference() string {
	var b strings.Builder
	fmt.Fprintf(&b, `# Tables of strokebank export

Schema %d. It rises when a name or a meaning changes; new columns come at the right end, new tables at any time.

- Quantities are in SI units and the unit stands in the name; where it depends on the row it stands in `+"`value_unit`"+`.
  Times are RFC 3339, UTC.
- What is not known is empty in CSV and `+"`null`"+` in JSON, never 0. What nobody watched is there too: the table
  `+"`unobserved`"+`, `+"`doubt_seconds`, `start_observed` and `end_observed`"+` of a run, alarms in the state unknown, the steps that
  `+"`readings`"+` lacks, `+"`unobserved_seconds`"+` of a machine.
- Names follow ISO 14224 where it has one (third column; edition 2016, from memory).
- CSV is RFC 4180: a header, lines that end in CR LF, UTF-8 without a mark. So that no spreadsheet runs what somebody
  wrote into a note, a text that begins with `+"`=`, `+`, `-`, `@`"+`, a tab or a carriage return gets an apostrophe in front
  of it. Numbers never do.
- JSON lines are one object a line, with the table's name in `+"`table`"+`; text is as it was written.
- A row belongs to the time that its table is selected by, at or after `+"`-from`"+` and before `+"`-to`"+`. Without either, rows
  whose clock was wrong are there too.
- Rows stand in the order in which they were stored. What the agent holds in memory alone, because its disk takes
  nothing, is not there.
`, Schema)
	for _, t := range tables {
		t.describe(&b)
	}
	return b.String()
}
