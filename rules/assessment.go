// Package rules judges a unit: Unit.Step turns one scan into an assessment,
// as pure computation. It does no I/O, starts no goroutine and reads no
// clock; time comes in with the scan.
package rules

import (
	"time"

	"strokebank/rules/alarm"
	"strokebank/rules/machine"
	"strokebank/rules/machine/service"
	"strokebank/rules/machine/work"
	"strokebank/rules/proof"
	"strokebank/rules/reserve"
	"strokebank/sensors/signal"
)

// Schema is the version of everything this package writes as JSON. It rises
// when a name or a meaning changes, not when a name is added.
const Schema = 1

// Assessment is all that is known of one unit after one scan. Its JSON form
// is what the page, the API and the messages carry.
type Assessment struct {
	Schema       int            `json:"schema"`
	Site         string         `json:"site"`
	Unit         string         `json:"unit"`
	Time         time.Time      `json:"time"`
	ClockTrusted bool           `json:"clock_trusted"`
	Scan         uint64         `json:"scan"`
	Quality      signal.Quality `json:"quality"`    // of the reserve's inputs
	PowerLost    bool           `json:"power_lost"` // mains known to be absent

	Readings []NamedReading `json:"readings"` // as measured: pressures are gauge

	GasPressure signal.Reading `json:"gas_pressure"` // Pa absolute
	Level       signal.Reading `json:"oil_level"`    // m above the tank's lowest inside point
	OilVolume   signal.Reading `json:"oil_volume"`   // m³
	GasVolume   signal.Reading `json:"gas_volume"`   // m³
	TankVolume  signal.Number  `json:"tank_volume_cubic_meters"`

	Gas Gas `json:"gas"`

	Reserve   reserve.Figures `json:"reserve"`
	LastKnown *LastKnown      `json:"last_known_reserve,omitempty"` // only while the reserve is unknown
	Countdown *Countdown      `json:"countdown,omitempty"`          // only while the mains are known to be lost

	Machines []machine.Status     `json:"machines"`
	Pairs    []machine.PairStatus `json:"pairs"`
	Outputs  []work.Verdict       `json:"outputs"` // of the machines, in their order
	Service  []service.Status     `json:"service"`
	Failures []Failure            `json:"failures"` // that are open, and the last that are done
	Alarms   []alarm.Status       `json:"alarms"`   // every configured alarm, in catalogue order

	AlarmLoad alarm.Figures `json:"alarm_load"`
	Away      []Away        `json:"out_of_service,omitempty"` // the unit or machines of it

	Limits Limits `json:"limits"`

	Leaks Leaks          `json:"leaks"`
	Proof []proof.Status `json:"proof"`          // of every protective function
	Test  *proof.Test    `json:"test,omitempty"` // under way

	Draws []Draw       `json:"-"` // ended in this step
	Tests []proof.Test `json:"-"` // ended before this step

	Events []Event       `json:"-"` // what happened in this step, in order
	Runs   []machine.Run `json:"-"` // runs completed in this step
	// What was measured of runs, known with this step; each is an event too,
	// which carries it into history.
	Fills   []work.Fill   `json:"-"`
	Charges []work.Charge `json:"-"`
}

// Gas is what is known of the air beyond its pressure and volume.
type Gas struct {
	// TemperatureRatio is the gas temperature over the wall's, with its ±
	// band; unknown for five time constants after a gap in the data.
	TemperatureRatio     signal.Number `json:"temperature_ratio"`
	TemperatureRatioBand signal.Number `json:"temperature_ratio_band"`
	// AirRatio is the settled product of pressure and volume over that of a
	// full charge: the air in the tank against the set state.
	AirRatio signal.Number `json:"air_ratio"`

	// The thermal time constant in use, as configured (unknown: not given) and
	// as learned from recoveries after draws, with its ± band as a ratio.
	HeatExchange           signal.Number `json:"heat_exchange_seconds"`
	HeatExchangeConfigured signal.Number `json:"heat_exchange_configured_seconds"`
	HeatExchangeLearned    signal.Number `json:"heat_exchange_learned_seconds"`
	HeatExchangeBand       signal.Number `json:"heat_exchange_band_ratio"`
	AgreeingDraws          int           `json:"heat_exchange_agreeing_draws"`
	UsedDraws              int           `json:"heat_exchange_used_draws"`
}

