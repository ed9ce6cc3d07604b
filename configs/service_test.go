package configs

import (
	"math"
	"strings"
	"testing"
	"time"

	"strokebank/rules/machine/service"
	"strokebank/rules/machine/work"
)

// withService is the base file with keys for the unit's and for pump1's and
// compressor1's service.
func withService(unit, pump, compressor string) string {
	text := base
	put := func(old, keys string) {
		if keys != "" {
			text = strings.Replace(text, old, old+", service: "+keys, 1)
		}
	}
	put("{tag: P-1, rating: 15 L/min", pump)
	put("{tag: C-1, rating: 250 L/min", compressor)
	if unit != "" {
		text = strings.Replace(text, "    alarms:\n", "    service: "+unit+"\n    alarms:\n", 1)
	}
	return text
}

// task finds a task of a source; nil without one.
func task(t *testing.T, text, source, name string) *service.Task {
	t.Helper()
	c, problems := parseString(text)
	if c == nil {
		t.Fatal(problems)
	}
	all := c.Units[0].Rules.Service
	for i := range all {
		if all[i].Source == source && all[i].Name == name {
			return &all[i]
		}
	}
	return nil
}

func TestServiceTasks(t *testing.T) {
	const hour, day = 3600, 24 * time.Hour
	first := time.Date(2027, 5, 31, 0, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		name, unit, pump, compressor string
		source, task                 string
		want                         *service.Task // but for source and name; nil: there is no such task
	}{
		{"usual oil", "", "", "", "compressor2", "oil", &service.Task{Title: "Change the compressor's oil", Run: 500 * hour, Every: 365 * day}},
		{"usual filter element", "", "", "", "unit", "filter_element", &service.Task{Title: "Change the return filter's element", Every: 365 * day}},
		{"usual of one machine changed leaves the other", "", "", "{oil: {run: 300 h}}", "compressor2", "oil", &service.Task{Title: "Change the compressor's oil", Run: 500 * hour, Every: 365 * day}},
		{"only what is given counts", "", "", "{oil: {run: 300 h}}", "compressor1", "oil", &service.Task{Title: "Change the compressor's oil", Run: 300 * hour, Ahead: 0.1}},
		{"other keys leave the intervals", "", "", "{oil: {ahead: 25 %, title: Oil}}", "compressor1", "oil", &service.Task{Title: "Oil", Run: 500 * hour, Every: 365 * day, Ahead: 0.25}},
		{"dropped", "", "", "{belts: none}", "compressor1", "belts", nil},
		{"dropped at one, kept at the other", "", "", "{belts: none}", "compressor2", "belts", &service.Task{Title: "Look at the belts", Run: 250 * hour, Every: 182 * day}},
		{"of the site's own", "", "{bearings: {starts: 8000, every: 730 d, first_due: 2027-05-31}}", "", "pump1", "bearings",
			&service.Task{Title: "bearings", Starts: 8000, Every: 730 * day, FirstDate: first, Ahead: 0.1}},
		{"first at a reading of the meter", "", "{strainer: {first_due_at: 1500 h}}", "", "pump1", "strainer",
			&service.Task{Title: "Clean the suction strainer", Run: 1000 * hour, Every: 365 * day, FirstRun: 1500 * hour, Ahead: 0.1}},
		{"of the unit", "{relief_valve: {every: 730 d}}", "", "", "unit", "relief_valve", &service.Task{Title: "Have the relief valve tested", Every: 730 * day, Ahead: 0.1}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := task(t, withService(c.unit, c.pump, c.compressor), c.source, c.task)
			if (got == nil) != (c.want == nil) {
				t.Fatalf("%+v, want %+v", got, c.want)
			}
			if got != nil {
				c.want.Source, c.want.Name = c.source, c.task
				if *got != *c.want {
					t.Errorf("%+v\nwant %+v", *got, *c.want)
				}
			}
		})
	}
}

