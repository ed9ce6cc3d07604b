package alarm

import (
	"slices"
	"time"
)

// The names of the alarms, as they stand in topics, metrics and settings.
const (
	ReserveLost       = "reserve_lost"       // source "unit"
	LowReserve        = "low_reserve"        // source "unit"
	ReserveUnknown    = "reserve_unknown"    // source "unit"
	LowPressure       = "low_pressure"       // source "unit"
	LowLevel          = "low_level"          // source "unit"
	MainsLost         = "mains_lost"         // source "unit"
	PairNoAnswer      = "pair_no_answer"     // source "pumps" or "compressors"
	FailedToStart     = "failed_to_start"    // source: the machine's position
	Overload          = "overload"           // source: the machine's position
	NotInAutomatic    = "not_in_automatic"   // source: the machine's position
	LinkLost          = "link_lost"          // source: "link." and its name
	TransmitterFailed = "transmitter_failed" // source: the point's name
)

// Catalogue is every alarm, in the order in which they are shown. The copy is
// the caller's own.
func Catalogue() []Definition {
	var out []Definition
	for _, rows := range chapters {
		for _, d := range rows {
			out = append(out, d.clone())
		}
	}
	return out
}

// Find is the catalogue's row of that name.
func Find(name string) (Definition, bool) {
	for _, rows := range chapters {
		for _, d := range rows {
			if d.Name == name {
				return d.clone(), true
			}
		}
	}
	return Definition{}, false
}

func (d Definition) clone() Definition {
	d.Causes, d.Explains = slices.Clone(d.Causes), slices.Clone(d.Explains)
	// Somebody has to have seen that it happened, though it is over; what is
	// of low priority stands in the journal.
	d.Acknowledge = d.Priority != Low
	return d
}

// The cautions that go with an action at the plant. The practice behind them
// is 29 CFR 1910.147(d)(5), stored energy; local rules may ask for more.
const (
	stored = " Before anything is opened: isolate it, relieve oil and air, and verify that it is without pressure; " +
		"the tank stores energy even without mains. Local rules and licensed practice decide."
	starts = " The machine may start by itself at any time: isolate and lock it before touching it. " +
		"Electrical work is for those licensed to do it."
)

// chapters is the catalogue in order.
var chapters = [...][]Definition{catalogue[:], plant[:], watcher[:], machines[:]}

