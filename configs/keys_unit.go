package configs

import q "strokebank/configs/quantity"

var unitKeys = &table{name: "units.NAME", doc: "One accumulator unit. Pressures are gauge pressures; levels count from the tank's lowest inside point.", keys: []key{
	{name: "display", kind: aWord, words: []string{"metric", "us"}, def: "metric", doc: "The units in which people read this unit's values."},
	{name: "link", kind: aText, sample: "panel", doc: "Link of every point that names none. Default: the only link."},
	{name: "device", kind: aCount, def: "1", sample: "1", doc: "Modbus unit identifier of every point that names none, 0 to 255."},
	{name: "elevation", kind: aQuantity, dim: q.Length, least: "-430 m", most: "5000 m", doc: "Height of the site above the sea; gives the atmospheric pressure by the standard atmosphere (ISO 2533)."},
	{name: "atmosphere", kind: aQuantity, dim: q.Pressure, least: "500 mbar", most: "1100 mbar", sample: "1.01325 bar", doc: "The site's atmospheric pressure, absolute, instead of `elevation`. With neither it is that at sea level."},
	{name: "tank", kind: aBlock, required: true, in: tankKeys, doc: "The pressure tank."},
	{name: "transmitters", kind: aBlock, in: transmitterKeys, doc: "How the transmitters are mounted and how exact they are."},
	{name: "oil_density", kind: aQuantity, dim: q.Density, def: "870 kg/m3", least: "500 kg/m3", most: "1500 kg/m3", doc: "Density of the oil at 15 °C."},
	{name: "set_points", kind: aBlock, required: true, in: setPointKeys, doc: "What the panel holds."},
	{name: "reserve", kind: aBlock, required: true, in: reserveKeys, doc: "What counts as a stored shutdown cycle."},
	{name: "valves", kind: aMap, required: true, in: valveKeys, sample: "valves with a tag and a cylinder each", doc: "The cylinder-operated valves, by tag."},
	{name: "pumps", kind: aBlock, required: true, in: pumpPairKeys, doc: "The two oil pumps."},
	{name: "compressors", kind: aBlock, required: true, in: compressorPairKeys, doc: "The two air compressors."},
	{name: "service", kind: aMap, in: serviceKeys, sample: "tasks of the unit, as relief_valve, with their keys", doc: "What is to be done at the unit again and again, beside and instead of what is usual; for a machine it stands with the machine."},
	{name: "sump", kind: aBlock, in: sumpKeys, doc: "The oil sump, where its level is measured."},
	{name: "leaks", kind: aBlock, in: leakKeys, doc: "What counts as a leak."},
	{name: "proof", kind: aBlock, in: proofKeys, doc: "How often each protective function must be seen to work."},
	{name: "alarms", kind: aMap, in: alarmKeys, doc: "What the site changes of an alarm, by the alarm's name."},
	{name: "points", kind: aMap, required: true, in: pointKeys, sample: "pressure, level and the four running contacts at least", doc: "The register map, by the name of the point."},
}}

var tankKeys = &table{name: "units.NAME.tank", doc: "Inside dimensions, from the tank's drawing.", keys: []key{
	{name: "mounting", kind: aWord, words: []string{"vertical", "horizontal", "strapped"}, required: true, doc: "How the tank's axis stands; `strapped` for a table of levels and volumes instead of dimensions."},
	{name: "diameter", kind: aQuantity, dim: q.Length, above: "0 m", most: "10 m", doc: "Inside diameter."},
	{name: "length", kind: aQuantity, dim: q.Length, least: "0 m", most: "50 m", sample: "2.25 m or 90 in", doc: "From tangent line to tangent line."},
	{name: "heads", kind: aWord, words: headWords, def: "ellipsoidal", doc: "Form of both ends."},
	{name: "bottom", kind: aWord, words: headWords, doc: "Form of the lower (or left) end, where the two differ."},
	{name: "top", kind: aWord, words: headWords, doc: "Form of the upper (or right) end, where the two differ."},
	{name: "head_depth", kind: aQuantity, dim: q.Length, above: "0 m", most: "5 m", doc: "Depth of an ellipsoidal end. Default: a quarter of the diameter (2:1)."},
	{name: "dish", kind: aQuantity, dim: q.Ratio, least: "50 %", most: "200 %", sample: "100 %", doc: "Dish radius of a torispherical end over the diameter. Default: 100 %."},
	{name: "knuckle", kind: aQuantity, dim: q.Ratio, least: "1 %", most: "50 %", sample: "6 %", doc: "Knuckle radius of a torispherical end over the diameter. Default: 6 %."},
	{name: "table", kind: aList, sample: "[[0 m, 0 L], [1 m, 800 L]]", doc: "Strapping table: pairs of level and volume, both rising, from empty to full."},
}}

