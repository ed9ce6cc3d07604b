package main

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// state is one row by column name.
type state map[string]string

// sound is a state with nothing wrong: 2 m³ of gas from 8.0 to 5.0 bar gauge
// at 1.01325 bar, oil for more than that, 0.1 m³ a cycle.
func sound() state {
	return state{
		"tank_volume_m3": "4", "oil_volume_m3": "2", "pressure_bar_g": "8.0", "atmospheric_pressure_bar": "1.01325",
		"gas_temperature_c": "20", "wall_temperature_c": "", "minimum_pressure_bar_g": "5.0", "unusable_oil_m3": "0.2",
		"oil_per_cycle_m3": "0.1", "strokes_per_cycle": "2", "stroke_s": "10", "dwell_s": "0", "heat_exchange_s": "",
	}
}

// with is the state with other cells.
func (s state) with(pairs ...string) state {
	for i := 0; i < len(pairs); i += 2 {
		s[pairs[i]] = pairs[i+1]
	}
	return s
}

// names are the columns of all states, in the order of the columns.
func names(all []state) (header []string) {
	for _, c := range columns {
		if slices.ContainsFunc(all, func(s state) bool { _, ok := s[c.name]; return ok }) {
			header = append(header, c.name)
		}
	}
	return header
}

// tableOf writes states as CSV.
func tableOf(all ...state) string {
	var b strings.Builder
	w := csv.NewWriter(&b)
	header := names(all)
	w.Write(header)
	for _, s := range all {
		row := make([]string, len(header))
		for i, name := range header {
			row[i] = s[name]
		}
		w.Write(row)
	}
	w.Flush()
	return b.String()
}

// figuresOf lets suppose compute a table and gives its rows by column name.
func figuresOf(t testing.TB, text string) []state {
	t.Helper()
	var out bytes.Buffer
	if err := supposeTable(t.Context(), strings.NewReader(text), &out, io.Discard); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&out).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var all []state
	for _, row := range rows[1:] {
		s := state{}
		for i, name := range rows[0] {
			s[name] = row[i]
		}
		all = append(all, s)
	}
	return all
}

func (s state) number(t testing.TB, name string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s[name], 64)
	if err != nil {
		t.Fatalf("%s: %v in %v", name, err, s)
	}
	return v
}

func TestTableAgainstPublishedDrawdowns(t *testing.T) {
	const gallon, psi = 231 * 0.0254 * 0.0254 * 0.0254, 0.06894757 // m³, bar (NIST SP 811)
	num := func(v float64) string { return strconv.FormatFloat(v, 'g', 17, 64) }
	// tank is an 85 gal pressure tank with an air charge of 28 psig, at 50
	// psig, drawn down to 30 psig, one gallon a cycle.
	tank := func(atm float64) state {
		gas := 85 * (28 + atm) / (50 + atm)
		return sound().with("tank_volume_m3", num(85*gallon), "oil_volume_m3", num((85-gas)*gallon), "pressure_bar_g", num(50*psi),
			"atmospheric_pressure_bar", num(atm*psi), "minimum_pressure_bar_g", num(30*psi), "unusable_oil_m3", "0",
			"oil_per_cycle_m3", num(gallon), "heat_exchange_s", "0")
	}
	for _, c := range []struct {
		name   string
		source string
		in     state
		volume float64 // expected_volume_m3
		within float64
		column string
		cycles int
	}{
		{"slow", "computed by hand: 2(9.01325/6.01325 - 1)", sound().with("heat_exchange_s", "0"), 0.99780, 5e-6, "isothermal_cycles", 9},
		{"fast", "computed by hand: 2((9.01325/6.01325)^(1/1.4) - 1)", sound().with("heat_exchange_s", "1e9"), 0.67043, 5e-6, "adiabatic_cycles", 6},
		{"drawdown at sea level", "Pelikan, How to Calculate and Control Pressure Tank Drawdown, The Driller, 2006", tank(14.7), 25.1 * gallon, 0.02 * gallon, "isothermal_cycles", 25},
		{"drawdown at 6000 ft", "same, inputs published, result recomputed", tank(11.8), 26.19 * gallon, 0.005 * gallon, "isothermal_cycles", 26},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := figuresOf(t, tableOf(c.in))[0]
			if v := got.number(t, "expected_volume_m3"); math.Abs(v-c.volume) > c.within || got["limit"] != "pressure" {
				t.Errorf("%v m³ by %s, want %v by pressure (%s)", v, got["limit"], c.volume, c.source)
			}
			if got[c.column] != strconv.Itoa(c.cycles) {
				t.Errorf("%s %s, want %d (%s)", c.column, got[c.column], c.cycles, c.source)
			}
		})
	}
}

