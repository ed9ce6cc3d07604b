package quantity

import (
	"errors"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// The factors of NIST SP 811 (2008), appendix B, as printed there, six or
// seven digits.
func TestFactorsOfSP811(t *testing.T) {
	for _, c := range []struct {
		text string
		d    Dimension
		want float64
	}{
		{"1 psi", Pressure, 6.894757e3},
		{"1 inHg", Pressure, 3.386389e3},
		{"1 inH2O", Pressure, 2.490889e2},
		{"1 in", Length, 2.54e-2},
		{"1 ft", Length, 3.048e-1},
		{"1 gal", Volume, 3.785412e-3},
		{"1 in3", Volume, 1.638706e-5},
		{"1 ft3", Volume, 2.831685e-2},
		{"1 gpm", Flow, 6.309020e-5},
		{"1 cfm", AirFlow, 4.719474e-4},
		{"1 lb/ft3", Density, 1.601846e1},
		{"1 lb/gal", Density, 1.198264e2},
		{"1 bar", Pressure, 1e5},
		{"1 h", Duration, 3600},
		{"1 d", Duration, 86400},
	} {
		got, err := Parse(c.text, c.d)
		if err != nil || math.Abs(got/c.want-1) > 5e-7 { // half of the seventh digit
			t.Errorf("Parse(%q) = %.9g, %v; want %.9g", c.text, got, err, c.want)
		}
	}
}

func TestParse(t *testing.T) {
	for _, c := range []struct {
		name string
		text string
		d    Dimension
		want float64
	}{
		{"decimal units are exact", "8.3 bar", Pressure, 830000},
		{"exact litres", "350 L", Volume, 0.35},
		{"no space", "8.3bar", Pressure, 830000},
		{"outer space", "  1.5 m ", Length, 1.5},
		{"exponent", "1.2e-3 MPa", Pressure, 1200},
		{"negative", "-0.5 bar", Pressure, -50000},
		{"degree sign", "20 °C", Temperature, 293.15},
		{"without degree sign", "20 C", Temperature, 293.15},
		{"fahrenheit", "68 °F", Temperature, 293.15},
		{"fahrenheit freezing", "32 F", Temperature, 273.15},
		{"difference is no temperature", "9 °F", TemperatureDifference, 5},
		{"difference in kelvin", "5 K", TemperatureDifference, 5},
		{"milliseconds", "300 ms", Duration, 0.3},
		{"hours", "12.5 h", Duration, 45000},
		{"flow", "15 L/min", Flow, 0.00025},
		{"cubic metres an hour", "36 m³/h", AirFlow, 0.01},
		{"percent", "5 %", Ratio, 0.05},
		{"milliamperes", "20 mA", Current, 0.02},
		{"inches", "60 in", Length, 1.524},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := Parse(c.text, c.d)
			if err != nil || math.Abs(got-c.want) > 1e-13*math.Abs(c.want) {
				t.Errorf("Parse(%q) = %v, %v; want %v", c.text, got, err, c.want)
			}
		})
	}
	if got, _ := Parse("8.3 bar", Pressure); got != 830000 {
		t.Errorf("8.3 bar = %v, want 830000 to the last bit", got)
	}
}

func TestWrong(t *testing.T) {
	for _, c := range []struct {
		name string
		text string
		d    Dimension
		what string
		want string
	}{
		{"no unit", "8.3", Pressure, "has no unit", "8.3 bar or 120 psi"},
		{"other dimension", "8.3 bar", Length, `"bar" is a unit of pressure, not of length`, "1.5 m"},
		{"unknown unit", "8.3 furlong", Length, "not a unit that is known here", "one of m, cm, mm, in, ft"},
		{"decimal comma", "8,3 bar", Pressure, "has a comma", "decimal point"},
		{"no number", "bar", Pressure, "is not a number", "8.3 bar"},
		{"empty", "", Pressure, "is not a number", "8.3 bar"},
		{"not a number", "NaN bar", Pressure, "is not a number", "8.3 bar"},
		{"infinite", "Inf bar", Pressure, "is not a number", "8.3 bar"},
		{"too large", "1e999 bar", Pressure, "too large", "8.3 bar"},
		{"too large once in SI", "1e308 MPa", Pressure, "too large", "8.3 bar"},
		{"temperature as difference", "20 K", Ratio, `"K" is a unit of temperature`, "5 %"},
		{"two points", "8.3.1 bar", Pressure, "not a unit", "one of bar"},
		{"absolute", "14.7 psia", Pressure, "not a unit", "one of bar"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := Parse(c.text, c.d)
			var q *Error
			if !errors.As(err, &q) {
				t.Fatalf("Parse(%q): %v, want an *Error", c.text, err)
			}
			if !strings.Contains(q.What, c.what) || !strings.Contains(q.Want, c.want) {
				t.Errorf("Parse(%q): %q, %q; want %q, %q in them", c.text, q.What, q.Want, c.what, c.want)
			}
		})
	}
}