var headWords = []string{"flat", "ellipsoidal", "hemispherical", "torispherical"}

var transmitterKeys = &table{name: "units.NAME.transmitters", doc: "How the transmitters are mounted and how exact they are.", keys: []key{
	{name: "pressure_height", kind: aQuantity, dim: q.Length, least: "0 m", most: "20 m", sample: "0.3 m or 12 in", doc: "Height of the pressure transmitter above the tank's lowest inside point, where oil stands above it. Default: it sits in the gas."},
	{name: "pressure_band", kind: aQuantity, dim: q.Pressure, def: "0.05 bar", least: "0 bar", most: "2 bar", sample: "0.04 bar or 0.6 psi", doc: "Accuracy of the pressure, plus or minus."},
	{name: "level_by", kind: aWord, words: []string{"height", "differential pressure"}, def: "height", doc: "What the level point measures: a height, or the pressure across a cell."},
	{name: "level_offset", kind: aQuantity, dim: q.Length, def: "0 m", least: "-20 m", most: "20 m", sample: "0.1 m or 4 in", doc: "Added to the level, so that it counts from the lowest inside point."},
	{name: "level_leg", kind: aQuantity, dim: q.Pressure, least: "-5 bar", most: "5 bar", sample: "12 mbar or 5 inH2O", doc: "What the cell reads with an empty tank: its filled leg and mounting."},
	{name: "level_band", kind: aQuantity, dim: q.Length, def: "10 mm", least: "0 m", most: "1 m", sample: "5 mm or 0.2 in", doc: "Accuracy of the level, plus or minus."},
	{name: "wall_band", kind: aQuantity, dim: q.TemperatureDifference, def: "2 K", least: "0 K", most: "20 K", doc: "Accuracy of the wall temperature, plus or minus."},
}}

var setPointKeys = &table{name: "units.NAME.set_points", doc: "What the panel holds, and its low switches.", keys: []key{
	{name: "pressure", kind: aQuantity, dim: q.Pressure, required: true, above: "0 bar", doc: "The pressure of a full charge; 20 bar absolute at most, because the reserve takes air as an ideal gas."},
	{name: "level", kind: aQuantity, dim: q.Length, required: true, above: "0 m", doc: "The level of a full charge."},
	{name: "low_pressure", kind: aQuantity, dim: q.Pressure, required: true, above: "0 bar", doc: "Alarm under this pressure."},
	{name: "low_level", kind: aQuantity, dim: q.Length, required: true, above: "0 m", doc: "Alarm under this level."},
	{name: "low_sump", kind: aQuantity, dim: q.Length, above: "0 m", most: "20 m", sample: "0.35 m or 14 in", doc: "Alarm under this level of the sump, as the point `sump_level` gives it. Default: six tenths of the highest that it was seen at."},
	{name: "filter_differential", kind: aQuantity, dim: q.Pressure, def: "0.9 bar", above: "0 bar", most: "20 bar", sample: "0.9 bar or 13 psi", doc: "Alarm over this pressure across the return filter while oil flows through it, as the point `filter_differential` gives it."},
}}

