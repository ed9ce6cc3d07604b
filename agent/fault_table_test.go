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
	// also may be raised before it or without it: what follows from the fault.
	// What the plant's scenario raises by itself is in the scenario.
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
	{name: "compressor delivers less", fault: "compressor1.weak", severities: []float64{0.3, 0.5, 0.7},
		all: "low_output compressor1", few: "low_output compressor1", within: 30 * aDay, before: 12 * aDay, plant: lively},
	{name: "pumps do not answer", fault: "pumps.no_answer", severities: whole,
		all: "pair_no_answer pumps", few: "pair_no_answer pumps", within: 4 * aDay, before: aDay, plant: lively, strain: true},
	{name: "compressors do not answer", fault: "compressors.no_answer", severities: whole,
		all: "pair_no_answer compressors", few: "pair_no_answer compressors", within: 8 * aDay, before: aDay, plant: lively},
	{name: "pump fails to start", fault: "pump1.no_start", severities: whole,
		all: "failed_to_start pump1", few: "failed_to_start pump1", within: 4 * aDay, before: aDay, plant: lively},
	{name: "compressor fails to start", fault: "compressor1.no_start", severities: whole,
		all: "failed_to_start compressor1", few: "failed_to_start compressor1", within: 14 * aDay, before: aDay, plant: lively},
	{name: "pump fails to stop", fault: "pump1.no_stop", severities: whole,
		all: "failed_to_stop pump1", few: "failed_to_stop pump1", within: 4 * aDay, before: aDay, plant: lively},
	{name: "compressor fails to stop", fault: "compressor1.no_stop", severities: whole,
		all: "failed_to_stop compressor1", few: "failed_to_stop compressor1", within: 8 * aDay, before: aDay, plant: lively},
	{name: "spurious stop", fault: "pump1.spurious_stop", severities: whole,
		all: "spurious_stop pump1", few: "spurious_stop pump1", within: 12 * aDay, before: aDay, plant: lively},
	{name: "pump runs by hand", fault: "pump1.hand", severities: whole,
		all: "runs_in_hand pump1", few: "runs_uncalled pump1", within: 2 * aDay, before: aDay, plant: lively},
	{name: "pump's contactor welded", fault: "pump1.welded", severities: whole,
		all: "runs_uncalled pump1", few: "runs_uncalled pump1", within: 2 * aDay, before: aDay, plant: lively},
	{name: "compressor's contactor welded", fault: "compressor2.welded", severities: whole,
		all: "runs_uncalled compressor2", few: "runs_uncalled compressor2", within: 2 * aDay, before: aDay, plant: lively},
	{name: "overload", fault: "pump1.overload", severities: whole,
		all: "overload pump1", within: 2 * aDay, before: aDay, plant: lively},
	{name: "selector off", fault: "pump1.off", severities: whole,
		all: "not_in_automatic pump1", within: 2 * aDay, before: aDay, plant: lively},
	{name: "mains lost", fault: "mains_lost", severities: whole,
		all: "mains_lost unit", within: 2 * time.Hour, before: aDay, plant: lively},
	{name: "sump low", fault: "sump_low", severities: []float64{0.6, 0.8, 1},
		all: "sump_low unit", within: 2 * aDay, before: aDay, plant: lively},
	{name: "filter clogged", fault: "filter_clogged", severities: []float64{0.4, 0.7, 1},
		all: "filter_clogged unit", within: 3 * aDay, before: aDay, plant: lively},
	{name: "alternation stuck", fault: "pumps.alternation_stuck", severities: whole,
		all: "alternation_stuck pumps", few: "alternation_stuck pumps", within: 8 * aDay, before: aDay, plant: lively},
	{name: "standby had to help", fault: "pump1.weak", severities: []float64{0.97, 0.98, 1},
		all: "standby_helped pumps", few: "standby_helped pumps", within: 8 * aDay, before: aDay, plant: lively, strain: true},
	{name: "machine missed its turns", fault: "pump2.off", severities: whole,
		all: "missed_turns pump2", few: "missed_turns pump2", within: 10 * aDay, before: aDay, plant: lively},
	{name: "standby never proven", fault: "pumps.standby_dead", severities: whole,
		all: "proof_overdue pumps.standby", few: "proof_overdue pumps.standby", within: 12 * aDay, before: aDay, plant: dueSoon},
	{name: "compressor before oil", fault: "compressors.lockout_bypassed", severities: whole,
		all: "air_before_oil compressors", few: "air_before_oil compressors", within: 14 * aDay, before: aDay, plant: lively, strain: true},
	{name: "short cycling", fault: "pumps.short_cycling", severities: []float64{0.5, 0.75, 1},
		all: "short_cycling pumps", few: "short_cycling pumps", within: 8 * aDay, before: aDay, plant: lively},
	{name: "oil leaves the system", fault: "oil_leak", severities: []float64{0.05, 0.2, 1},
		all: "oil_lost unit", few: "oil_leak unit", within: 36 * time.Hour, before: 2 * aDay},
	{name: "oil returns past a cylinder", fault: "valve.1.leak", severities: []float64{0.05, 0.2, 1},
		all: "oil_returns unit", few: "oil_leak unit", within: 36 * time.Hour, before: 2 * aDay},
	{name: "oil returns past a check valve", fault: "pump2.check_valve_leak", severities: []float64{0.05, 0.2, 1},
		all: "oil_returns unit", few: "oil_leak unit", within: 36 * time.Hour, before: 2 * aDay},
	{name: "air leak", fault: "air_leak", severities: []float64{0.1, 0.3, 1},
		all: "air_leak unit", few: "air_leak unit", within: 8 * aDay, before: aDay},
	{name: "waterlogged", fault: "waterlogged", severities: []float64{0.3, 0.5, 1},
		all: "waterlogged unit", few: "waterlogged unit", within: 4 * time.Hour, before: aDay},
	{name: "overcharged", fault: "overcharged", severities: []float64{0.5, 0.75, 1},
		all: "overcharged unit", few: "overcharged unit", within: 12 * time.Hour, before: aDay},
	{name: "relief valve lifting", fault: "relief_lifting", severities: []float64{0.85, 0.92, 1},
		all: "relief_lifting unit", few: "relief_lifting unit", within: 6 * aDay, before: aDay},
	{name: "level stuck", fault: "level.stuck", severities: whole,
		all: "measurement_stuck level", few: "measurement_stuck level", within: 4 * aDay, before: aDay},
	{name: "pressure stuck", fault: "pressure.stuck", severities: whole,
		all: "measurement_stuck pressure", few: "measurement_stuck pressure", within: 4 * aDay, before: aDay},
	{name: "level drifting", fault: "level.drift", severities: []float64{0.3, 0.6, -1},
		all: "point_moved pumps", few: "point_moved pumps", within: 3 * aDay, before: 3 * aDay, plant: busy},
	{name: "pressure drifting", fault: "pressure.drift", severities: []float64{0.3, -0.3, 0.6},
		all: "point_moved compressors", few: "point_moved compressors", within: 12 * aDay, before: aDay, plant: lively},
	{name: "level signals its failure", fault: "level.failed_low", severities: whole,
		all: "transmitter_failed level", few: "transmitter_failed level", within: time.Hour, before: aDay},
	{name: "level's wire broken", fault: "level.open", severities: whole,
		all: "transmitter_failed level", few: "transmitter_failed level", within: time.Hour, before: aDay},
	{name: "pressure's wire broken", fault: "pressure.open", severities: whole,
		all: "transmitter_failed pressure", few: "transmitter_failed pressure", within: time.Hour, before: aDay},
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
}

// pairs are those that hide each other best.
var pairs = []pairOfFaults{
	{"pump delivers less", "filter clogged", lively},
	{"pump delivers nothing", "sump low", lively},
	{"pump delivers nothing", "oil leaves the system", busy},
	{"compressor delivers less", "air leak", lively},
	{"pumps do not answer", "mains lost", lively},
	{"alternation stuck", "machine missed its turns", lively},
	{"oil leaves the system", "air leak", calm},
	{"waterlogged", "pump runs by hand", calm},
	{"level drifting", "pump fails to stop", busy},
	{"pressure's wire broken", "pump fails to start", busy},
}