// Where nothing is given a band is exact, the wall is as warm as the gas and
// at least is adiabatic; each that is given makes at least smaller.
func TestTableEmptyCells(t *testing.T) {
	plain := figuresOf(t, tableOf(sound()))[0]
	// 0.67043 m³ adiabatic with the strokes 1 % larger for the real gas, and
	// a wall that cools does not matter to it.
	if v := plain.number(t, "at_least_volume_m3"); math.Abs(v-0.67043/1.01) > 1e-5 {
		t.Errorf("at least %v m³, want the adiabatic %v", v, 0.67043/1.01)
	}
	same := figuresOf(t, tableOf(sound().with("heat_exchange_band_ratio", "", "pressure_band_bar", "", "oil_band_m3", "", "wall_band_k", "", "wall_temperature_c", "20"),
		sound().with("heat_exchange_band_ratio", "0", "pressure_band_bar", "0.0", "oil_band_m3", "0", "wall_band_k", "0")))
	for i, s := range same {
		for _, name := range added {
			if s[name] != plain[name] {
				t.Errorf("row %d: %s is %q, and %q without the cells", i, name, s[name], plain[name])
			}
		}
	}
	least := func(s state) float64 { return figuresOf(t, tableOf(s))[0].number(t, "at_least_volume_m3") }
	known := func() state { return sound().with("heat_exchange_s", "60", "dwell_s", "30") }
	exact := least(known())
	for _, doubt := range [][2]string{{"heat_exchange_band_ratio", "1"}, {"pressure_band_bar", "0.1"}, {"oil_band_m3", "0.02"}, {"wall_band_k", "5"}, {"heat_exchange_s", ""}} {
		if got := least(known().with(doubt[0], doubt[1])); got > exact-1e-3 {
			t.Errorf("%s %q: at least %v m³, not less than %v", doubt[0], doubt[1], got, exact)
		}
	}
}

// A cycle's oil is shared equally by its strokes: without pauses four strokes
// of 5 s are one of 20 s.
func TestTableEqualShares(t *testing.T) {
	got := figuresOf(t, tableOf(sound().with("heat_exchange_s", "60", "strokes_per_cycle", "1", "stroke_s", "20"),
		sound().with("heat_exchange_s", "60", "strokes_per_cycle", "4", "stroke_s", "5"),
		sound().with("heat_exchange_s", "60", "strokes_per_cycle", "4.0", "stroke_s", "5", "dwell_s", "60")))
	a, b, rested := got[0].number(t, "expected_volume_m3"), got[1].number(t, "expected_volume_m3"), got[2].number(t, "expected_volume_m3")
	if math.Abs(a-b) > 1e-7 || rested < b+0.01 {
		t.Errorf("%v m³ in one stroke, %v in four, %v with pauses", a, b, rested)
	}
}