func TestFormat(t *testing.T) {
	for _, c := range []struct {
		v    float64
		d    Dimension
		s    System
		want string
	}{
		{830000, Pressure, Metric, "8.30 bar"},
		{827370.9, Pressure, US, "120.0 psi"},
		{4000, Pressure, Metric, "40.0 mbar"},
		{0, Pressure, Metric, "0.00 bar"},
		{-50000, Pressure, Metric, "-0.50 bar"},
		{1.5, Length, Metric, "1.500 m"},
		{1.5, Length, US, "59.06 in"},
		{0.35, Volume, Metric, "350.0 L"},
		{2.43, Volume, Metric, "2.430 m³"},
		{0.302833, Volume, US, "80.0 gal"},
		{0.00025, Flow, Metric, "15.0 L/min"},
		{0.0002523608, Flow, US, "4.00 gpm"},
		{293.15, Temperature, Metric, "20.0 °C"},
		{293.15, Temperature, US, "68.0 °F"},
		{272.149, Temperature, Metric, "-1.0 °C"},
		{5, TemperatureDifference, US, "9.00 °F"},
		{45, Duration, Metric, "45.0 s"},
		{5400, Duration, US, "90.0 min"},
		{math.NaN(), Pressure, Metric, "unknown"},
		{math.Inf(1), Pressure, US, "unknown"},
		{-1e-12, Length, US, "0.00 in"},
	} {
		if got := Format(c.v, c.d, c.s); got != c.want {
			t.Errorf("Format(%v, %v, %v) = %q, want %q", c.v, c.d, c.s, got, c.want)
		}
	}
}

// What Format writes, Parse reads, to within half of the last digit shown.
func TestFormatThenParse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := Dimension(rapid.IntRange(0, len(dimensions)-1).Draw(t, "dimension"))
		s := System(rapid.IntRange(0, 1).Draw(t, "system"))
		v := rapid.Float64Range(-1e6, 1e6).Draw(t, "value")
		if rapid.Bool().Draw(t, "small") {
			v /= 1e6
		}
		text := Format(v, d, s)
		got, err := Parse(text, d)
		if err != nil {
			t.Fatalf("Format(%v) = %q, which Parse refuses: %v", v, text, err)
		}
		r := pick(v, d, s)
		half := 0.5 * math.Pow(10, -float64(r.decimals)) * find(r.unit, d).scale
		if math.Abs(got-v) > half*(1+1e-9)+1e-9*math.Abs(v) {
			t.Fatalf("%v became %q and then %v", v, text, got)
		}
	})
}

// Every unit of the tables is consistent with itself: no name twice in a
// dimension, every ladder's unit known, every exponent of ten its scale.
func TestTables(t *testing.T) {
	for d := range dimensions {
		seen := map[string]bool{}
		for _, u := range dimensions[d].units {
			for _, n := range u.names {
				if seen[n] {
					t.Errorf("%s: unit %q stands twice", dimensions[d].name, n)
				}
				seen[n] = true
			}
			if u.ten != 0 && math.Abs(math.Pow10(u.ten)/u.scale-1) > 1e-15 {
				t.Errorf("%s: %s is 1e%d but its scale is %v", dimensions[d].name, u.names[0], u.ten, u.scale)
			}
		}
		for s := range ladders[d] {
			for _, r := range ladders[d][s] {
				if !seen[r.unit] {
					t.Errorf("%s: ladder has unknown unit %q", dimensions[d].name, r.unit)
				}
			}
		}
		for _, part := range strings.FieldsFunc(dimensions[d].example, func(r rune) bool { return r == ',' }) {
			for _, text := range strings.Split(part, " or ") {
				if _, err := Parse(text, Dimension(d)); err != nil {
					t.Errorf("%s: example %q: %v", dimensions[d].name, text, err)
				}
			}
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"8.3 bar", "120 psi", "20 °C", "-1e-3 L/min", "1e999 h", "", "5%", "8,3 bar"} {
		f.Add(s, uint8(0))
	}
	f.Fuzz(func(t *testing.T, text string, d uint8) {
		dim := Dimension(int(d) % len(dimensions))
		v, err := Parse(text, dim)
		var q *Error
		if err != nil && !errors.As(err, &q) {
			t.Errorf("Parse(%q): %v is no *Error", text, err)
		}
		if err == nil && (math.IsNaN(v) || math.IsInf(v, 0)) {
			t.Errorf("Parse(%q) = %v", text, v)
		}
	})
}