var reserveKeys = &table{name: "units.NAME.reserve", doc: "What counts as a stored shutdown cycle, and what bounds the figures.", keys: []key{
	{name: "required_cycles", kind: aCount, required: true, sample: "3", doc: "Whole cycles that must always be stored, 1 to 1000."},
	{name: "minimum_pressure", kind: aQuantity, dim: q.Pressure, required: true, above: "0 bar", doc: "The least pressure at which the valves move."},
	{name: "unusable_oil", kind: aQuantity, dim: q.Volume, least: "0 L", doc: "Oil that must stay in the tank so that no air enters the lines."},
	{name: "unusable_level", kind: aQuantity, dim: q.Length, least: "0 m", sample: "0.4 m or 16 in", doc: "The same as a level, instead of `unusable_oil`."},
	{name: "heat_exchange", kind: aQuantity, dim: q.Duration, above: "0 s", most: "1 d", sample: "120 s", doc: "Thermal time constant of the gas. Default: not known."},
	{name: "heat_exchange_least", kind: aQuantity, dim: q.Duration, above: "0 s", most: "1 d", sample: "90 s", doc: "Its lower bound: how far the gas may be from the wall's temperature, in every figure, is followed with both bounds. Default: a quarter of `heat_exchange`."},
	{name: "heat_exchange_most", kind: aQuantity, dim: q.Duration, above: "0 s", most: "1 d", sample: "200 s", doc: "Its upper bound, for the figure \"at least\". Default: no heat exchange (adiabatic), the safe side."},
	{name: "lowest_wall", kind: aQuantity, dim: q.Temperature, def: "0 °C", least: "-50 °C", most: "60 °C", doc: "Lowest temperature of the tank's wall, where it is not measured."},
	{name: "usual_wall", kind: aQuantity, dim: q.Temperature, def: "20 °C", least: "-50 °C", most: "80 °C", doc: "Usual temperature of the tank's wall, where it is not measured."},
	{name: "most_leak", kind: aQuantity, dim: q.Flow, def: "0 L/h", least: "0 L/h", sample: "2 L/h or 0.5 gal/h", doc: "Oil leak assumed for \"at least\" until the leak has been learned."},
	{name: "cycle", kind: aList, def: "default", sample: "default, or a list as [close XV-1, open XV-1]", doc: "The strokes of one cycle in order: `close TAG` or `open TAG`, with `together` behind it where it begins with the stroke before. `default` is one closing stroke of every valve, then one opening stroke of every valve."},
	{name: "ends_with_closing", kind: aFlag, def: "false", doc: "A cycle listed by the site already counts when its closing strokes are done, so that the last one need not open again. The default cycle always counts so."},
	{name: "order", kind: aWord, words: []string{"one after another", "together"}, def: "one after another", doc: "How the valves move in the default cycle."},
}}

var valveKeys = &table{name: "units.NAME.valves.TAG", doc: "One valve: its cylinder's dimensions, or the oil of its strokes.", keys: []key{
	{name: "bore", kind: aQuantity, dim: q.Length, above: "0 m", most: "2 m", sample: "100 mm or 4 in", doc: "Bore of the cylinder."},
	{name: "rod", kind: aQuantity, dim: q.Length, least: "0 m", most: "2 m", sample: "56 mm or 2 in", doc: "Diameter of the rod."},
	{name: "stroke", kind: aQuantity, dim: q.Length, above: "0 m", most: "10 m", sample: "500 mm or 20 in", doc: "Length of the stroke."},
	{name: "closes", kind: aWord, words: []string{"cap", "rod"}, doc: "Which side of the piston is filled to close the valve: the cap end or the rod end."},
	{name: "closing_oil", kind: aQuantity, dim: q.Volume, least: "0 L", most: "10000 L", sample: "3.9 L or 1 gal", doc: "Oil of a closing stroke, instead of the cylinder's dimensions; 0 L where a spring or weight closes the valve."},
	{name: "opening_oil", kind: aQuantity, dim: q.Volume, least: "0 L", most: "10000 L", sample: "2.7 L or 0.7 gal", doc: "Oil of an opening stroke, with `closing_oil`; 0 L where a spring or weight opens the valve. One of the two is more than 0 L."},
	{name: "stroke_time", kind: aQuantity, dim: q.Duration, required: true, above: "0 s", most: "1 h", sample: "8 s", doc: "Duration of a stroke."},
	{name: "dwell", kind: aQuantity, dim: q.Duration, def: "0 s", least: "0 s", most: "1 h", sample: "2 s", doc: "Pause after each stroke."},
	{name: "demand_pressure", kind: aQuantity, dim: q.Pressure, above: "0 bar", doc: "Least tank pressure that this valve needs, where it is more than the unit's."},
}}