func TestTableBadRows(t *testing.T) {
	cases := []struct {
		name string
		row  state
		want []string
	}{
		{"empty", sound().with("oil_volume_m3", " "), []string{"oil_volume_m3 is empty"}},
		{"not a number", sound().with("stroke_s", "ten"), []string{`stroke_s is "ten"`}},
		{"NaN", sound().with("pressure_bar_g", "NaN"), []string{`pressure_bar_g is "NaN"`}},
		{"infinite", sound().with("dwell_s", "+Inf"), []string{"dwell_s"}},
		{"over every number", sound().with("dwell_s", "1e999"), []string{"dwell_s"}},
		{"hexadecimal", sound().with("dwell_s", "0x1p3"), []string{"dwell_s"}},
		{"decimal comma", sound().with("pressure_bar_g", "8,0"), []string{`pressure_bar_g is "8,0"`, "decimal point"}},
		{"with its unit", sound().with("pressure_bar_g", "8 bar"), []string{"no unit"}},
		{"no tank", sound().with("tank_volume_m3", "0"), []string{"tank volume is 0"}},
		{"negative oil", sound().with("oil_volume_m3", "-1"), []string{"oil_volume_m3 is -1"}},
		{"no gas", sound().with("oil_volume_m3", "4"), []string{"leaves no gas"}},
		{"no oil a cycle", sound().with("oil_per_cycle_m3", "0"), []string{"oil per cycle is 0"}},
		{"half a stroke", sound().with("strokes_per_cycle", "2.5"), []string{"strokes_per_cycle is 2.5", "whole"}},
		{"no strokes", sound().with("strokes_per_cycle", "0"), []string{"strokes_per_cycle is 0"}},
		{"negative τ", sound().with("heat_exchange_s", "-60"), []string{"heat_exchange_s is -60"}},
		{"negative band", sound().with("pressure_band_bar", "-0.1"), []string{"pressure_band_bar"}},
		{"psi for bar", sound().with("pressure_bar_g", "120"), []string{"20 bar"}},
		{"psi for atmosphere", sound().with("atmospheric_pressure_bar", "14.7"), []string{"atmospheric_pressure_bar is 14.7", "0.3 to 1.2"}},
		{"kelvin for °C", sound().with("gas_temperature_c", "293.15"), []string{"gas_temperature_c is 293.15"}},
		{"vacuum", sound().with("pressure_bar_g", "-1.1"), []string{"absolute pressure"}},
		{"litres for m³ in one column", sound().with("oil_per_cycle_m3", "0.000001"), []string{"too small"}},
		{"two at once", sound().with("stroke_s", "x", "dwell_s", "y"), []string{"stroke_s", "dwell_s"}},
	}
	rows := []state{sound()}
	for _, c := range cases {
		rows = append(rows, c.row)
	}
	got := figuresOf(t, tableOf(append(rows, sound())...))
	for i, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			row := got[i+1]
			for _, want := range c.want {
				if !strings.Contains(row["problem"], want) {
					t.Errorf("problem %q lacks %q", row["problem"], want)
				}
			}
			for _, name := range added[:len(added)-1] {
				if row[name] != "" {
					t.Errorf("%s is %q in a row with a problem", name, row[name])
				}
			}
		})
	}
	for _, i := range []int{0, len(got) - 1} {
		if got[i]["problem"] != "" || got[i]["adiabatic_cycles"] != "6" {
			t.Errorf("a good row beside bad ones: %v", got[i])
		}
	}
}

// The columns stand in any order among others, whose cells come through; a
// byte order mark, CR LF and blanks around names do not matter.
func TestTableCarriesColumnsThrough(t *testing.T) {
	header := names([]state{sound()})
	slices.Reverse(header)
	cells := make([]string, len(header))
	for i, name := range header {
		cells[i] = sound()[name]
	}
	text := "\ufeff remark ," + strings.Join(header, " , ") + ",\r\n" +
		"\"two \"\"lines\"\",\r\nand a comma\"," + strings.Join(cells, ",") + ",seven\r\n"
	var out, said bytes.Buffer
	if err := supposeTable(t.Context(), strings.NewReader(text), &out, &said); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&out).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	wide := len(header) + 2
	if row := rows[1]; row[0] != "two \"lines\",\nand a comma" || row[wide-1] != "seven" || row[wide+5] != "6" || row[wide+7] != "" {
		t.Errorf("row %q", row)
	}
	if !slices.Equal(rows[0][wide:], added) {
		t.Errorf("added %q, want %q", rows[0][wide:], added)
	}
	for _, want := range []string{"not used: remark", "exact: heat_exchange_band_ratio, pressure_band_bar, oil_band_m3, wall_band_k", "1 rows, 0"} {
		if !strings.Contains(said.String(), want) {
			t.Errorf("said %q, lacks %q", said.String(), want)
		}
	}
}

// A row that is not whole is a bad row; the rows around it are good.
func TestTableBrokenRows(t *testing.T) {
	good := tableOf(sound().with("wall_band_k", "0"))
	header, row, _ := strings.Cut(strings.TrimSpace(good), "\n")
	for name, c := range map[string]struct{ broken, want string }{
		"too short": {"4,2", "has 2 cells, the header has 14"},
		"too long":  {row + ",1", "has 15 cells"},
		"quote":     {`4"` + row[1:], `line 3, column 2: bare "`},
	} {
		t.Run(name, func(t *testing.T) {
			got := figuresOf(t, header+"\n"+row+"\n"+c.broken+"\n"+row+"\n")
			if len(got) != 3 || !strings.Contains(got[1]["problem"], c.want) || got[1]["at_least_cycles"] != "" {
				t.Fatalf("%v, want a problem with %q in the second row", got, c.want)
			}
			if got[0]["adiabatic_cycles"] != "6" || got[2]["adiabatic_cycles"] != "6" {
				t.Errorf("the rows around it: %v", got)
			}
		})
	}
}