func TestBadMachines(t *testing.T) {
	const u, line = "units.AU-7.", "tag: P-1"
	const pump, air = "rating: 15 L/min}\n      pump2", "rating: 250 L/min}\n      compressor2"
	of := func(keys string) string { return "rating: 15 L/min, service: " + keys + "}\n      pump2" }
	unit := func(keys string) string { return "    service: " + keys + "\n    alarms:\n" }
	for _, c := range []bad{
		{"no task at all", pump, of("{}"), line, u + "pumps.pump1.service", "is empty", "as oil"},
		{"a word for a task", pump, of("{bearings: soon}"), line, u + "pumps.pump1.service.bearings", `"soon" where keys are needed`, "run: 500 h"},
		{"none of what is not usual", pump, of("{strainre: none}"), line, u + "pumps.pump1.service.strainre", "no usual task", "did you mean strainer?"},
		{"a name that is no word", pump, of("{\"a/b\": {every: 1 d}}"), line, u + "pumps.pump1.service.a/b", "cannot be part of a topic", "letters"},
		{"no interval", pump, of("{bearings: {title: x}}"), line, u + "pumps.pump1.service.bearings", "has no interval", "run, starts or every"},
		{"unknown key", pump, of("{bearings: {every: 1 d, after: 2 h}}"), line, u + "pumps.pump1.service.bearings.after", "no such key", "known here"},
		{"a task twice", pump, of("{oil: {run: 1 h}, oil: {run: 2 h}}"), line, u + "pumps.pump1.service.oil", "stands twice", "keep one"},
		{"an empty title", pump, of("{bearings: {every: 1 d, title: \"\"}}"), line, u + "pumps.pump1.service.bearings.title", "is empty", "Change the oil"},
		{"no run time", pump, of("{bearings: {run: 0 h}}"), line, u + "pumps.pump1.service.bearings.run", "too little", "more than 0 h"},
		{"run time without a unit", pump, of("{bearings: {run: 500}}"), line, u + "pumps.pump1.service.bearings.run", "has no unit", "12.5 h"},
		{"no starts", pump, of("{bearings: {starts: 0}}"), line, u + "pumps.pump1.service.bearings.starts", "not a whole number from 1", "5000"},
		{"by the minute", pump, of("{bearings: {every: 1 min}}"), line, u + "pumps.pump1.service.bearings.every", "too little", "1 h or more"},
		{"always coming due", pump, of("{bearings: {every: 9 d, ahead: 100 %}}"), line, u + "pumps.pump1.service.bearings.ahead", "too much", "90 % or less"},
		{"not a day", pump, of("{bearings: {every: 9 d, first_due: soon}}"), line, u + "pumps.pump1.service.bearings.first_due", "is not a day", "2021-05-31"},
		{"a day without an interval", pump, of("{bearings: {run: 9 h, first_due: 2027-01-01}}"), line, u + "pumps.pump1.service.bearings.first_due", "no interval by the calendar", "write every"},
		{"a run time without an interval", pump, of("{bearings: {every: 9 d, first_due_at: 9 h}}"), line, u + "pumps.pump1.service.bearings.first_due_at", "no interval by run time", "write run"},
		{"no run time to be due at", pump, of("{bearings: {run: 9 h, first_due_at: 0 h}}"), line, u + "pumps.pump1.service.bearings.first_due_at", "too little", "more than 0 h"},
		{"run time of the unit", "    alarms:\n", unit("{x: {run: 5 h}}"), "service:", u + "service.x.run", "task of the whole unit", "write every"},
		{"starts of the unit", "    alarms:\n", unit("{x: {every: 5 d, starts: 5}}"), "service:", u + "service.x.starts", "task of the whole unit", "write every"},

		{"a baseline that is no flow", pump, "rating: 15 L/min, baseline: good}\n      pump2", line, u + "pumps.pump1.baseline", "not a number with a unit", "15 L/min"},
		{"a baseline of nothing", pump, "rating: 15 L/min, baseline: 0 L/min}\n      pump2", line, u + "pumps.pump1.baseline", "too little", "more than 0 L/min"},
		{"a baseline in another unit than meant", air, "rating: 250 L/min, baseline: 250 L/h}\n      compressor2", "C-1", u + "compressors.compressor1.baseline", "far from the rating of 250 L/min", "learned, rating"},
		{"a baseline over twice the rating", pump, "rating: 15 L/min, baseline: 31 L/min}\n      pump2", line, u + "pumps.pump1.baseline", "far from the rating", "learned, rating"},
		{"starts an hour", pump, "rating: 15 L/min, starts_per_hour: 0}\n      pump2", line, u + "pumps.pump1.starts_per_hour", "not a whole number from 1", "20"},

		{"low sump without its point", "low_level: 1 m", "low_level: 1 m\n      low_sump: 0.3 m", "low_sump", u + "set_points.low_sump", "point sump_level, which the unit does not have", "add the point"},
		{"filter without its point", "low_level: 1 m", "low_level: 1 m\n      filter_differential: 0.8 bar", "filter_diff", u + "set_points.filter_differential", "which the unit does not have", "add the point"},

		{"least over heat exchange", "required_cycles: 3", "required_cycles: 3\n      heat_exchange: 100 s\n      heat_exchange_least: 120 s", "heat_exchange_least", u + "reserve.heat_exchange_least", "120 s is more than heat_exchange (100 s)", "lower bound"},
		{"least without heat exchange", "required_cycles: 3", "required_cycles: 3\n      heat_exchange_least: 120 s", "heat_exchange_least", u + "reserve.heat_exchange_least", "not given", "heat_exchange"},
		{"least of nothing", "required_cycles: 3", "required_cycles: 3\n      heat_exchange: 100 s\n      heat_exchange_least: 0 s", "heat_exchange_least", u + "reserve.heat_exchange_least", "too little", "more than 0 s"},
	} {
		t.Run(c.name, c.check)
	}
	for _, c := range []bad{
		{"low sump of nothing", "low_level: 1 m", "low_level: 1 m\n      low_sump: 0 m", "low_sump", u + "set_points.low_sump", "too little", "more than 0 m"},
		{"filter limit of a volume", "low_level: 1 m", "low_level: 1 m\n      filter_differential: 0.8 L", "filter_diff", u + "set_points.filter_differential", "not of pressure", "8.3 bar"},
	} {
		t.Run(c.name, func(t *testing.T) { c.checkIn(t, wired()) })
	}
}

