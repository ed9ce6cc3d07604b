package main

import (
	"time"

	"strokebank/agent/internal/simulator"
	"strokebank/rules"
)

const aDay = 24 * time.Hour

// trial is one fault of the simulator and the alarm that has to name it.
type trial struct {
	name  string
	fault string // as the simulator calls it; "valve.1" is the unit's first valve
	// From mild to severe, see simulator.Plant.Faults; a fault that is there or
	// not has one.
	severities []float64
	// The alarm and its source, with everything wired and with pressure, level
	// and running contacts alone. "" where nothing wired can tell: then it must
	// not be named, and what it does must not be called by a wrong name.
	all, few string
	within   time.Duration // at the latest, at the mildest severity
	before   time.Duration // of health, watched before it
	plant    scenario
	// strain: a shutdown with its restoration every 90 minutes helps to show it.
	strain bool
	// also may be raised before it or without it: what follows from the fault or,
	// where nothing wired can tell the fault, what it looks like instead. What
	// another alarm explains may always be there; what the plant's scenario
	// raises by itself is in the scenario.
	also []string
}

// scenario is how the unit is used while a fault is tried.
type scenario struct {
	build  func(*simulator.Build)
	change func(*rules.Config)
	also   []string
}

var (
	// calm is the example as it is.
	calm scenario
	// busy: the valves move three times as often, so that days hold enough runs
	// of the pumps.
	busy = scenario{build: func(b *simulator.Build) { b.Routine.Strokes *= 3 }}
	// lively: the compressors run as often too, because air is lost: 6 % a day,
	// which is an air leak by itself.
	lively = scenario{build: func(b *simulator.Build) { b.Routine.Strokes *= 3; b.AirLoss = 0.06 }, also: []string{"air_leak unit"}}
	// dueSoon: the site wants to see the standby take over every ten days.
	dueSoon = scenario{build: busy.build, change: func(c *rules.Config) { c.Proof.Standby = 10 * aDay }}
)

var whole = []float64{1}

