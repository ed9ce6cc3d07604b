package alarm

import "time"

// The names of the alarms about what the machines do and how well.
const (
	NoDelivery       = "no_delivery"       // source: the machine's position
	LowOutput        = "low_output"        // source: the machine's position
	OutputFalling    = "output_falling"    // source: the machine's position
	RunsInHand       = "runs_in_hand"      // source: the machine's position
	RunsUncalled     = "runs_uncalled"     // source: the machine's position
	FailedToStop     = "failed_to_stop"    // source: the machine's position
	SpuriousStop     = "spurious_stop"     // source: the machine's position
	MissedTurns      = "missed_turns"      // source: the machine's position
	TooManyStarts    = "too_many_starts"   // source: the machine's position
	AlternationStuck = "alternation_stuck" // source "pumps" or "compressors"
	StandbyHelped    = "standby_helped"    // source "pumps" or "compressors"
	ShortCycling     = "short_cycling"     // source "pumps" or "compressors"
	AirBeforeOil     = "air_before_oil"    // source "compressors"
	SumpLow          = "sump_low"          // source "unit"
	FilterClogged    = "filter_clogged"    // source "unit"
	ServiceDue       = "service_due"       // source "unit" or the machine's position
)

// machines is the rows of the names above. What runs over days have shown needs
// no delay beside the time that the finding took; delays, times to respond and
// priorities are common practice, no source.
var machines = [...]Definition{
	{
		Name: NoDelivery, Title: "Machine runs and delivers nothing", Code: "LOO",
		Meaning: "For minutes the machine has run, and level (pump) or pressure (compressor) has not risen as it should. " +
			"Only its partner refills the tank now.",
		Causes: []string{
			"pump: no oil at the suction, air drawn in, coupling broken, turns the wrong way, relief valve stuck open",
			"compressor: valve plate broken, belt off, unloader stuck, blow-off open",
			"somebody uses oil or air as fast as it is delivered",
		},
		Action: "See that the other machine does the work. Look at the sump's level, the suction valve, coupling or belts, " +
			"and listen. A pump that runs dry is soon ruined: have it switched off." + starts,
		Respond: time.Hour, Priority: Medium,
		OffDelay: time.Minute,
		Explains: []string{LowOutput, OutputFalling},
	},
	{
		Name: LowOutput, Title: "Machine delivers too little", Code: "LOO",
		Meaning: "Its runs have surely become weaker than its baseline, or than its rating: at least a twentieth is gone, " +
			"and it stays gone.",
		Causes: []string{
			"pump: worn, suction strainer blocked, air in the oil, relief valve leaking",
			"compressor: valves or rings leaking, air filter blocked, belts slipping",
			"a leak that grew at the same time, or a measurement that has moved",
		},
		Action: "Compare with its partner's runs. Have strainer or air filter, belts and relief valve looked at, then the " +
			"machine itself. After a repair, set its baseline anew." + starts,
		Respond: 7 * 24 * time.Hour, Priority: Low,
		OffDelay: time.Minute,
	},
	{
		Name: OutputFalling, Title: "Machine delivers less and less", Code: "LOO",
		Meaning: "Over weeks the machine's output falls steadily. The event says when it falls under the limit if it goes " +
			"on so, and between which days.",
		Causes: []string{
			"wear",
			"strainer, filter or cooler filling up",
			"valves or seals leaking more and more",
		},
		Action: "Plan the work before the earliest date that the forecast gives. Clean what is cheap to clean first and see " +
			"whether the next runs are better. After a repair, set its baseline anew." + starts,
		Respond: 14 * 24 * time.Hour, Priority: Low,
		OffDelay: time.Minute,
		Explains: []string{LowOutput},
	},
	{
		Name: RunsInHand, Title: "Machine runs by hand",
		Meaning: "The machine runs with its selector in hand: no switch stops it at its limit, only a person does.",
		Causes: []string{
			"a test or a maintenance run",
			"left so after work",
			"selector or its wiring has failed",
		},
		Action: "Find out who runs it and that somebody stays with it; watch level and pressure. Put the selector back to " +
			"automatic when the work is done." + starts,
		Respond: 15 * time.Minute, Priority: Low,
		OnDelay: 10 * time.Second, OffDelay: 5 * time.Second,
		Explains: []string{NotInAutomatic},
	},
	{
		Name: RunsUncalled, Title: "Machine runs though nothing called it", Code: "STP",
		Meaning: "The machine runs and the panel does not ask for it or, where that is not wired, it started at a level or " +
			"pressure at which nothing can have asked for it.",
		Causes: []string{
			"contactor welded, or its auxiliary contact stuck",
			"somebody runs it by hand (where the selector is not wired)",
			"the switch that calls it has moved or failed",
		},
		Action: "Watch level and pressure: nothing may stop it at its limit. Stop it at the selector; if it runs on, at its " +
			"isolator. Have the contactor looked at before it goes back to automatic." + starts,
		Respond: 15 * time.Minute, Priority: Medium,
		OnDelay: 10 * time.Second, OffDelay: 5 * time.Second,
		Explains: []string{FailedToStop},
	},
	{
		Name: FailedToStop, Title: "Machine failed to stop", Code: "STP",
		Meaning: "The machine runs on although its call is over or, where that is not wired, level or pressure has passed the " +
			"point at which it should have stopped.",
		Causes: []string{
			"contactor welded, or its auxiliary contact stuck",
			"the switch at the cut-out has moved or failed",
			"the transmitter reads high: compare with gauge or sight glass",
		},
		Action: "Stop it at the selector; if it runs on, at its isolator. Do not wait for the relief valve. Have contactor " +
			"and switch looked at before it goes back to automatic." + starts,
		Respond: 10 * time.Minute, Priority: Medium,
		OnDelay: 5 * time.Second, OffDelay: 5 * time.Second,
	},
	{
		Name: SpuriousStop, Title: "Machine stopped while it was needed", Code: "UST",
		Meaning: "The machine stopped before its work was done, with no overload, selector or mains to explain it. It stays " +
			"so until it has done a whole run.",
		Causes: []string{
			"loose control wire, failing contactor coil",
			"a protection that is not wired to here: oil pressure, temperature",
			"supply dips",
		},
		Action: "See that the other machine does the work. Have control circuit and protections of this one " +
			"looked at." + starts,
		Respond: 8 * time.Hour, Priority: Low,
		OffDelay: 5 * time.Second,
	},
	{
		Name: AlternationStuck, Title: "The lead does not change",
		Meaning: "The same machine has led more often in a row than is tolerated, though its partner could have. One wears " +
			"out and the other is not proven.",
		Causes: []string{
			"alternating relay failed or switched to one machine",
			"the partner is out of service and its selector is not wired to here",
			"a start failed without being seen",
		},
		Action:  "Look at the alternating relay and at the partner's selector. Run the partner once to prove it." + starts,
		Respond: 3 * 24 * time.Hour, Priority: Low,
		OffDelay: time.Minute,
		Explains: []string{MissedTurns},
	},
	{
		Name: MissedTurns, Title: "Machine has missed its turns",
		Meaning: "Its partner has led several times in a row, and this machine has not started once. Nobody knows whether " +
			"it would.",
		Causes: []string{
			"out of service, switched off or tripped",
			"alternating relay failed",
			"it fails to start and its partner does its work",
		},
		Action:  "Look at its selector and overload, then run it once to prove it." + starts,
		Respond: 3 * 24 * time.Hour, Priority: Low,
		OffDelay: time.Minute,
	},
	{
		Name: StandbyHelped, Title: "The standby had to help",
		Meaning: "The standby started while the lead had been running for much longer than a whole fill or charge takes: " +
			"the lead alone did not do it.",
		Causes: []string{
			"the lead delivers too little",
			"oil or air leaves as fast as it is delivered",
		},
		Action:  "Look at the lead's last runs and at the leaks. It clears when a lead has done a run alone." + starts,
		Respond: 24 * time.Hour, Priority: Low,
		OffDelay: time.Minute,
	},
	{
		Name: ShortCycling, Title: "Runs too short",
		Meaning: "Several runs in a row ended well short of the cut-out: the machines start more often than they should, for " +
			"little work each time. A run of a pump should last at least a minute (well-pump practice).",
		Causes: []string{
			"the switch's dead band has become smaller, or its cut-out has moved down",
			"supply or control circuit drops out",
			"the transmitter reads low at the top",
		},
		Action:  "Compare where the machines stop with their set points. Have the switch checked and set." + starts,
		Respond: 24 * time.Hour, Priority: Low,
		OffDelay: time.Minute,
		Explains: []string{TooManyStarts},
	},
	{
		Name: TooManyStarts, Title: "Too many starts in an hour",
		Meaning: "The motor has started more often within an hour than it may (for motors without a figure of their own: " +
			"NEMA MG 10, table 2-3). Each start heats the winding.",
		Causes: []string{
			"short cycling",
			"much oil or air is used or lost",
			"the partner does not take its turns",
		},
		Action:  "Look why it starts so often, and let the motor cool down. Let its partner take the lead." + starts,
		Respond: time.Hour, Priority: Low,
		OffDelay: time.Minute,
	},
	{
		Name: AirBeforeOil, Title: "Air charged while the oil is low",
		Meaning: "A compressor ran although the oil level was under the pumps' cut-in. Air now takes the room of the oil: " +
			"when the level is back the pressure will be too high, or the tank is overcharged.",
		Causes: []string{
			"the interlock of compressors and level has failed or was bridged",
			"a compressor runs by hand or is welded",
			"the level reads low",
		},
		Action: "Compare with the sight glass. Stop the compressor until the oil is restored, and have the interlock " +
			"put right." + starts,
		Respond: time.Hour, Priority: Low,
		OnDelay: 30 * time.Second, OffDelay: time.Minute,
	},
	{
		Name: SumpLow, Title: "Sump level low",
		Meaning: "Little oil is left for the pumps to raise. Under their suction they draw air.",
		Causes: []string{
			"oil has left the system",
			"oil was drained or stands in a pipe or cylinder that is usually empty",
			"the sump's transmitter reads low",
		},
		Action: "Compare with the sump's gauge glass. Look where the oil has gone before topping up: it comes back when " +
			"valves move, and an overfilled sump spills. Use the specified oil only, filtered.",
		Respond: time.Hour, Priority: Medium,
		OnDelay: time.Minute, OffDelay: time.Minute, Deadband: 0.05,
		Explains: []string{PairNoAnswer, NoDelivery},
	},
	{
		Name: FilterClogged, Title: "Return filter clogged", Code: "PLU",
		Meaning: "While valves move the return filter holds back more pressure than it should, twice in a row. Valves get " +
			"slower, and at last the bypass lets dirt through.",
		Causes: []string{
			"element full",
			"oil very cold and thick",
			"several valves moved at once",
		},
		Action:  "Have the element changed at the next chance, with the line isolated and without pressure." + stored,
		Respond: 7 * 24 * time.Hour, Priority: Low,
		OffDelay: time.Minute, Deadband: 0.1,
	},
	{
		Name: ServiceDue, Title: "Service due",
		Meaning: "A service task has reached the end of its interval, by run hours, starts or date.",
		Causes: []string{
			"the interval is over",
			"the work was done and nobody has said so here",
		},
		Action: "Have the work done and say so here, with a note: the interval begins anew with that. The maker's book " +
			"decides what is done, and the site when." + starts,
		Respond: 7 * 24 * time.Hour, Priority: Low,
	},
}
