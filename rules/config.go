package rules

import (
	"time"

	"strokebank/rules/alarm"
	"strokebank/rules/machine"
	"strokebank/rules/machine/service"
	"strokebank/rules/proof"
	"strokebank/rules/reserve"
	"strokebank/rules/tank"
)

// Config is one unit as the site describes it, checked. SI throughout;
// pressures are gauge unless named absolute.
type Config struct {
	Site       string
	Unit       string
	ScanPeriod time.Duration

	Tank *tank.Tank
	// Atmosphere is the site's pressure, Pa absolute, where it is not measured.
	Atmosphere float64
	// PressureTap is the height of the pressure transmitter above the lowest
	// inside point, m; negative where it sits in the gas.
	PressureTap float64
	// LevelOffset is added to a level reading to count from the lowest inside
	// point, m. LevelByPressure: the level signal is the pressure across a
	// cell (Pa) with the leg LevelLeg (Pa) in it.
	LevelOffset     float64
	LevelByPressure bool
	LevelLeg        float64
	OilDensity      float64 // kg/m³ at 15 °C

	Reserve reserve.Config
	// ReserveEvery is how often the reserve is computed again at least, while
	// nothing moves; 0: 5 s.
	ReserveEvery time.Duration
	// HeatExchangeLower is the lower bound of Reserve.HeatExchange, s: the gas
	// is followed with it too, and so it widens what the reserve takes of the
	// gas temperature. 0: a quarter of it.
	HeatExchangeLower float64

	Pumps       machine.PairConfig
	Compressors machine.PairConfig
	Valves      []Valve

	LowLevel    float64 // m above the lowest inside point
	LowPressure float64 // Pa gauge

	// SumpArea is the surface of the sump's oil, m²; 0: not given. OilLeak
	// (m³/s while idle), AirLeak (part a day) and DissolvedAir (m³ of free air
	// a m³ of oil takes up per bar) are limits and a figure of the watch for
	// leaks; 0 takes its default.
	SumpArea     float64
	OilLeak      float64
	AirLeak      float64
	DissolvedAir float64
	Proof        proof.Intervals

	LowSump     float64        // m of the sump's level; 0: a part of the highest that was seen
	FilterLimit float64        // Pa across the return filter; 0: the customary one
	Service     []service.Task // nil: what is usual for such a unit

	Alarms map[string]alarm.Setting
}

// Valve is one cylinder-operated valve; its strokes stand in Reserve.Cycle.
type Valve struct {
	Tag string
}
