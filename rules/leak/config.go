// Package leak finds what goes in and out of a unit where nothing should: oil
// drawn, oil that goes down while idle, air that gets less, and instruments
// or switches that no longer tell the same as each other.
//
// It is pure computation: no I/O, no clock, no goroutine. Nothing in it is
// safe for concurrent use of one value. Volumes in m³, pressures in Pa
// absolute, times in s, unless a comment says otherwise.
package leak

import "time"

// Config is what the room must know of the unit. A limit of 0 takes its
// default.
type Config struct {
	OilLimit  float64 // m³/s, an idle decline above it is a leak; 0: 1.5 L/h
	AirLimit  float64 // part of the air lost a day, above it is a leak; 0: 1 %
	Dissolved float64 // m³ of free air a m³ of oil takes up per bar; 0: 0.09, mineral oil (from memory)

	Stroke    float64 // m³, smallest stroke of the unit's valves; 0: 0.3 % of the tank
	Flow      float64 // m³/s, slowest flow of a stroke; 0: a stroke in a minute
	Tank      float64 // m³, whole inside volume
	Full      float64 // J, pV of a full charge
	Most      float64 // J, highest pV that the switches' dead bands allow, with the instruments' bands
	Settling  float64 // s, five time constants of the gas
	SumpArea  float64 // m², of the sump's surface; 0: not given
	Highest   float64 // Pa gauge: above it the relief valve may be at work; 0: not given
	LevelBand float64 // m, accuracy of the level, ±
	Band      float64 // Pa, accuracy of the pressure, ±
	// Points are where the panel's switches act, as configured: pumps cut in,
	// cut out (m), compressors cut in, cut out (Pa gauge).
	Points [4]float64
}

// Scan is what one scan says. Volumes and pressures count only where Read.
type Scan struct {
	Time    time.Time
	Seconds float64 // watched since the scan before
	Read    bool    // pressure and level may be used

	Pressure   float64 // Pa absolute, of the gas
	Gauge      float64 // Pa gauge, as the transmitter shows it
	Level      float64 // m
	Oil, Gas   float64 // m³
	Warmth     float64 // factor that brings an oil volume to 15 °C; 1 where the temperature is not measured
	Warm       bool    // it is measured
	Atmosphere float64 // Pa absolute

	Theta   float64 // gas over wall temperature
	Settled float64 // J, S = pV/θ
	Follows bool    // θ and S are known
	Wall    float64 // K; 0: not measured

	Sump      float64 // m; counts only where SumpRead
	SumpRead  bool
	Cylinders float64 // m³ of oil in the valves' cylinders
	Moving    bool    // a valve is known to be between its ends

	// What the contacts say; a contact that is not known counts as running.
	Pumps, Compressors bool
	Locked             bool // compressors held back until the level is restored
	Hand               bool // what starts or stops now is known not to be the panel's doing
}

func (c Config) withDefaults() Config {
	set := func(p *float64, v float64) {
		if *p == 0 {
			*p = v
		}
	}
	set(&c.OilLimit, 1.5e-3/3600)
	set(&c.AirLimit, 0.01)
	set(&c.Dissolved, 0.09)
	set(&c.Stroke, 0.003*c.Tank)
	set(&c.Flow, c.Stroke/60)
	set(&c.Settling, 600)
	return c
}

// Day is the number of seconds in one.
const day = 86400.0
