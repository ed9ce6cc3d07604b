package alarm

import "time"

// The names of the alarms about the agent itself: source "agent".
const (
	HistoryFailing = "history_failing"
	DiskLimit      = "disk_limit"
	ClockUntrusted = "clock_untrusted"
)

// watcher is the rows of the names above, raised at the first unit of an
// agent. The delays bridge what mends itself within seconds; they, the times
// to respond and the priorities are common practice, no source.
var watcher = [...]Definition{
	{
		Name: HistoryFailing, Title: "The record is not durable",
		Meaning: "The agent's disk does not take what is recorded, or could not be read at the start. The unit is " +
			"watched and judged as before. What happens is kept in memory, thousands of events, sent on and marked not " +
			"durable; a power cut now would lose it, with the run time of the machines since.",
		Causes: []string{
			"disk full: see the alarm about the disk's limit",
			"file system turned read-only after an error, or not mounted",
			"worn flash, or a damaged file that could not be put aside",
			"the folder belongs to another user",
		},
		Action: "Do not switch the gateway off. Look at its log for the cause, free space or mount the file system " +
			"again. The agent tries every ten seconds and writes what waits.",
		Respond: 4 * time.Hour, Priority: Medium,
		OnDelay: 5 * time.Second, OffDelay: 5 * time.Second,
	},
	{
		Name: DiskLimit, Title: "Disk at its limit",
		Meaning: "There is no longer room for everything. What goes first, and in this order: new and old trends, then " +
			"events that are not alarms, then runs, and alarm events last; sent ones before unsent ones. The counters of " +
			"a lifetime are never given up.",
		Causes: []string{
			"something else has filled the gateway's disk",
			"the store has reached the size that it may have",
			"the disk is too small for the time that shall be kept",
		},
		Action: "Free space on the gateway's disk, or give the history a larger one. The alarm clears by itself once " +
			"there is room for the reserve that is held for alarm events, or at the next daily tidying.",
		Respond: 24 * time.Hour, Priority: Low,
		OnDelay: time.Minute, OffDelay: time.Minute,
	},
	{
		Name: ClockUntrusted, Title: "Clock not trusted",
		Meaning: "The gateway's clock is not known to be right. Readings and events are marked so, and their times may " +
			"be wrong. Durations are right: they do not come from this clock. The correction will be an event.",
		Causes: []string{
			"the gateway started without a battery for its clock and without a time server",
			"the time server cannot be reached",
			"the clock was set back before the newest record",
		},
		Action: "Make a time server reachable for the gateway, or set its clock. Read the times of events since then " +
			"with the correction that the clock's own event states.",
		Respond: 24 * time.Hour, Priority: Low,
		OnDelay: 5 * time.Minute, OffDelay: 10 * time.Second,
	},
}
