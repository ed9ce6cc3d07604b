package metrics

import (
	"slices"
	"strings"
)

// series is one name of the contract.
type series struct {
	name    string
	help    string // one line, without a backslash or a quotation mark
	counter bool
	labels  []string // site and unit first
	order   []int    // of labels, by their names
}

// catalogue holds the names about units, in the order of the reference.
var catalogue []*series

func define(name, help string, counter bool, labels ...string) *series {
	s := &series{name: prefix + name, help: help, counter: counter, labels: append([]string{"site", "unit"}, labels...)}
	for i := range s.labels {
		s.order = append(s.order, i)
	}
	slices.SortFunc(s.order, func(a, b int) int { return strings.Compare(s.labels[a], s.labels[b]) })
	catalogue = append(catalogue, s)
	return s
}

func gauge(name, help string, labels ...string) *series { return define(name, help, false, labels...) }

func counter(name, help string, labels ...string) *series { return define(name, help, true, labels...) }

// The reserve. A figure is absent while the reserve is unknown; the last
// known one has names of its own.
var (
	reserveCycles  = gauge("reserve_cycles", "Shutdown cycles stored: at_least is a computed lower bound in whole cycles, expected the best estimate, full_charge what the unit gives when full. Absent while unknown.", "figure")
	reserveKnown   = gauge("reserve_known", "1 while the reserve is known, 0 while it is not.")
	reserveQuality = gauge("reserve_quality", "Quality of the reserve: 1 for the one that holds.", "quality")
	reserveNeeded  = gauge("reserve_required_cycles", "Whole shutdown cycles that must be stored.")
	reserveLimit   = gauge("reserve_limit", "What ends the last cycle of a figure: 1 for the one that holds. Absent while unknown.", "figure", "limit")
	usableOil      = gauge("reserve_usable_oil_cubic_meters", "Oil deliverable down to the limit: at_least with everything at its worst, expected by the best estimate. Absent while unknown.", "figure")
	holdTime       = gauge("reserve_hold_time_seconds", "How long the required cycles stay stored at least, untouched and without mains. Absent while unknown.")
	timeToFull     = gauge("reserve_time_to_full_seconds", "Time to full charge with both machines of each pair, or with one. Absent while unknown.", "machines")
	lastCycles     = gauge("reserve_last_known_cycles", "The reserve as it was when it was last known. Only while it is unknown.", "figure")
	lastAge        = gauge("reserve_last_known_age_seconds", "Age of the last known reserve. Only while the reserve is unknown.")
)

// The unit. Readings have one name for each physical unit, because a name
// carries its unit.
var (
	scans          = counter("scans_total", "Scans judged since the process started.")
	assessmentTime = gauge("assessment_timestamp_seconds", "Wall clock of the latest assessment.")
	clockTrusted   = gauge("clock_trusted", "1 while the agent's clock is known to be right.")
	powerLost      = gauge("power_lost", "1 while mains is known to be absent.")
	gasPressure    = gauge("gas_absolute_pressure_pascals", "Absolute pressure of the gas. Absent while unknown.")
	oilLevel       = gauge("oil_level_meters", "Oil level above the lowest inside point of the tank. Absent while unknown.")
	oilVolume      = gauge("oil_volume_cubic_meters", "Oil in the tank. Absent while unknown.")
	gasVolume      = gauge("gas_volume_cubic_meters", "Gas in the tank. Absent while unknown.")
	tankVolume     = gauge("tank_volume_cubic_meters", "Total inside volume of the tank.")
	readingQuality = gauge("reading_quality", "Quality of a measured signal: 1 for the one that holds.", "signal", "quality")
	readingTime    = gauge("reading_timestamp_seconds", "Wall clock at which a measured signal was last read.", "signal")
	readingState   = gauge("reading_state", "A measured contact: 1 on, 0 off. Absent while bad.", "signal")
	readingNumber  = gauge("reading_number", "A measured counter or number without unit. Absent while bad.", "signal")
	readingRatio   = gauge("reading_ratio", "A measured ratio. Absent while bad.", "signal")
	readingPascals = gauge("reading_pascals", "A measured pressure, gauge except atmospheric_pressure. Absent while bad.", "signal")
	readingMeters  = gauge("reading_meters", "A measured level above the transmitter's zero. Absent while bad.", "signal")
	readingVolume  = gauge("reading_cubic_meters", "A measured volume. Absent while bad.", "signal")
	readingFlow    = gauge("reading_cubic_meters_per_second", "A measured flow. Absent while bad.", "signal")
	readingCelsius = gauge("reading_celsius", "A measured temperature. Absent while bad.", "signal")
	readingSeconds = gauge("reading_seconds", "A measured time, such as an hour meter's. Absent while bad.", "signal")
	readingAmperes = gauge("reading_amperes", "A measured current. Absent while bad.", "signal")
)