func TestTableRefused(t *testing.T) {
	good := tableOf(sound())
	header, row, _ := strings.Cut(good, "\n")
	for name, c := range map[string]struct{ text, want string }{
		"nothing":          {"", "is empty"},
		"no header":        {row, "must name the columns; it lacks tank_volume_m3, oil_volume_m3"},
		"a missing column": {strings.Replace(good, "stroke_s,", "stroke_seconds,", 1), "lacks stroke_s"},
		"wall absent":      {strings.Replace(good, "wall_temperature_c,", "wall,", 1), "lacks wall_temperature_c"},
		"a column twice":   {strings.Replace(good, "dwell_s,", "stroke_s,", 1), `column "stroke_s" stands twice; the first line must name the columns; it lacks dwell_s`},
		"other twice":      {"a,a," + header + "\n", `column "a" stands twice`},
		"own columns":      {header + ",limit\n", `column "limit" is one that this command adds`},
		"semicolons":       {strings.ReplaceAll(good, ",", ";"), "separate the columns by commas"},
		"UTF-16":           {"\xff\xfet\x00", "UTF-16"},
		"open quote":       {header + "\n" + `"4` + row[1:] + row + "\n", "cannot be told apart"},
	} {
		t.Run(name, func(t *testing.T) {
			err := supposeTable(t.Context(), strings.NewReader(c.text), io.Discard, io.Discard)
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("error %v, want %q in it", err, c.want)
			}
		})
	}
}

// anyState is a state that a unit can be in.
func anyState(r *rand.Rand) state {
	in := func(low, high float64) float64 { return low + (high-low)*r.Float64() }
	maybe := func(v float64) string {
		if r.IntN(3) == 0 {
			return ""
		}
		return fmt.Sprint(v)
	}
	tank, pressure, wall := in(0.3, 15), in(2, 16), in(-10, 40)
	oil := tank * in(0.05, 0.9)
	s := state{}
	for name, v := range map[string]float64{
		"tank_volume_m3": tank, "oil_volume_m3": oil, "pressure_bar_g": pressure, "atmospheric_pressure_bar": in(0.7, 1.05),
		"gas_temperature_c": wall + in(-40, 40), "minimum_pressure_bar_g": pressure * in(0.3, 1.05), "unusable_oil_m3": oil * in(0, 1.05),
		"oil_per_cycle_m3": tank * in(0.005, 0.2), "strokes_per_cycle": float64(1 + r.IntN(8)), "stroke_s": in(0, 60), "dwell_s": in(0, 200),
	} {
		s[name] = fmt.Sprint(v)
	}
	return s.with("wall_temperature_c", maybe(wall), "heat_exchange_s", maybe(in(0, 900)), "heat_exchange_band_ratio", maybe(in(0, 1)),
		"pressure_band_bar", maybe(in(0, 0.2)), "oil_band_m3", maybe(tank*in(0, 0.02)), "wall_band_k", maybe(in(0, 8)))
}

// At least ≤ expected ≤ isothermal at the warmer of gas and wall, over
// random rows.
func TestTableOrderOfFigures(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 14))
	var all []state
	for range 2000 {
		all = append(all, anyState(r))
	}
	byLimit := map[string]int{}
	for i, s := range figuresOf(t, tableOf(all...)) {
		if s["problem"] != "" {
			t.Fatalf("row %d: %s in %v", i, s["problem"], s)
		}
		byLimit[s["limit"]]++
		n := func(name string) float64 { return s.number(t, name) }
		warm := 1.0
		if s["wall_temperature_c"] != "" {
			warm = math.Max(1, (n("wall_temperature_c")+273.15)/(n("gas_temperature_c")+273.15))
		}
		atm, oil := n("atmospheric_pressure_bar"), n("oil_volume_m3")
		most := (n("tank_volume_m3") - oil) * ((n("pressure_bar_g")+atm)*warm/(n("minimum_pressure_bar_g")+atm) - 1)
		most = math.Max(0, math.Min(most, oil-n("unusable_oil_m3")))
		least, expected := n("at_least_volume_m3"), n("expected_volume_m3")
		if least > expected+1e-9 || expected > most+1e-8 {
			t.Errorf("row %d: at least %v, expected %v, isothermal %v m³: %v", i, least, expected, most, s)
		}
		if n("at_least_cycles") > n("expected_cycles") || n("adiabatic_cycles") > n("isothermal_cycles") ||
			warm == 1 && n("expected_cycles") >= n("isothermal_cycles")+1 {
			t.Errorf("row %d: cycles out of order: %v", i, s)
		}
		if share := n("at_least_cycles") * n("oil_per_cycle_m3"); share > least+1e-8 {
			t.Errorf("row %d: %v m³ is less than the oil of its cycles, %v", i, least, share)
		}
	}
	if byLimit["pressure"] < 200 || byLimit["oil"] < 200 {
		t.Errorf("limits %v: the rows are too much alike", byLimit)
	}
}