// catalogue holds the rows that the readings themselves tell. Delays and deadbands of level (5 %, 60 s) and
// pressure (2 %, 15 s) are customary starting values, from memory; all others,
// the times to respond and the priorities are common practice, no source.
// A site sets priority, delays, deadband and acknowledgement as it needs them.
//
// A row explains only rows that rank no higher, and never the tank's own
// figures: low level, low pressure and a short reserve count whatever the
// reason.
var catalogue = [...]Definition{
	{
		Name: ReserveLost, Title: "No shutdown cycle left",
		Meaning: "With everything at its worst inside what is known, the stored oil and air no longer do one complete " +
			"shutdown cycle. If mains were lost now, the valves might not all reach their safe position.",
		Causes: []string{
			"a large draw that the machines have not made good yet",
			"pumps or compressors out of service or not answering",
			"oil or air leaking faster than it is replaced",
			"too much or too little air in the tank",
		},
		Action: "Tell those who run the plant now that a shutdown on stored oil cannot be counted on, and follow the " +
			"site's procedure for that. Get the pumps, then the compressors, running from the panel. " +
			"Avoid every valve movement that is not needed." + starts,
		Respond: 10 * time.Minute, Priority: High,
		OnDelay: 15 * time.Second, OffDelay: time.Minute,
		Explains: []string{LowReserve}, Safety: true,
	},
	{
		Name: LowReserve, Title: "Fewer shutdown cycles than required",
		Meaning: "The number of cycles that the unit can do at least is under the number that the site requires. " +
			"The unit can still move the valves, but not as often as it should.",
		Causes: []string{
			"valves have just been moved and the tank is being refilled",
			"one machine of a pair is out of service",
			"the tank is waterlogged: the level is normal, the pressure falls quickly",
			"a leak of oil or air",
		},
		Action: "Look whether a pump or compressor is running and the figure is rising. If not, look at the machines, " +
			"the selectors and the mains. Put off planned valve movements until the reserve is back." + starts,
		Respond: 30 * time.Minute, Priority: Medium,
		OnDelay: 15 * time.Second, OffDelay: time.Minute,
		Safety: true,
	},
	{
		Name: ReserveUnknown, Title: "Reserve cannot be computed",
		Meaning: "Pressure or level is missing or cannot be trusted, so nobody knows from here how many cycles are " +
			"stored. The last known figure is shown with its age and is no substitute.",
		Causes: []string{
			"a pressure or level transmitter has failed or is out of range",
			"the link to the panel is down",
			"a value that cannot be: a level outside the tank",
		},
		Action: "Read the gauge and the sight glass at the unit and judge the reserve from them. " +
			"Then have the transmitter or the link put right." + stored,
		Respond: time.Hour, Priority: Medium,
		OnDelay: 15 * time.Second, OffDelay: 15 * time.Second,
		Safety: true,
	},
	{
		Name: LowPressure, Title: "Air pressure low",
		Meaning: "The tank's pressure is under the low limit. The valves get slower and weaker, and fewer cycles are left.",
		Causes: []string{
			"a draw that the compressors and pumps have not made good yet",
			"compressors not running, or locked out because the oil level is low",
			"air escaping: fittings, relief valve, drain",
			"the transmitter reads low",
		},
		Action: "Compare with the gauge at the tank. See that the oil level is restored first, then that a compressor " +
			"runs. Listen for escaping air; keep away from jets of air or oil, which can injure through clothing." + stored,
		Respond: 30 * time.Minute, Priority: Medium,
		OnDelay: 15 * time.Second, OffDelay: 15 * time.Second, Deadband: 0.02,
		Safety: true,
	},
	{
		Name: LowLevel, Title: "Oil level low",
		Meaning: "The oil in the tank is under the low limit. If it falls on, air can enter the lines to the valves.",
		Causes: []string{
			"a draw that the pumps have not made good yet",
			"pumps not running, or running without delivering",
			"oil leaking out, or back to the sump through a valve, cylinder or check valve",
			"the sump is empty or its strainer blocked",
		},
		Action: "Compare with the sight glass. See that a pump runs and the level rises. Look for oil on the floor and " +
			"look at the sump level. Spilled oil is slippery and burns: keep people and heat away from it." + stored,
		Respond: 30 * time.Minute, Priority: Medium,
		OnDelay: time.Minute, OffDelay: time.Minute, Deadband: 0.05,
		Safety: true,
	},
	{
		Name: MainsLost, Title: "Mains lost",
		Meaning: "The unit has no mains. Pumps and compressors cannot run: what is stored now is all there is.",
		Causes: []string{
			"the plant's supply has failed",
			"a breaker or fuse of the panel has opened",
			"the monitoring relay or its wiring has failed",
		},
		Action: "Watch the cycles left and the hold time, and decide on a shutdown while it can still be done. " +
			"Have the supply restored; machines will start by themselves when it returns." + starts,
		Respond: 10 * time.Minute, Priority: Medium,
		OnDelay: 5 * time.Second, OffDelay: 15 * time.Second,
		Explains: []string{PairNoAnswer, FailedToStart, SpuriousStop}, Safety: true,
	},
	{
		Name: PairNoAnswer, Title: "Neither machine answers",
		Meaning: "Level (pumps) or pressure (compressors) is far below the point at which the first machine should have " +
			"started, and neither runs. What is drawn is not replaced.",
		Causes: []string{
			"both machines tripped, switched off, or not in automatic",
			"the panel's supply, or the switch that calls the machines, has failed",
			"compressors: held back by the panel because the oil level is low",
			"the transmitter reads low although the tank is full",
		},
		Action: "Compare with the gauge or sight glass. At the panel look at supply, selectors and overloads. " +
			"Start a machine by hand only as the site's procedure allows and stay with it." + starts,
		Respond: 30 * time.Minute, Priority: Medium,
		// The time to answer is the pair's own setting and part of the condition.
		OffDelay: 5 * time.Second,
		Safety:   true,
	},
	{
		Name: FailedToStart, Title: "Machine failed to start", Code: "FTS",
		Meaning: "The panel called for the machine and it did not run in time, with no known cause such as an overload " +
			"or a selector. It stays so until the machine has been seen to run. The pair has lost its backup.",
		Causes: []string{
			"contactor, fuse or motor winding",
			"control wire or auxiliary contact",
			"a seized machine or a missing coupling",
		},
		Action: "See that the other machine does the work. Have the machine examined and then run it once to " +
			"prove it." + starts,
		Respond: 8 * time.Hour, Priority: Low,
		// The time to answer is the pair's own setting and part of the condition.
		Explains: []string{MissedTurns},
	},
	{
		Name: Overload, Title: "Motor overload tripped",
		Meaning: "The thermal overload has switched the motor off. The machine cannot run until it is reset.",
		Causes: []string{
			"the machine is stiff, seized or pumps against a closed valve",
			"a phase is missing or the voltage is low",
			"too many starts in a short time",
			"the overload is set too low for the motor",
		},
		Action: "Let the motor cool, find the cause, then reset. An overload that is reset again and again burns the " +
			"motor." + starts,
		Respond: 8 * time.Hour, Priority: Low,
		OnDelay: 2 * time.Second, OffDelay: 5 * time.Second,
		Explains: []string{FailedToStart, MissedTurns},
	},
	{
		Name: NotInAutomatic, Title: "Selector not in automatic",
		Meaning: "The machine's selector is in hand or off. The panel will not start it when it is needed.",
		Causes: []string{
			"left so after work or a test",
			"taken out of service on purpose",
			"selector or its wiring has failed",
		},
		Action: "Find out who switched it and why before touching it: somebody may be working on the machine. " +
			"Put it back to automatic when the work is done and its locks are off.",
		Respond: time.Hour, Priority: Low,
		OnDelay: time.Minute, OffDelay: 5 * time.Second,
		Explains: []string{FailedToStart, MissedTurns},
	},
	{
		Name: LinkLost, Title: "Link to the panel lost",
		Meaning: "The devices behind this link do not answer. Everything that is read over it is unknown from here; the " +
			"panel itself may well be working.",
		Causes: []string{
			"network cable, switch or radio",
			"the device or its supply is off",
			"address or network settings were changed",
		},
		Action: "Look at the unit on site until the link is back. Check supply, cable and lamps at the gateway, the " +
			"switch and the device.",
		Respond: time.Hour, Priority: Medium,
		OnDelay: 10 * time.Second, OffDelay: 10 * time.Second,
		Explains: []string{TransmitterFailed, ReserveUnknown},
	},
	{
		Name: TransmitterFailed, Title: "Measurement failed",
		Meaning: "The point gives no value that can be used: a failure current, an impossible value, or no answer. " +
			"What depends on it is unknown.",
		Causes: []string{
			"broken or shorted loop, or its supply",
			"the transmitter has failed",
			"the device answers with an error for this point",
		},
		Action: "Read the local gauge instead. Check the loop and the transmitter; close its isolating valve and relieve " +
			"the line before taking it out." + stored,
		Respond: 4 * time.Hour, Priority: Medium,
		OnDelay: 10 * time.Second, OffDelay: 10 * time.Second,
	},
}