var pumpPairKeys = &table{name: "units.NAME.pumps", doc: "Two pumps that back each other up and take the lead in turn.", keys: []key{
	{name: "cut_in", kind: aQuantity, dim: q.Length, required: true, above: "0 m", doc: "Level at which the lead pump starts."},
	{name: "cut_out", kind: aQuantity, dim: q.Length, required: true, above: "0 m", doc: "Level at which it stops."},
	{name: "no_answer", kind: aQuantity, dim: q.Length, above: "0 m", doc: "Level under which nobody having started is an alarm. Default: as far under `cut_in` as `cut_out` is above it, but not under half of `cut_in`."},
	{name: "answer", kind: aQuantity, dim: q.Duration, def: "30 s", least: "1 s", most: "1 h", doc: "Time that panel and motor need to answer."},
	{name: "turns", kind: aCount, def: "2", sample: "2", doc: "Completed lead runs without handing over that are still tolerated, 0 to 100."},
	{name: "pump1", kind: aBlock, required: true, in: machineKeys, doc: "The first pump."},
	{name: "pump2", kind: aBlock, required: true, in: machineKeys, doc: "The second pump."},
}}

var compressorPairKeys = &table{name: "units.NAME.compressors", doc: "Two compressors that back each other up and take the lead in turn.", keys: []key{
	{name: "cut_in", kind: aQuantity, dim: q.Pressure, required: true, above: "0 bar", doc: "Pressure at which the lead compressor starts."},
	{name: "cut_out", kind: aQuantity, dim: q.Pressure, required: true, above: "0 bar", doc: "Pressure at which it stops."},
	{name: "no_answer", kind: aQuantity, dim: q.Pressure, above: "0 bar", doc: "Pressure under which nobody having started is an alarm. Default: as far under `cut_in` as `cut_out` is above it, but not under half of `cut_in`."},
	{name: "answer", kind: aQuantity, dim: q.Duration, def: "30 s", least: "1 s", most: "1 h", doc: "Time that panel and motor need to answer."},
	{name: "turns", kind: aCount, def: "2", sample: "2", doc: "Completed lead runs without handing over that are still tolerated, 0 to 100."},
	{name: "compressor1", kind: aBlock, required: true, in: machineKeys, doc: "The first compressor."},
	{name: "compressor2", kind: aBlock, required: true, in: machineKeys, doc: "The second compressor."},
}}

var machineKeys = &table{name: "units.NAME.pumps.pump1, pump2 and units.NAME.compressors.compressor1, compressor2", doc: "One machine: its position and the individual that stands there.", keys: []key{
	{name: "tag", kind: aText, required: true, sample: "P-701", doc: "The site's name for the position."},
	{name: "serial", kind: aText, sample: "QR-4411", doc: "Serial number of the individual that stands there now."},
	{name: "installed", kind: aDate, sample: "2021-05-31", doc: "Day on which it was installed."},
	{name: "rating", kind: aQuantity, dim: q.Flow, required: true, above: "0 L/min", doc: "Flow of oil, or of free air for a compressor."},
	{name: "baseline", kind: aText, def: "learned", sample: "learned, rating or 14.2 L/min", doc: "What the machine's output is held against: learned from its first good runs, its `rating`, or a flow, as from its acceptance test; at the set pressure, free air for a compressor."},
	{name: "starts_per_hour", kind: aCount, sample: "20", doc: "The motor's limit, 1 to 1000."},
	{name: "hours_before", kind: aQuantity, dim: q.Duration, def: "0 h", least: "0 h", most: "1000000 h", sample: "1234 h", doc: "Running time before this program watched it, from the old hour meter."},
	{name: "starts_before", kind: aCount, def: "0", sample: "5600", doc: "Starts before this program watched it."},
	{name: "service", kind: aMap, in: serviceKeys, sample: "tasks of the machine, as oil, with their keys", doc: "What is to be done at this machine again and again, beside and instead of what is usual."},
}}

