package configs

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"strokebank/configs/quantity"
	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/sensors/signal"
)

// Reference is the reference of all keys as Markdown, made from the tables
// that the decoder reads by. The file reference.md holds it.
func Reference() string {
	var b strings.Builder
	b.WriteString(`# All keys of a configuration

Made from the decoder's own tables: do not edit by hand, run
` + "`go test ./configs -update`" + `.

A file is YAML, one document, UTF-8, indented with spaces. Unknown keys are
errors; every error names file, line, path, what is wrong and what would be
right, and all are said at once. Anchors, aliases and tags are not read.
Quantities carry their unit. Addresses are written as the site's lists have
them. ` + "`every-key.yaml`" + ` shows each key in its place.

`)
	seen := map[*table]bool{}
	writeTable(&b, fileKeys, seen)
	writePoints(&b)
	writeAlarms(&b)
	writeUnits(&b)
	return b.String()
}

func writeTable(b *strings.Builder, t *table, seen map[*table]bool) {
	if seen[t] {
		return
	}
	seen[t] = true
	fmt.Fprintf(b, "## %s\n\n%s\n\n| key | takes | default | meaning |\n| --- | --- | --- | --- |\n", t.name, t.doc)
	for i := range t.keys {
		k := &t.keys[i]
		fmt.Fprintf(b, "| `%s` | %s | %s | %s |\n", k.name, k.takes(), k.otherwise(), k.doc)
	}
	b.WriteString("\n")
	for i := range t.keys {
		if t.keys[i].in != nil {
			writeTable(b, t.keys[i].in, seen)
		}
	}
}

// takes says what sort of value the key takes, with its bounds.
func (k *key) takes() string {
	switch k.kind {
	case aBlock:
		return "a block of keys"
	case aMap:
		return "names, each with a block of keys"
	case aFlag:
		return "`true` or `false`"
	case aWord:
		return "`" + strings.Join(k.words, "`, `") + "`"
	case aQuantity:
		return k.dimension() + k.bounds() + ": `" + strings.ReplaceAll(k.example(), " or ", "` or `") + "`"
	case aText:
		return "text: `" + strings.ReplaceAll(strings.ReplaceAll(k.example(), ", ", "`, `"), " or ", "` or `") + "`"
	case aList:
		if k.def != "" {
			return "`" + k.def + "`, or a list: `" + k.example()[strings.IndexByte(k.example(), '['):] + "`"
		}
		return "a list: `" + k.example() + "`"
	case aPair:
		return "two values: `" + k.example() + "`"
	case aDate:
		return "a day: `" + k.example() + "`"
	}
	return "a number: `" + k.example() + "`"
}

// dimension is what a quantity measures; that of a point's or an alarm's key
// follows from the point or the alarm.
func (k *key) dimension() string {
	if k.dim == quantity.Pressure && (pointKeys.find(k.name) == k || alarmKeys.find(k.name) == k) {
		return "a quantity"
	}
	return k.dim.String()
}

func (k *key) bounds() string {
	var limits []string
	if k.above != "" {
		limits = append(limits, "over "+k.above)
	}
	if k.least != "" {
		limits = append(limits, "at least "+k.least)
	}
	if k.most != "" {
		limits = append(limits, "at most "+k.most)
	}
	if len(limits) == 0 {
		return ""
	}
	return ", " + strings.Join(limits, ", ")
}

func (k *key) otherwise() string {
	switch {
	case k.required:
		return "required"
	case k.def != "":
		return "`" + k.def + "`"
	}
	return ""
}

// writePoints lists the points that a unit can have.
func writePoints(b *strings.Builder) {
	b.WriteString("## The points of a unit\n\nRequired: `" + string(signal.Pressure) + "`, `" + string(signal.Level) +
		"` and the `running` contacts of the four machines. What is missing otherwise is reported as unknown, never guessed.\n" +
		"The positions of machines are `" + strings.Join(positions, "`, `") + "`.\n\n| point | takes |\n| --- | --- |\n")
	all := map[string]measure{}
	for id, m := range pointsOf(rules.Config{Valves: []rules.Valve{{Tag: "TAG"}}}) {
		name := string(id)
		for _, p := range positions {
			name = strings.Replace(name, p+".", "POSITION.", 1)
		}
		all[name] = m
	}
	for _, name := range slices.Sorted(maps.Keys(all)) {
		takes := "a contact"
		switch m := all[name]; {
		case name == string(signal.Level):
			takes = "a length; a pressure with `level_by: differential pressure`"
		case m.plain():
			takes = "a count"
		case !m.contact():
			takes = m.dim.String()
		}
		fmt.Fprintf(b, "| `%s` | %s |\n", name, takes)
	}
	b.WriteString("\n")
}

func writeAlarms(b *strings.Builder) {
	b.WriteString("## The alarms\n\n| alarm | title | own limit |\n| --- | --- | --- |\n")
	for _, d := range alarm.Catalogue() {
		limit := ""
		if dim, own := alarmLimits[d.Name]; own {
			limit = dim.String()
		}
		fmt.Fprintf(b, "| `%s` | %s | %s |\n", d.Name, d.Title, limit)
	}
	b.WriteString("\n")
}

func writeUnits(b *strings.Builder) {
	b.WriteString("## The units\n\nInch, foot, pound and gallon (US liquid) are exact by definition; inches of mercury and of water are the\n" +
		"conventional ones (NIST SP 811, appendix B).\n\n| for | units |\n| --- | --- |\n")
	for d := quantity.Pressure; d <= quantity.Ratio; d++ {
		fmt.Fprintf(b, "| %s | `%s` |\n", d, strings.Join(quantity.Units(d), "`, `"))
	}
}

// UnitKeys are the keys of a unit, in the order of the reference. The copy is
// the caller's own.
func UnitKeys() []string { return unitKeys.names() }
