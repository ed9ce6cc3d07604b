package simulator

const (
	psi    = 6894.757293168
	inch   = 0.0254
	gallon = 231 * inch * inch * inch // US
)

// DunmorrowFlats is unit ACC-2 at the invented Dunmorrow Flats: US sizes, a
// horizontal tank, and only pressure, level and the four running contacts.
func DunmorrowFlats() Build {
	b := Build{
		Site: "Dunmorrow Flats", Unit: "ACC-2", Device: 2,
		Tank: Tank{Horizontal: true, Diameter: 48 * inch, Length: 60 * inch,
			Heads: [2]float64{12 * inch, 12 * inch}, Shell: 0.375 * inch,
			Outlet: 6 * inch, Atmosphere: 98600, OilDensity: 878},
		Sump:       Sump{Area: 0.8, Filled: 120 * gallon, Suction: 4 * inch},
		Dwell:      4,
		Pump:       Machine{Rating: 5 * gallon / 60, Current: 2.4},
		Compressor: Machine{Rating: 6 * 0.0283168 / 60, Current: 4.1},
		Level:      SetPoints{CutIn: 20.5 * inch, CutOut: 22.5 * inch, Standby: 18.5 * inch, Low: 15 * inch},
		Pressure:   SetPoints{CutIn: 110 * psi, CutOut: 122 * psi, Standby: 104 * psi, Low: 92 * psi},
		AirRelief:  155 * psi, OilRelief: 165 * psi,
		Seepage: 0.12 * litrePerHour, AirLoss: 0.004,
		Weather: Weather{Mean: 291.15, Day: 8, Season: 15},
		Routine: Routine{Strokes: 8, Partials: 0.5},
	}
	capSide, rod := cylinderOil(5*inch, 2.25*inch, 18*inch)
	for _, tag := range []string{"BV-1", "BV-2", "BV-3"} {
		b.Valves = append(b.Valves, Valve{Tag: tag, Close: capSide, Open: rod, Time: 15, Move: 65 * psi})
	}
	b.Instruments = Instruments{
		Pressure: Instrument{Low: 0, High: 200 * psi, Lag: 0.3, Noise: 0.02 * bar},
		Level:    Instrument{Low: 0, High: 48 * inch, Lag: 1.2, Noise: 0.003},
	}
	b.Registers = dunmorrowRegisters(b.Instruments)
	return b
}

// dunmorrowRegisters is the map of ACC-2: loop currents as hundredths of a
// percent of span, signed, in holding registers with a hole between.
func dunmorrowRegisters(i Instruments) []Register {
	loop := func(name string, address uint16, x Instrument, unit string) Register {
		return Register{Name: name, Table: 3, Address: address, Format: "int16", Current: true,
			RawLow: 0, RawHigh: 10000, Low: x.Low, High: x.High, Unit: unit}
	}
	list := []Register{loop("pressure", 40, i.Pressure, "Pa"), loop("level", 42, i.Level, "m")}
	for n, m := range positions {
		list = append(list, Register{Name: m + ".running", Table: 2, Address: 8 + uint16(n), Format: "bit"})
	}
	return list
}
