package quantity

// The units that a person may write, each with what one of it is in SI.
// Inch, foot, pound, gallon and standard gravity are exact by definition
// (NIST SP 811, 2008, appendix B, where they stand in bold); psi, cfm and the
// densities follow from them. Inches of mercury and of water are the
// conventional ones of the same appendix.
const (
	inch     = 0.0254                   // m, exact
	foot     = 12 * inch                // m, exact
	pound    = 0.45359237               // kg, exact
	gravity  = 9.80665                  // m/s², standard, exact
	gallon   = 231 * inch * inch * inch // m³, US liquid gallon, exact
	litre    = 1e-3                     // m³
	bar      = 1e5                      // Pa
	psi      = pound * gravity / (inch * inch)
	cubicFt  = foot * foot * foot
	minute   = 60.0
	hour     = 3600.0
	day      = 86400.0
	zeroC    = 273.15          // K
	perF     = 5.0 / 9         // K
	zeroF    = zeroC - 32*perF // K
	mercury  = 3386.389        // Pa, inch of mercury, conventional
	waterCol = 249.0889        // Pa, inch of water, conventional
)

// unit is one way to write a dimension: SI = number × scale + zero. Where
// the scale is a power of ten, ten is its exponent, and the number is read
// with its decimal point moved, which is exact: 8.3 bar is 830000 Pa and not
// a little more.
type unit struct {
	names []string // the first is the one that Format and errors use
	scale float64
	zero  float64
	ten   int
}

var flowUnits = []unit{
	{names: []string{"L/min", "l/min"}, scale: litre / minute},
	{names: []string{"L/h", "l/h"}, scale: litre / hour},
	{names: []string{"L/s", "l/s"}, scale: litre, ten: -3},
	{names: []string{"m³/h", "m3/h"}, scale: 1 / hour},
	{names: []string{"m³/min", "m3/min"}, scale: 1 / minute},
	{names: []string{"m³/s", "m3/s"}, scale: 1},
	{names: []string{"gpm", "gal/min"}, scale: gallon / minute},
	{names: []string{"gal/h"}, scale: gallon / hour},
	{names: []string{"cfm", "ft³/min", "ft3/min"}, scale: cubicFt / minute},
}

var dimensions = [...]struct {
	name    string
	example string
	units   []unit
}{
	Pressure: {"a pressure", "8.3 bar or 120 psi", []unit{
		{names: []string{"bar"}, scale: bar, ten: 5},
		{names: []string{"mbar"}, scale: bar / 1000, ten: 2},
		{names: []string{"Pa"}, scale: 1},
		{names: []string{"hPa"}, scale: 100, ten: 2},
		{names: []string{"kPa"}, scale: 1000, ten: 3},
		{names: []string{"MPa"}, scale: 1e6, ten: 6},
		{names: []string{"psi"}, scale: psi},
		{names: []string{"inHg"}, scale: mercury},
		{names: []string{"inH2O"}, scale: waterCol},
	}},
	Length: {"a length", "1.5 m or 60 in", []unit{
		{names: []string{"m"}, scale: 1},
		{names: []string{"cm"}, scale: 0.01, ten: -2},
		{names: []string{"mm"}, scale: 0.001, ten: -3},
		{names: []string{"in"}, scale: inch},
		{names: []string{"ft"}, scale: foot},
	}},
	Volume: {"a volume", "350 L or 80 gal", []unit{
		{names: []string{"L", "l"}, scale: litre, ten: -3},
		{names: []string{"mL", "ml"}, scale: litre / 1000, ten: -6},
		{names: []string{"m³", "m3"}, scale: 1},
		{names: []string{"gal"}, scale: gallon},
		{names: []string{"in³", "in3"}, scale: inch * inch * inch},
		{names: []string{"ft³", "ft3"}, scale: cubicFt},
	}},
	Flow:    {"a flow", "15 L/min or 4 gpm", flowUnits},
	AirFlow: {"a flow of free air", "400 L/min or 14 cfm", flowUnits},
	Temperature: {"a temperature", "20 °C or 68 °F", []unit{
		{names: []string{"°C", "C", "degC"}, scale: 1, zero: zeroC},
		{names: []string{"°F", "F", "degF"}, scale: perF, zero: zeroF},
		{names: []string{"K"}, scale: 1},
	}},
	TemperatureDifference: {"a temperature difference", "5 K or 9 °F", []unit{
		{names: []string{"K", "°C", "C", "degC"}, scale: 1},
		{names: []string{"°F", "F", "degF"}, scale: perF},
	}},
	Duration: {"a duration", "300 ms, 2 s, 10 min, 12.5 h or 30 d", []unit{
		{names: []string{"s"}, scale: 1},
		{names: []string{"ms"}, scale: 0.001, ten: -3},
		{names: []string{"min"}, scale: minute},
		{names: []string{"h"}, scale: hour},
		{names: []string{"d"}, scale: day},
	}},
	Density: {"a density", "870 kg/m3 or 54 lb/ft3", []unit{
		{names: []string{"kg/m³", "kg/m3"}, scale: 1},
		{names: []string{"kg/L", "kg/l"}, scale: 1000, ten: 3},
		{names: []string{"lb/ft³", "lb/ft3"}, scale: pound / cubicFt},
		{names: []string{"lb/gal"}, scale: pound / gallon},
	}},
	Current: {"a current", "20 mA or 3.1 A", []unit{
		{names: []string{"A"}, scale: 1},
		{names: []string{"mA"}, scale: 0.001, ten: -3},
	}},
	Ratio: {"a ratio", "5 %", []unit{
		{names: []string{"%"}, scale: 0.01, ten: -2},
	}},
}

// rung is one step of the ladder of units that Format climbs: values whose
// size in SI is under below are shown in unit with so many decimals.
type rung struct {
	below    float64 // 0: no upper end
	unit     string
	decimals int
}

// ladders holds, per dimension, the metric and the US ladder.
var ladders = [...][2][]rung{
	Pressure: {{{0.1 * bar, "mbar", 1}, {0, "bar", 2}}, {{psi, "psi", 3}, {0, "psi", 1}}},
	Length:   {{{0.01, "mm", 2}, {0, "m", 3}}, {{0, "in", 2}}},
	Volume:   {{{1, "L", 1}, {0, "m³", 3}}, {{gallon, "gal", 3}, {0, "gal", 1}}},
	Flow: {{{0.1 * litre / minute, "L/h", 2}, {0, "L/min", 1}},
		{{0.1 * gallon / minute, "gal/h", 2}, {0, "gpm", 2}}},
	AirFlow:               {{{1 / minute, "L/min", 1}, {0, "m³/min", 2}}, {{0, "cfm", 2}}},
	Temperature:           {{{0, "°C", 1}}, {{0, "°F", 1}}},
	TemperatureDifference: {{{0, "K", 2}}, {{0, "°F", 2}}},
	Duration: {
		{{1, "ms", 0}, {2 * minute, "s", 1}, {2 * hour, "min", 1}, {2 * day, "h", 1}, {0, "d", 1}},
		{{1, "ms", 0}, {2 * minute, "s", 1}, {2 * hour, "min", 1}, {2 * day, "h", 1}, {0, "d", 1}},
	},
	Density: {{{0, "kg/m³", 1}}, {{0, "lb/ft³", 2}}},
	Current: {{{0.1, "mA", 2}, {0, "A", 2}}, {{0.1, "mA", 2}, {0, "A", 2}}},
	Ratio:   {{{0, "%", 1}}, {{0, "%", 1}}},
}