// wired is the base file with the points that the limits are of.
func wired() string {
	const points = "    points:\n"
	return strings.Replace(base, points, points+"      sump_level: {at: input 30, format: float32, unit: m}\n"+
		"      filter_differential: {at: input 32, format: float32, unit: bar}\n", 1)
}

func TestMachineLimits(t *testing.T) {
	for _, c := range []struct {
		name, old, new string
		check          func(*Config) (got, want float64)
	}{
		{"no low sump", "", "", func(c *Config) (float64, float64) { return c.Units[0].Rules.LowSump, 0 }},
		{"low sump", "low_level: 1 m", "low_level: 1 m\n      low_sump: 0.35 m", func(c *Config) (float64, float64) { return c.Units[0].Rules.LowSump, 0.35 }},
		{"usual filter limit", "", "", func(c *Config) (float64, float64) { return c.Units[0].Rules.FilterLimit, work.FilterLimit }},
		{"filter limit", "low_level: 1 m", "low_level: 1 m\n      filter_differential: 1.2 bar", func(c *Config) (float64, float64) { return c.Units[0].Rules.FilterLimit, 1.2e5 }},
		{"learned baseline", "rating: 15 L/min}\n      pump2", "rating: 15 L/min, baseline: learned}\n      pump2", func(c *Config) (float64, float64) { return c.Units[0].Rules.Pumps.Machines[0].Baseline, 0 }},
		{"baseline from the rating", "rating: 15 L/min}\n      pump2", "rating: 15 L/min, baseline: rating}\n      pump2", func(c *Config) (float64, float64) { return c.Units[0].Rules.Pumps.Machines[0].Baseline, 0.015 / 60 }},
		{"baseline as a flow", "rating: 15 L/min}\n      pump2", "rating: 15 L/min, baseline: 13.2 L/min}\n      pump2", func(c *Config) (float64, float64) { return c.Units[0].Rules.Pumps.Machines[0].Baseline, 0.0132 / 60 }},
		{"turns", "cut_out: 1.5 m", "cut_out: 1.5 m\n      turns: 5", func(c *Config) (float64, float64) { return float64(c.Units[0].Rules.Pumps.Turns), 5 }},
		{"no least", "required_cycles: 3", "required_cycles: 3\n      heat_exchange: 100 s", func(c *Config) (float64, float64) { return c.Units[0].Rules.HeatExchangeLower, 0 }},
		{"least", "required_cycles: 3", "required_cycles: 3\n      heat_exchange: 100 s\n      heat_exchange_least: 100 s", func(c *Config) (float64, float64) { return c.Units[0].Rules.HeatExchangeLower, 100 }},
	} {
		t.Run(c.name, func(t *testing.T) {
			config, problems := parseString(strings.Replace(wired(), c.old, c.new, 1))
			if config == nil {
				t.Fatal(problems)
			}
			if got, want := c.check(config); math.Abs(got-want) > 1e-12 {
				t.Errorf("%v, want %v", got, want)
			}
		})
	}
}
