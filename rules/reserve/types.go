// Package reserve computes how many shutdown cycles are left in an
// accumulator: at least, expected, and at full charge.
//
// A cycle counts only if, throughout each of its strokes, start and end
// included, the pressure is at least what the valve needs and the oil stays
// above the unusable volume. Leakage goes on meanwhile.
//
// At least takes everything at its worst inside what is known: pressure and
// level at the ends of their bands, the gas no warmer than the lowest wall,
// the time constant of heat exchange at its upper bound (adiabatic where
// nothing is known), the leak with its uncertainty, real air instead of ideal,
// and a wall that cools as it warms the gas. Expected takes best estimates.
// Full charge is expected at the set level and pressure, settled.
//
// The lower bound is computed; it is not a protective function and not a
// warranty.
//
// The package is pure: no I/O, no clock, no goroutine. Case is one complete
// state given by hand; Engine is a configured unit. Both run the same
// discharge, on volumes.
package reserve

import (
	"strokebank/rules/tank"
	"strokebank/sensors/signal"
)

// Stroke is one movement of one valve's cylinder.
type Stroke struct {
	Valve    string
	Closing  bool
	Oil      float64 // m³ drawn from the tank; 0 where a spring or weight moves the valve
	Duration float64 // s
	Dwell    float64 // s, pause after it
	Together bool    // begins with the stroke before it instead of after it
	Demand   float64 // Pa gauge, least tank pressure this stroke needs; 0: the unit's
}

// Config is what the site says of its reserve. Pressures are gauge.
type Config struct {
	Tank  *tank.Tank
	Cycle []Stroke // one shutdown cycle, in order
	// EndsWithClosing says that a cycle already counts when its closing
	// strokes are done, so that the last one need not open again; right for
	// DefaultCycle.
	EndsWithClosing bool

	Required    int     // whole cycles that must be stored
	MinPressure float64 // Pa, least pressure at which the valves move
	UnusableOil float64 // m³ that must stay in the tank
	SetPressure float64 // Pa, full charge
	SetLevel    float64 // m above the lowest inside point, full charge

	HeatExchange      float64 // s, thermal time constant τ; 0: unknown
	HeatExchangeUpper float64 // s, upper bound of τ; 0: unknown (adiabatic)

	PressureBand float64 // Pa, accuracy of the pressure transmitter, ±
	LevelBand    float64 // m, accuracy of the level transmitter, ±
	LowestWall   float64 // K, where no wall temperature is measured; 0: UsualWall less WallBand
	UsualWall    float64 // K, where no wall temperature is measured; 0: 293.15
	WallBand     float64 // K, accuracy of the wall temperature, ±
	MaxLeak      float64 // m³/s of oil, until the leak has been learned

	PumpFlow      [2]float64 // m³/s, rating of each pump
	CompressorAir [2]float64 // m³/s of free air, rating of each compressor
}

// Input is the state of the unit at one moment.
type Input struct {
	Pressure   signal.Reading // Pa absolute, of the gas
	Level      signal.Reading // m above the lowest inside point
	Atmosphere float64        // Pa absolute
	Wall       signal.Reading // K; not configured is fine
	Theta      float64        // gas over wall temperature; used where ThetaKnown
	ThetaBand  float64        // ± of Theta; while it is not known, of 1; 0: not given
	ThetaKnown bool
	// HeatExchange is τ in s as learned and HeatExchangeUpper its upper bound;
	// both are used instead of the configured ones where HeatExchange is over 0.
	HeatExchange      float64
	HeatExchangeUpper float64

	Leak      float64 // m³/s of oil, learned; used where LeakKnown
	LeakBand  float64 // ± of Leak
	LeakKnown bool
}

// Limit is what ends the last cycle.
type Limit string

// The limits.
const (
	ByPressure Limit = "pressure"
	ByOil      Limit = "oil"
	NoLimit    Limit = ""
)

// Figures is what Evaluate gives. Where Known is false every figure is
// unknown and Reason says why; nothing in it may then be shown as a number.
// Where Known is true, Reason says why the quality is not good.
type Figures struct {
	Known    bool           `json:"known"`
	Reason   string         `json:"reason,omitempty"`
	Quality  signal.Quality `json:"quality"`
	Required int            `json:"required_cycles"`

	AtLeast    signal.Number `json:"at_least_cycles"` // whole cycles
	Expected   signal.Number `json:"expected_cycles"`
	FullCharge signal.Number `json:"full_charge_cycles"`
	Limit      Limit         `json:"limit,omitempty"` // of the expected figure

	AtLeastLimit  Limit         `json:"at_least_limit,omitempty"`
	UsableOil     signal.Number `json:"usable_oil_cubic_meters"`          // expected, to the limit
	UsableAtLeast signal.Number `json:"usable_oil_at_least_cubic_meters"` // at least, to the limit
	HoldTime      signal.Number `json:"hold_time_seconds"`                // required cycles kept at least, mains off; never over HoldTimeMax
	TimeToFull    signal.Number `json:"time_to_full_seconds"`             // both machines of each pair
	TimeToFullOne signal.Number `json:"time_to_full_one_machine_seconds"` // one machine of each pair
	Strokes       []AfterStroke `json:"strokes,omitempty"`                // expected, in order, the first MaxRows
}

// AfterStroke is the expected state right after one stroke.
type AfterStroke struct {
	Cycle    int           `json:"cycle"` // from 1
	Valve    string        `json:"valve"`
	Closing  bool          `json:"closing"`
	Pressure signal.Number `json:"gauge_pressure_pascals"`
	Level    signal.Number `json:"level_meters"`
	Counts   bool          `json:"counts"` // limits kept throughout it
}
