package simulator

import "time"

// Build is everything that is fixed about a unit. Tests vary it freely before
// they hand it to New; a plant keeps its own copy.
type Build struct {
	Site   string
	Unit   string
	Device uint8 // Modbus unit identifier

	Tank   Tank
	Sump   Sump
	Valves []Valve // at most 8
	// Together: a shutdown moves all valves at once, else one after another
	// with Dwell seconds between the strokes.
	Together bool
	Dwell    float64

	Pump       Machine // each of the two
	Compressor Machine // each of the two

	Level    SetPoints // m above the lowest inside point: pumps
	Pressure SetPoints // Pa gauge: compressors

	AirRelief float64 // Pa gauge, relief valve on the tank's gas side
	OilRelief float64 // Pa gauge, relief valve behind each pump

	Seepage float64 // m³/s of oil past each valve's cylinder seals at the set pressure
	AirLoss float64 // part of the air lost a day through fittings, at the set pressure

	Weather     Weather
	Routine     Routine
	Instruments Instruments
	Start       Start
	Registers   []Register // what the panel's I/O serves
}

// Tank is the pressure tank. Its heads are half ellipsoids of the given
// depth: 0 flat, a quarter of the diameter 2:1, half of it a hemisphere.
type Tank struct {
	Horizontal  bool
	Diameter    float64 // m, inside
	Length      float64 // m, tangent to tangent
	Heads       [2]float64
	Shell       float64 // m, thickness of the steel
	Outlet      float64 // m, under this level air enters the lines to the valves
	HeatFactor  float64 // multiplies the heat exchange of gas and wall; 0: 1
	Atmosphere  float64 // Pa absolute at the site
	OilDensity  float64 // kg/m³ at 15 °C
	PressureTap float64 // m above the lowest inside point; 0: in the gas
}

// Sump is the open oil reservoir, taken as a box.
type Sump struct {
	Area    float64 // m²
	Filled  float64 // m³ of oil at the start
	Suction float64 // m, pumps lose their suction under this level
}

// Valve is a valve with its cylinder.
type Valve struct {
	Tag   string
	Close float64 // m³ of oil drawn by a closing stroke
	Open  float64 // m³ of oil drawn by an opening stroke
	Time  float64 // s for a stroke, held by its flow regulator
	Move  float64 // Pa gauge, under this the stroke slows down
}

// Machine is a pump or a compressor.
type Machine struct {
	Rating  float64 // m³/s of oil, or of free air, at the set pressure
	Current float64 // A at the set pressure
}

// SetPoints are the switches of a pair.
type SetPoints struct {
	CutIn, CutOut, Standby, Low float64
}

// Weather is the air around the unit.
type Weather struct {
	Begin  time.Time // wall clock at the start; zero: 15 April 2026, 6 h UTC
	Mean   float64   // K
	Day    float64   // K, amplitude within a day, warmest at 15 h
	Season float64   // K, amplitude within a year, warmest in mid July
	Wander float64   // K, standard deviation of the weather from day to day
}

// Routine is the normal use of the valves, at random times.
type Routine struct {
	Strokes  float64 // closings with a reopening minutes later, a day
	Partials float64 // partial stroke tests of one valve, a day
}

// Instruments are the transmitters.
type Instruments struct {
	Pressure, Level, Sump, Filter, Discharge Instrument
	LevelZero                                float64 // m, height of the level transmitter's zero
	// LevelCell: the level signal is the pressure (Pa) across a
	// differential-pressure cell at LevelZero, with LevelLeg (Pa) in it.
	LevelCell bool
	LevelLeg  float64
}

// Instrument is one 4-20 mA transmitter with its span in SI.
type Instrument struct {
	Low, High float64
	Lag       float64 // s
	Noise     float64 // standard deviation
	Error     float64 // fixed, added to every value
}

// Start is the state at the beginning. What is zero takes its default:
// temperatures the ambient air, oil and pressure just under the cut-outs.
type Start struct {
	Pressure, Oil             float64 // Pa gauge, m³
	Gas, Wall, OilTemperature float64 // K
}
