package simulator

import "math"

const (
	bar   = 1e5
	litre = 1e-3
)

// cylinderOil is the oil of a cylinder's two sides, m³, from bore, rod and
// stroke in m.
func cylinderOil(bore, rod, stroke float64) (capSide, rodSide float64) {
	return math.Pi / 4 * bore * bore * stroke, math.Pi / 4 * (bore*bore - rod*rod) * stroke
}

// QuillenReach is unit AU-7 at the invented river barrage Quillen Reach:
// metric, a vertical tank, every signal wired.
func QuillenReach() Build {
	b := Build{
		Site: "Quillen Reach", Unit: "AU-7", Device: 7,
		Tank: Tank{Diameter: 1, Length: 2.4, Heads: [2]float64{0.25, 0.25}, Shell: 0.008,
			Outlet: 0.3, Atmosphere: 1.01325 * bar, OilDensity: 870},
		Sump:       Sump{Area: 0.6, Filled: 350 * litre, Suction: 0.1},
		Dwell:      5,
		Pump:       Machine{Rating: 24 * litre / 60, Current: 1.9},
		Compressor: Machine{Rating: 160 * litre / 60, Current: 3.4},
		Level:      SetPoints{CutIn: 1.14, CutOut: 1.22, Standby: 1.05, Low: 0.90},
		Pressure:   SetPoints{CutIn: 7.9 * bar, CutOut: 8.6 * bar, Standby: 7.5 * bar, Low: 6.8 * bar},
		AirRelief:  10.5 * bar, OilRelief: 11 * bar,
		Seepage: 0.1 * litrePerHour, AirLoss: 0.003,
		Weather: Weather{Mean: 285.15, Day: 8, Season: 15},
		Routine: Routine{Strokes: 6, Partials: 0.5},
	}
	capSide, rod := cylinderOil(0.125, 0.056, 0.5)
	for _, tag := range []string{"XV-1", "XV-2", "XV-3", "XV-4"} {
		b.Valves = append(b.Valves, Valve{Tag: tag, Close: capSide, Open: rod, Time: 12, Move: 5 * bar})
	}
	b.Instruments = Instruments{
		Pressure:  Instrument{Low: 0, High: 12 * bar, Lag: 0.3, Noise: 0.02 * bar},
		Level:     Instrument{Low: 0, High: 2.5, Lag: 0.8, Noise: 0.003},
		Sump:      Instrument{Low: 0, High: 1, Lag: 0.8, Noise: 0.002},
		Filter:    Instrument{Low: 0, High: 4 * bar, Lag: 0.3, Noise: 0.01 * bar},
		Discharge: Instrument{Low: 0, High: 16 * bar, Lag: 0.3, Noise: 0.03 * bar},
		LevelZero: 0.05,
	}
	b.Registers = quillenRegisters(b)
	return b
}

// quillenRegisters is the map of AU-7: loop currents in microampere in the
// input registers, counters low word first in the holding registers, status
// words with bits, limit switches as discrete inputs, call relays as coils.
func quillenRegisters(b Build) []Register {
	i := b.Instruments
	loop := func(name string, address uint16, x Instrument, unit string) Register {
		return Register{Name: name, Table: 4, Address: address, Format: "uint16", Current: true,
			RawLow: 4000, RawHigh: 20000, Low: x.Low, High: x.High, Unit: unit}
	}
	list := []Register{
		loop("pressure", 0, i.Pressure, "Pa"),
		loop("level", 1, i.Level, "m"),
		loop("sump_level", 2, i.Sump, "m"),
		loop("filter_differential", 3, i.Filter, "Pa"),
		{Name: "oil_temperature", Table: 4, Address: 10, Format: "float32", Offset: celsius0, Unit: "K"},
		{Name: "wall_temperature", Table: 4, Address: 12, Format: "float32", Offset: celsius0, Unit: "K"},
		loop("pump1.discharge_pressure", 16, i.Discharge, "Pa"),
		loop("pump2.discharge_pressure", 17, i.Discharge, "Pa"),
		{Name: "mains", Table: 3, Address: 200, Format: "bit", Bit: 0},
		{Name: "low_level_switch", Table: 3, Address: 200, Format: "bit", Bit: 1},
		{Name: "low_pressure_switch", Table: 3, Address: 200, Format: "bit", Bit: 2},
	}
	list = append(list, quillenMachines()...)
	for n, v := range b.Valves {
		k := uint16(2 * n)
		list = append(list,
			Register{Name: "valve." + v.Tag + ".open", Table: 2, Address: 16 + k, Format: "bit"},
			Register{Name: "valve." + v.Tag + ".closed", Table: 2, Address: 17 + k, Format: "bit"},
		)
	}
	return list
}

// quillenMachines is the part of the map that belongs to the machines.
func quillenMachines() []Register {
	var list []Register
	for n, m := range positions {
		k, bit := uint16(n), uint8(n)
		list = append(list,
			Register{Name: m + ".running", Table: 2, Address: k, Format: "bit"},
			Register{Name: m + ".called", Table: 1, Address: k, Format: "bit"},
			Register{Name: m + ".overload", Table: 3, Address: 200, Format: "bit", Bit: 4 + bit},
			Register{Name: m + ".automatic", Table: 3, Address: 201, Format: "bit", Bit: bit},
			Register{Name: m + ".hand", Table: 3, Address: 201, Format: "bit", Bit: 4 + bit},
			Register{Name: m + ".start_counter", Table: 3, Address: 100 + 4*k, Format: "uint32", Reversed: true},
			Register{Name: m + ".hour_meter", Table: 3, Address: 102 + 4*k, Format: "uint32", Reversed: true,
				Factor: 36, Unit: "s"},
			Register{Name: m + ".motor_current", Table: 4, Address: 6 + k, Format: "uint16", Factor: 0.01, Unit: "A"},
		)
	}
	return list
}
