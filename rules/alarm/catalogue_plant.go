package alarm

import "time"

// The names of the alarms about what leaks, what the instruments show and
// what has been proven.
const (
	OilLeak          = "oil_leak"          // source "unit": kind unknown
	OilReturns       = "oil_returns"       // source "unit": back to the sump
	OilLost          = "oil_lost"          // source "unit": out of the system
	AirLeak          = "air_leak"          // source "unit"
	Waterlogged      = "waterlogged"       // source "unit"
	Overcharged      = "overcharged"       // source "unit"
	ReliefLifting    = "relief_lifting"    // source "unit"
	PointMoved       = "point_moved"       // source "pumps" or "compressors"
	MeasurementStuck = "measurement_stuck" // source "level" or "pressure"
	ProofOverdue     = "proof_overdue"     // source: the function's name
)

// plant is the rows of the names above. What the unit shows over hours needs
// no delay beside the time that the finding took; the times to respond and
// the priorities are common practice, no source.
var plant = [...]Definition{
	{
		Name: MeasurementStuck, Title: "Measurement does not follow",
		Meaning: "A pump raised the oil, and only one of level and pressure followed. The other one stands still, so " +
			"the reserve is computed from a value that is no longer true.",
		Causes: []string{
			"transmitter frozen, or its isolating valve closed",
			"impulse line blocked or frozen; a float that hangs",
			"the input holds its last value",
		},
		Action: "Read the gauge and the sight glass at the unit and judge the reserve from them, not from here. Look at the " +
			"transmitter's isolating valve and its loop." + stored,
		Respond: time.Hour, Priority: Medium,
		OnDelay: 10 * time.Second, OffDelay: 10 * time.Second,
		Explains: []string{Waterlogged, Overcharged, ReliefLifting, OilLeak, OilReturns, OilLost, AirLeak, PointMoved},
	},
	{
		Name: Waterlogged, Title: "Too little air over the oil",
		Meaning: "Level normal and pressure low mean that air is missing, more than the switches' dead bands allow: " +
			"each cycle takes the pressure down faster, and fewer are stored than the level promises.",
		Causes: []string{
			"air was lost and the compressors did not replace it",
			"the compressors' switches have sunk, or the compressors are off or held back",
			"the pressure transmitter reads low: compare with the gauge",
		},
		Action: "Compare pressure with the gauge and level with the sight glass. If they agree, look why no compressor " +
			"runs and have the air replaced with the level at its set point." + starts,
		Respond: 4 * time.Hour, Priority: Medium,
		OnDelay: time.Hour, OffDelay: 2 * time.Hour, Deadband: 0.02,
		Safety: true,
	},
	{
		Name: Overcharged, Title: "Too much air over the oil",
		Meaning: "Pressure and gas volume together hold more air than the switches' dead bands allow. The pressure may " +
			"reach the relief valve when the tank is filled, and air may get into the lines sooner when it is drawn.",
		Causes: []string{
			"a compressor ran while the level was low, or would not stop",
			"the compressors' switches have risen",
			"the pressure transmitter reads high: compare with the gauge",
		},
		Action: "Compare with gauge and sight glass. Look why the compressors charge too high. Let air out only as the " +
			"site's procedure says, slowly, with the level at its set point." + stored,
		Respond: 8 * time.Hour, Priority: Low,
		OnDelay: time.Hour, OffDelay: 6 * time.Hour, Deadband: 0.04,
	},
	{
		Name: ReliefLifting, Title: "Air lost fast above a pressure",
		Meaning: "More than once air has left the tank within seconds while the oil stood still, each time from about the " +
			"same pressure: the relief valve on the air side is probably lifting below its setting.",
		Causes: []string{
			"relief valve's spring weak, its seat damaged or dirty, or set too low",
			"a blow-down or drain valve opened by somebody",
			"the pressure really was too high",
		},
		Action: "Keep away from the outlet of the relief valve. Have the valve tested or exchanged by those licensed to " +
			"do it; never gag it." + stored,
		Respond: 8 * time.Hour, Priority: Medium,
		OffDelay: time.Minute,
		Explains: []string{AirLeak},
	},
	{
		Name: OilLost, Title: "Oil is leaving the system", Code: "ELP",
		Meaning: "Tank, sump and cylinders together hold less oil from hour to hour, at the same temperature: " +
			"it goes somewhere outside.",
		Causes: []string{
			"a fitting, hose, seal or pipe leaks to the outside",
			"somebody took oil out",
			"the level transmitter of tank or sump drifts",
		},
		Action: "Look for oil at the unit, along the lines and at the valves. Spilled oil is slippery, burns and harms " +
			"water: contain it and follow the site's procedure. Keep hands away from a jet of oil." + stored,
		Respond: 2 * time.Hour, Priority: Medium,
		OffDelay: time.Hour,
		Explains: []string{OilLeak},
	},
	{
		Name: OilReturns, Title: "Oil runs back to the sump",
		Meaning: "The oil in the tank goes down while nothing moves, and it arrives in the sump: something inside lets it through.",
		Causes: []string{
			"a pump's check valve does not close",
			"a cylinder's seals or a control valve leak inside",
			"a bypass or drain valve is not quite closed",
		},
		Action: "Feel and listen which return line carries oil while nothing moves: a warm line, a hiss. Have the leaking " +
			"part put right." + stored,
		Respond: 24 * time.Hour, Priority: Low,
		OnDelay: 2 * time.Hour, OffDelay: time.Hour,
	},
	{
		Name: OilLeak, Title: "Oil goes down while idle",
		Meaning: "The oil in the tank goes down while nothing moves. Without a sump level nobody can tell from here " +
			"whether it returns to the sump or leaves the system.",
		Causes: []string{
			"a pump's check valve, a cylinder's seals or a control valve let oil back to the sump",
			"a fitting, hose or seal leaks to the outside",
			"the level transmitter drifts",
		},
		Action: "Look for oil at the unit and along the lines, and at the sump's level. Spilled oil is slippery and " +
			"burns. If the sump's level rises, the leak is inside." + stored,
		Respond: 4 * time.Hour, Priority: Medium,
		OffDelay: time.Hour,
	},
	{
		Name: AirLeak, Title: "Air is leaking",
		Meaning: "The air in the tank gets less from day to day, with what the compressors added and what left with the " +
			"oil taken off.",
		Causes: []string{
			"fittings, sight glass, drain or relief valve of the air side",
			"the compressors' check valves let air back",
			"the pressure transmitter drifts",
		},
		Action: "Brush the air side's fittings with leak finder and listen at the relief valve and the compressors' check " +
			"valves. Keep away from jets of air." + stored,
		Respond: 3 * 24 * time.Hour, Priority: Low,
		OffDelay: time.Hour,
	},
	{
		Name: PointMoved, Title: "A switching point has moved",
		Meaning: "The panel's switch acts at another value than it used to, as the transmitter shows it: either the " +
			"transmitter or the switch has moved. Which of them cannot be told from these two alone.",
		Causes: []string{
			"the transmitter drifts",
			"the panel's switch drifts, or was set anew",
			"the machine does not answer at once",
		},
		Action: "Read gauge or sight glass when the machine starts or stops, and compare: it tells which of the two is " +
			"right. Until then do not trust the reserve to better than the shift.",
		Respond: 24 * time.Hour, Priority: Low,
		OffDelay: time.Minute,
	},
	{
		Name: ProofOverdue, Title: "Not seen to work for too long",
		Meaning: "This protective function has not been seen to work within the time that the site allows, " +
			"or never since it is watched. It is only hoped for.",
		Causes: []string{
			"it was not needed, and nobody tested it",
			"it was needed and did not work",
			"the test was done while nobody watched",
		},
		Action: "Have the function tested by those who may, by the site's procedure, with a test announced here so that " +
			"what it shows is recorded.",
		Respond: 7 * 24 * time.Hour, Priority: Low,
		OffDelay: time.Minute,
	},
}