var alarmKeys = &table{name: "units.NAME.alarms.ALARM", doc: "What the site changes of one alarm. No alarm can be turned off here.", keys: []key{
	{name: "limit", kind: aQuantity, sample: "7 bar", doc: "Limit of `low_pressure` or `low_level`, where the alarm's is another than the panel's in `set_points`. No other alarm has one."},
	{name: "on_delay", kind: aQuantity, dim: q.Duration, least: "0 s", most: "10 min", sample: "15 s", doc: "How long the condition must stand before the alarm is raised."},
	{name: "off_delay", kind: aQuantity, dim: q.Duration, least: "0 s", most: "1 h", sample: "30 s", doc: "How long it must be gone before the alarm clears."},
	{name: "deadband", kind: aQuantity, dim: q.Ratio, least: "0 %", most: "50 %", doc: "How far the value must return, of the limit."},
	{name: "priority", kind: aWord, words: []string{"high", "medium", "low"}, doc: "Urgency, by consequence and time to respond."},
	{name: "acknowledge", kind: aFlag, doc: "Whether the alarm, once its cause is gone, waits for a person to acknowledge it. Default: of all but those of low priority."},
	{name: "latch", kind: aFlag, doc: "Whether the alarm, once its cause is gone and somebody has acknowledged it, then waits for a reset."},
	{name: "note", kind: aText, sample: "the key hangs in the control room", doc: "The site's own words, shown beside the action."},
}}

var pointKeys = &table{name: "units.NAME.points.POINT", doc: "One point and where it is read. A contact may be written short, as `mains: discrete 12`.", keys: []key{
	{name: "at", kind: aText, required: true, sample: "holding 12, input 3, discrete 5, coil 8 or input 3 bit 4", doc: "Table and address as the site's list has it, and the bit (0 the least significant) of a status word."},
	{name: "link", kind: aText, sample: "panel", doc: "Link, where it is not the unit's."},
	{name: "device", kind: aCount, sample: "1", doc: "Modbus unit identifier, where it is not the unit's."},
	{name: "format", kind: aWord, words: []string{"int16", "uint16", "int32", "uint32", "float32", "float64"}, doc: "How the number stands in its registers; needed for every number."},
	{name: "words", kind: aWord, words: []string{"high first", "low first"}, def: "high first", doc: "Order of the registers of one number."},
	{name: "bytes", kind: aWord, words: []string{"high first", "low first"}, def: "high first", doc: "Order of the bytes in a register."},
	{name: "invert", kind: aFlag, def: "false", doc: "A contact that is closed while the condition is absent."},
	{name: "raw", kind: aPair, sample: "[0, 27648]", doc: "Raw numbers at the two ends of `span`."},
	{name: "span", kind: aPair, sample: "[0 bar, 16 bar]", doc: "What the two raw numbers mean."},
	{name: "signal", kind: aWord, words: []string{"4-20 mA"}, doc: "The span is a 4-20 mA signal, with the failure limits of NAMUR NE 43."},
	{name: "unit", kind: aText, sample: "bar", doc: "Unit of the number in the register, instead of `raw` and `span`."},
	{name: "factor", kind: aCount, def: "1", sample: "0.01", doc: "The raw number times this is in `unit`."},
	{name: "zero", kind: aQuantity, sample: "-1 bar", doc: "What raw 0 means, where it is not 0 of `unit`."},
	{name: "least", kind: aQuantity, sample: "-0.5 bar", doc: "A value under this is implausible; with `most`."},
	{name: "most", kind: aQuantity, sample: "18 bar", doc: "A value over this is implausible; with `least`."},
	{name: "column", kind: aText, sample: "PT-101", doc: "Name of the column of a table for `replay`. Default: the point's name."},
	{name: "column_unit", kind: aText, sample: "bar", doc: "Unit of the numbers in that column. Default: the unit that `span` or `unit` is written in."},
}}