// trials is every fault that the program must find, in the order in which an
// engineer thinks of them: machines, pairs, supplies, tank, instruments.
var trials = []trial{
	{name: "pump delivers nothing", fault: "pump1.weak", severities: []float64{0.9, 0.97, 1},
		all: "no_delivery pump1", few: "no_delivery pump1", within: 4 * aDay, before: aDay, plant: lively},
	{name: "pump delivers less", fault: "pump1.weak", severities: []float64{0.15, 0.3, 0.6},
		all: "low_output pump1", few: "low_output pump1", within: 21 * aDay, before: 12 * aDay, plant: lively},
	{name: "compressor delivers nothing", fault: "compressor1.weak", severities: []float64{0.95, 0.98, 1},
		all: "no_delivery compressor1", few: "no_delivery compressor1", within: 8 * aDay, before: aDay, plant: lively},
	{name: "compressor delivers less", fault: "compressor1.weak", severities: []float64{0.3, 0.45, 0.6},
		all: "low_output compressor1", few: "low_output compressor1", within: 30 * aDay, before: 12 * aDay, plant: lively},
	{name: "pumps do not answer", fault: "pumps.no_answer", severities: whole,
		all: "pair_no_answer pumps", few: "pair_no_answer pumps", within: 4 * aDay, before: aDay, plant: lively, strain: true},
	{name: "compressors do not answer", fault: "compressors.no_answer", severities: whole,
		all: "pair_no_answer compressors", few: "pair_no_answer compressors", within: 8 * aDay, before: aDay, plant: lively,
		also: []string{"waterlogged unit"}},
	{name: "pump fails to start", fault: "pump1.no_start", severities: whole,
		all: "failed_to_start pump1", few: "failed_to_start pump1", within: 4 * aDay, before: aDay, plant: lively},
	{name: "compressor fails to start", fault: "compressor1.no_start", severities: whole,
		all: "failed_to_start compressor1", few: "failed_to_start compressor1", within: 14 * aDay, before: aDay, plant: lively,
		also: []string{"waterlogged unit", "missed_turns compressor1", "alternation_stuck compressors"}},
	{name: "pump fails to stop", fault: "pump1.no_stop", severities: whole,
		all: "failed_to_stop pump1", few: "failed_to_stop pump1", within: 4 * aDay, before: aDay, plant: lively},
	{name: "compressor fails to stop", fault: "compressor1.no_stop", severities: whole,
		all: "failed_to_stop compressor1", few: "failed_to_stop compressor1", within: 8 * aDay, before: aDay, plant: lively},
	{name: "spurious stop", fault: "pump1.spurious_stop", severities: whole,
		all: "spurious_stop pump1", few: "spurious_stop pump1", within: 12 * aDay, before: aDay, plant: lively,
		also: []string{"failed_to_start pump1", "low_pressure unit", "waterlogged unit"}},
	{name: "pump runs by hand", fault: "pump1.hand", severities: whole,
		all: "runs_in_hand pump1", few: "runs_uncalled pump1", within: 2 * aDay, before: aDay, plant: lively},
	{name: "pump's contactor welded", fault: "pump1.welded", severities: whole,
		all: "runs_uncalled pump1", few: "runs_uncalled pump1", within: 2 * aDay, before: aDay, plant: lively},
	{name: "compressor's contactor welded", fault: "compressor2.welded", severities: whole,
		all: "runs_uncalled compressor2", few: "runs_uncalled compressor2", within: 2 * aDay, before: aDay, plant: lively},
	{name: "overload", fault: "pump1.overload", severities: whole,
		all: "overload pump1", within: 2 * aDay, before: aDay, plant: lively,
		also: []string{"alternation_stuck pumps", "missed_turns pump1"}},
	{name: "selector off", fault: "pump1.off", severities: whole,
		all: "not_in_automatic pump1", within: 2 * aDay, before: aDay, plant: lively,
		also: []string{"alternation_stuck pumps", "missed_turns pump1"}},
	{name: "mains lost", fault: "mains_lost", severities: whole,
		all: "mains_lost unit", within: 2 * time.Hour, before: aDay, plant: lively},
	{name: "sump low", fault: "sump_low", severities: []float64{0.6, 0.8, 1},
		all: "sump_low unit", within: 2 * aDay, before: aDay, plant: lively,
		also: []string{"alternation_stuck pumps", "missed_turns pump2", "point_moved pumps", "runs_uncalled pump1", "waterlogged unit", "failed_to_start pump2", "short_cycling pumps", "spurious_stop pump1"}},
	{name: "filter clogged", fault: "filter_clogged", severities: []float64{0.4, 0.7, 1},
		all: "filter_clogged unit", within: 3 * aDay, before: aDay, plant: lively},
	{name: "alternation stuck", fault: "pumps.alternation_stuck", severities: whole,
		all: "alternation_stuck pumps", few: "alternation_stuck pumps", within: 8 * aDay, before: aDay, plant: lively},
	{name: "standby had to help", fault: "pump1.weak", severities: []float64{0.97, 0.98, 1},
		all: "standby_helped pumps", few: "standby_helped pumps", within: 8 * aDay, before: aDay, plant: lively, strain: true,
		also: []string{"no_delivery pump1"}},
	{name: "machine missed its turns", fault: "pump2.off", severities: whole,
		all: "missed_turns pump2", few: "missed_turns pump2", within: 10 * aDay, before: aDay, plant: lively,
		also: []string{"not_in_automatic pump2", "alternation_stuck pumps"}},
	{name: "standby never proven", fault: "pumps.standby_dead", severities: whole,
		all: "proof_overdue pumps.standby", few: "proof_overdue pumps.standby", within: 12 * aDay, before: aDay, plant: dueSoon,
		also: []string{"proof_overdue compressors.standby"}},
	{name: "compressor before oil", fault: "compressors.lockout_bypassed", severities: whole,
		all: "air_before_oil compressors", few: "air_before_oil compressors", within: 14 * aDay, before: aDay, plant: lively, strain: true},
	{name: "short cycling", fault: "pumps.short_cycling", severities: []float64{0.5, 0.75, 1},
		all: "short_cycling pumps", few: "short_cycling pumps", within: 8 * aDay, before: aDay, plant: lively,
		also: []string{"point_moved pumps"}},
	{name: "oil leaves the system", fault: "oil_leak", severities: []float64{0.05, 0.2, 1},
		all: "oil_lost unit", few: "oil_leak unit", within: 36 * time.Hour, before: 2 * aDay},
	{name: "oil returns past a cylinder", fault: "valve.1.leak", severities: []float64{0.05, 0.2, 1},
		all: "oil_returns unit", few: "oil_leak unit", within: 36 * time.Hour, before: 2 * aDay},
	{name: "oil returns past a check valve", fault: "pump2.check_valve_leak", severities: []float64{0.05, 0.2, 1},
		all: "oil_returns unit", few: "oil_leak unit", within: 36 * time.Hour, before: 2 * aDay},
	{name: "air leak", fault: "air_leak", severities: []float64{0.1, 0.3, 1},
		all: "air_leak unit", few: "air_leak unit", within: 8 * aDay, before: aDay},
	{name: "waterlogged", fault: "waterlogged", severities: []float64{0.3, 0.5, 1},
		all: "waterlogged unit", few: "waterlogged unit", within: 4 * time.Hour, before: aDay,
		also: []string{"low_pressure unit", "low_reserve unit", "reserve_lost unit", "pair_no_answer compressors", "no_delivery compressor1", "point_moved compressors"}},
	{name: "overcharged", fault: "overcharged", severities: []float64{0.5, 0.75, 1},
		all: "overcharged unit", few: "overcharged unit", within: 12 * time.Hour, before: aDay},
	{name: "relief valve lifting", fault: "relief_lifting", severities: []float64{0.85, 0.92, 1},
		all: "relief_lifting unit", few: "relief_lifting unit", within: 6 * aDay, before: aDay},
	{name: "level stuck", fault: "level.stuck", severities: whole,
		all: "measurement_stuck level", few: "measurement_stuck level", within: 4 * aDay, before: aDay},
	{name: "pressure stuck", fault: "pressure.stuck", severities: whole,
		all: "measurement_stuck pressure", few: "measurement_stuck pressure", within: 4 * aDay, before: aDay},
	{name: "level drifting", fault: "level.drift", severities: []float64{0.3, 0.6, -1},
		all: "point_moved pumps", few: "point_moved pumps", within: 3 * aDay, before: 3 * aDay, plant: busy,
		also: []string{"overcharged unit", "oil_lost unit", "oil_leak unit", "pair_no_answer pumps", "runs_uncalled pump1"}},
	{name: "pressure drifting", fault: "pressure.drift", severities: []float64{0.3, -0.3, 0.6},
		all: "point_moved compressors", few: "point_moved compressors", within: 12 * aDay, before: aDay, plant: lively,
		also: []string{"overcharged unit", "waterlogged unit", "air_leak unit", "runs_uncalled compressor2"}},
	{name: "level signals its failure", fault: "level.failed_low", severities: whole,
		all: "transmitter_failed level", few: "transmitter_failed level", within: time.Hour, before: aDay},
	{name: "level's wire broken", fault: "level.open", severities: whole,
		all: "transmitter_failed level", few: "transmitter_failed level", within: time.Hour, before: aDay},
	{name: "pressure's wire broken", fault: "pressure.open", severities: whole,
		all: "transmitter_failed pressure", few: "transmitter_failed pressure", within: time.Hour, before: aDay,
		also: []string{"reserve_unknown unit"}},
	{name: "pressure short circuited", fault: "pressure.short", severities: whole,
		all: "transmitter_failed pressure", few: "transmitter_failed pressure", within: time.Hour, before: aDay},
	{name: "link lost", fault: "link_lost", severities: whole,
		all: "link_lost link.panel", few: "link_lost link.panel", within: time.Hour, before: aDay},
}