// NamedReading is a measured point and its reading.
type NamedReading struct {
	ID      signal.ID      `json:"id"`
	Reading signal.Reading `json:"reading"`
}

// LastKnown is the reserve as it was when it was last known. It stands in a
// field of its own and is never a substitute for the present figure.
type LastKnown struct {
	AtLeast  signal.Number `json:"at_least_cycles"`
	Expected signal.Number `json:"expected_cycles"`
	Time     time.Time     `json:"time"`
	Age      float64       `json:"age_seconds"`
}

// Limits are the set points that a picture of the unit needs. Levels in m
// above the lowest inside point, pressures gauge.
type Limits struct {
	SetPressure      float64 `json:"set_pressure_pascals"`
	MinPressure      float64 `json:"min_pressure_pascals"`
	SetLevel         float64 `json:"set_level_meters"`
	UnusableOil      float64 `json:"unusable_oil_cubic_meters"`
	LowLevel         float64 `json:"low_level_meters"`
	LowPressure      float64 `json:"low_pressure_pascals"`
	PumpCutIn        float64 `json:"pump_cut_in_meters"`
	PumpCutOut       float64 `json:"pump_cut_out_meters"`
	CompressorCutIn  float64 `json:"compressor_cut_in_pascals"`
	CompressorCutOut float64 `json:"compressor_cut_out_pascals"`

	// The levels above as oil volumes, m³, for a picture at true
	// proportions; 0 where there is none.
	SetOil        float64 `json:"set_oil_cubic_meters"`
	LowOil        float64 `json:"low_oil_cubic_meters"`
	PumpCutInOil  float64 `json:"pump_cut_in_oil_cubic_meters"`
	PumpCutOutOil float64 `json:"pump_cut_out_oil_cubic_meters"`
}

// Clone is a copy that stays valid after the next Step.
func (a *Assessment) Clone() *Assessment {
	c := *a
	c.Readings = append([]NamedReading(nil), a.Readings...)
	c.Machines = append([]machine.Status(nil), a.Machines...)
	c.Pairs = append([]machine.PairStatus(nil), a.Pairs...)
	c.Alarms = append([]alarm.Status(nil), a.Alarms...)
	c.Reserve.Strokes = append([]reserve.AfterStroke(nil), a.Reserve.Strokes...)
	c.AlarmLoad = a.AlarmLoad.Clone()
	c.Away = append([]Away(nil), a.Away...)
	c.Leaks.Points = append([]SwitchPoint(nil), a.Leaks.Points...)
	c.Proof = append([]proof.Status(nil), a.Proof...)
	c.Test = a.Test.Clone()
	c.Draws = append([]Draw(nil), a.Draws...)
	c.Tests = append([]proof.Test(nil), a.Tests...)
	c.Events = append([]Event(nil), a.Events...)
	c.Runs = append([]machine.Run(nil), a.Runs...)
	c.Outputs = append([]work.Verdict(nil), a.Outputs...)
	c.Service = append([]service.Status(nil), a.Service...)
	c.Failures = append([]Failure{}, a.Failures...)
	c.Fills = append([]work.Fill(nil), a.Fills...)
	c.Charges = append([]work.Charge(nil), a.Charges...)
	if a.Countdown != nil {
		d := *a.Countdown
		c.Countdown = &d
	}
	if a.LastKnown != nil {
		k := *a.LastKnown
		c.LastKnown = &k
	}
	return &c
}