// The machines. Counters count from the start of the process, so that rates
// stay right after a crash; what is kept for life is a gauge.
var (
	machineInfo       = gauge("machine_info", "The individual that stands at a position; always 1.", "machine", "kind", "tag", "serial")
	machineRunning    = gauge("machine_running", "1 while the machine runs, 0 while it stands. Absent while unknown.", "machine")
	machineAvailable  = gauge("machine_available", "1 if the machine could start now, 0 if not. Absent while unknown.", "machine")
	machineLead       = gauge("machine_lead", "1 for the machine that leads the present or next run.", "machine")
	machineRun        = counter("machine_run_seconds_total", "Run time seen since the process started.", "machine")
	machineStarts     = counter("machine_starts_total", "Starts seen since the process started.", "machine")
	machineUnobserved = counter("machine_unobserved_seconds_total", "Time that nobody watched the machine, since the process started.", "machine")
	lifeRun           = gauge("machine_lifetime_run_seconds", "Run time of the individual for its life.", "machine")
	lifeStarts        = gauge("machine_lifetime_starts", "Starts of the individual for its life.", "machine")
	lifeUnobserved    = gauge("machine_lifetime_unobserved_seconds", "Time of its life that nobody watched the individual.", "machine")
	lifeDoubt         = gauge("machine_lifetime_run_doubt_seconds", "How much of the lifetime run time may be missing after power failures.", "machine")
	filledRun         = gauge("machine_lifetime_filled_run_seconds", "How much of the lifetime run time the panel's hour meter gave for times that nobody watched.", "machine")
	filledStarts      = gauge("machine_lifetime_filled_starts", "How many of the lifetime starts the panel's counter gave for times that nobody watched.", "machine")
	windowRun         = gauge("machine_window_run_seconds", "Run time in a rolling window.", "machine", "window")
	windowStarts      = gauge("machine_window_starts", "Starts in a rolling window.", "machine", "window")
	windowUnobserved  = gauge("machine_window_unobserved_seconds", "Time that nobody watched in a rolling window.", "machine", "window")
	runShare          = gauge("machine_run_share_ratio", "Part of the pair's run time in a rolling window. Absent if the pair did not run.", "machine", "window")
	startShare        = gauge("machine_start_share_ratio", "Part of the pair's starts in a rolling window. Absent if the pair did not start.", "machine", "window")
	pairImbalance     = gauge("pair_imbalance_ratio", "Difference of the two run times over their sum, from -1 to 1. Absent if the pair did not run.", "pair")
	pairRedundancy    = gauge("pair_redundancy", "How many machines of the pair could start now, in a word: 1 for the one that holds.", "pair", "redundancy")
	pairAvailable     = gauge("pair_available_machines", "Machines of the pair that could start now. Absent while unknown.", "pair")
	pairSameLead      = gauge("pair_same_lead_runs", "Lead runs in a row by the same machine beyond the first.", "pair")
	pairMissed        = gauge("pair_missed_turns", "Turns that were not handed over, for life.", "pair")
)

// The alarms.
var (
	alarmActive   = gauge("alarm_active", "1 while the alarm is raised, shelved or suppressed or not, 0 while it is not. Absent while unknown.", "source", "alarm")
	alarmState    = gauge("alarm_state", "State of the alarm's life cycle: 1 for the one that holds.", "source", "alarm", "state")
	alarmPriority = gauge("alarm_priority", "Priority of the alarm: 1 for the one that holds.", "source", "alarm", "priority")
	alarmsDay     = gauge("alarm_load_24h", "Alarms that asked for attention within the last day of watched time.", "priority")
	alarmsTen     = gauge("alarm_load_10min", "Alarms that asked for attention within the last ten minutes.")
	alarmsWorst   = gauge("alarm_load_most_10min", "The most alarms within ten minutes of the last day.")
	alarmsFlood   = gauge("alarm_load_flood", "1 while more alarms come than a person can follow: over ten within ten minutes.")
	alarmsFloods  = gauge("alarm_load_floods_24h", "Floods of alarms that began within the last day.")
	alarmsWatched = gauge("alarm_load_observed_seconds", "How much of the last day was watched, for the figures of alarm load.")
	alarmsCounted = gauge("alarm_load_alarms", "Alarms that are chattering, stale, shelved, suppressed by design or out of service now.", "condition")
	alarmSince    = gauge("alarm_since_timestamp_seconds", "When the alarm entered its present state. Absent before its first change.", "source", "alarm")
)