// pairOfFaults is two trials at once, both of which must be named; what the
// catalogue explains by the other still is, as explained.
type pairOfFaults struct {
	first, second string
	plant         scenario
	also          []string // because of both
}

// starved is what a unit looks like from which all oil has gone: the panel
// keeps the pumps from running dry and lets them again when a little returns.
var starved = []string{"low_level unit", "low_pressure unit", "low_reserve unit", "reserve_lost unit", "sump_low unit",
	"pair_no_answer pumps", "point_moved pumps", "short_cycling pumps", "standby_helped pumps", "runs_uncalled pump2"}

// pairs are those that hide each other best.
var pairs = []pairOfFaults{
	{"pump delivers less", "filter clogged", lively, nil},
	{"pump delivers nothing", "oil leaves the system", busy, starved},
	{"pump delivers nothing", "pressure's wire broken", lively, nil},
	{"compressor delivers less", "selector off", lively, nil},
	{"pumps do not answer", "mains lost", lively, nil},
	{"alternation stuck", "compressor fails to start", lively, nil},
	{"oil leaves the system", "air leak", calm, starved},
	{"overcharged", "pump fails to start", busy, []string{"relief_lifting unit"}},
	// A level that is shown wrong keeps compressors waiting, or does not.
	{"level drifting", "compressor delivers nothing", lively,
		[]string{"air_before_oil compressors", "low_level unit", "short_cycling pumps", "runs_uncalled pump2"}},
	{"pressure's wire broken", "pump fails to start", busy, nil},
}
