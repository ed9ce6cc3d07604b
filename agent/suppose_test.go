package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"strokebank/configs"
	"strokebank/rules/reserve"
	"strokebank/sensors/signal"
)

// fileOf writes an example with edits (old and new by turns) and gives its
// path. An old text that is not there is a mistake of the test.
func fileOf(t testing.TB, name string, edits ...string) string {
	t.Helper()
	text, err := configs.Example(name)
	if err != nil {
		t.Fatal(err)
	}
	for i := 0; i < len(edits); i += 2 {
		if !bytes.Contains(text, []byte(edits[i])) {
			t.Fatalf("%s has no %q", name, edits[i])
		}
		text = bytes.ReplaceAll(text, []byte(edits[i]), []byte(edits[i+1]))
	}
	path := filepath.Join(t.TempDir(), name+".yaml")
	if err := os.WriteFile(path, text, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// supposed runs the command; its exit code must be code.
func supposed(t testing.TB, code int, args ...string) (out, said string) {
	t.Helper()
	var o, e bytes.Buffer
	if got := suppose(t.Context(), shell{in: strings.NewReader(""), out: &o, err: &e}, args); got != code {
		t.Fatalf("%q: exit code %d, want %d: %s", args, got, code, e.String())
	}
	return o.String(), e.String()
}

func supposedJSON(t testing.TB, args ...string) (a supposedAnswer) {
	t.Helper()
	out, _ := supposed(t, exitOK, append([]string{"-json"}, args...)...)
	if err := json.Unmarshal([]byte(out), &a); err != nil {
		t.Fatal(err)
	}
	return a
}

// A changed set-up by flags gives what the file with that change gives.
func TestSupposeIsTheFileChanged(t *testing.T) {
	valve := "{bore: 125 mm, rod: 56 mm, stroke: 500 mm, closes: cap, stroke_time: 12 s, dwell: 5 s}"
	lastValve := "      XV-4: " + valve + "\n"
	oneValve := "      XV-2: " + valve + "\n"
	for _, c := range []struct {
		name  string
		flags []string
		edits []string
	}{
		{"nothing", nil, nil},
		{"one more like another", []string{"-add", "XV-5 like XV-1"}, []string{lastValve, lastValve + "      XV-5: " + valve + "\n"}},
		{"one more of another size", []string{"-add", "XV-5: {bore: 160 mm, rod: 70 mm, stroke: 400 mm, closes: rod, stroke_time: 9 s}"},
			[]string{lastValve, lastValve + "      XV-5: {bore: 160 mm, rod: 70 mm, stroke: 400 mm, closes: rod, stroke_time: 9 s}\n"}},
		{"one more by its oil", []string{"-add", "XV-5: closing_oil 7 L, opening_oil 5 L, stroke_time 9 s, dwell 1 s, demand_pressure 6 bar"},
			[]string{lastValve, lastValve + "      XV-5: {closing_oil: 7 L, opening_oil: 5 L, stroke_time: 9 s, dwell: 1 s, demand_pressure: 6 bar}\n"}},
		{"two more", []string{"-add", "XV-5 like XV-1", "-add", "XV-6 like XV-5"},
			[]string{lastValve, lastValve + "      XV-5: " + valve + "\n      XV-6: " + valve + "\n"}},
		{"one less", []string{"-without", "XV-2"}, []string{oneValve, "", "      valve.XV-2.open: discrete 18\n", "", "      valve.XV-2.closed: discrete 19\n", ""}},
		{"another last valve", []string{"-without", "XV-4", "-add", "XV-4: closing_oil 7 L, opening_oil 5 L, stroke_time 9 s"},
			[]string{lastValve, "      XV-4: {closing_oil: 7 L, opening_oil: 5 L, stroke_time: 9 s}\n"}},
		{"longer tank", []string{"-tank-length", "3 m"}, []string{"length: 2.4 m", "length: 3 m"}},
		{"wider tank", []string{"-tank-diameter", "120 cm", "-tank-heads", "flat"}, []string{"diameter: 1 m", "diameter: 1.2 m", "heads: ellipsoidal", "heads: flat"}},
		{"wider tank, ended by oil", []string{"-tank-diameter", "120 cm", "-minimum-pressure", "1.5 bar"}, []string{"diameter: 1 m", "diameter: 1.2 m", "minimum_pressure: 5 bar", "minimum_pressure: 1.5 bar"}},
		{"lower set points", []string{"-set-pressure", "8.2 bar", "-set-level", "1.2 m"},
			[]string{"      pressure: 8.6 bar", "      pressure: 8.2 bar", "      level: 1.22 m", "      level: 1.20 m"}},
		{"other needs", []string{"-minimum-pressure", "6 bar", "-required", "3", "-unusable-oil", "200 L"},
			[]string{"minimum_pressure: 5 bar", "minimum_pressure: 6 bar", "required_cycles: 6", "required_cycles: 3", "unusable_level: 0.30 m", "unusable_oil: 200 L"}},
		{"heat exchange", []string{"-heat-exchange", "100 s", "-heat-exchange-most", "3 min"},
			[]string{"heat_exchange: 250 s", "heat_exchange: 100 s", "heat_exchange_most: 600 s", "heat_exchange_most: 180 s"}},
		{"mountain", []string{"-atmosphere", "700 mbar"}, []string{"atmosphere: 1.01325 bar", "atmosphere: 0.7 bar"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			plain := fileOf(t, "quillen-reach")
			got := supposedJSON(t, append(slices.Clone(c.flags), plain)...)
			want := supposedJSON(t, fileOf(t, "quillen-reach", c.edits...))
			if strings.HasSuffix(c.name, "ended by oil") && got.Figures.Limit != reserve.ByOil {
				t.Errorf("ended by %s", got.Figures.Limit)
			}
			a, _ := json.Marshal(got.Figures)
			b, _ := json.Marshal(want.Figures)
			if !bytes.Equal(a, b) {
				t.Errorf("by flags %s\nby file  %s", a, b)
			}
			if changed := len(c.flags) > 0 && c.name != "mountain"; changed != (len(got.Changes) > 0) {
				t.Errorf("changes %q", got.Changes)
			}
		})
	}
}

// By hand: AU-7 at full charge has 1.2540 m³ of gas at 8.6 bar gauge, and its
// first stroke draws π/4 · 0.125² · 0.5 = 6.136 L. The pressure after it is
// between the adiabatic and the isothermal one.
func TestSupposeFirstStroke(t *testing.T) {
	a := supposedJSON(t, fileOf(t, "quillen-reach"))
	first := a.Figures.Strokes[0]
	if p := float64(first.Pressure); p < 8.5345e5 || p > 8.5533e5 || first.Valve != "XV-1" || !first.Closing || !first.Counts {
		t.Errorf("%+v, want XV-1 closing to 8.5345 to 8.5533 bar", first)
	}
	if a.Figures.Expected != a.Figures.FullCharge || a.Figures.Required != 6 || a.State.GasCelsius != 20 || float64(a.State.Wall) != 20 {
		t.Errorf("not the full charge: %+v in %+v", a.Figures, a.State)
	}
}

// cycles are the three figures of a supposition.
func cycles(t *testing.T, args ...string) [3]float64 {
	f := supposedJSON(t, args...).Figures
	return [3]float64{float64(f.AtLeast), float64(f.Expected), float64(f.FullCharge)}
}

func TestSupposeStates(t *testing.T) {
	file := fileOf(t, "quillen-reach")
	full := cycles(t, file)
	for _, c := range []struct {
		name string
		args []string
	}{
		{"pressure", []string{"-pressure", "7.8 bar"}},
		{"little oil", []string{"-level", "0.6 m"}},
		{"hot gas", []string{"-temperature", "60 °C", "-wall", "20 °C"}},
		{"leak", []string{"-leak", "300 L/h"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := cycles(t, append(c.args, file)...); got[0] > full[0] || got[1] >= full[1] || got[2] != full[2] {
				t.Errorf("%v, want less than %v but the same full charge", got, full)
			}
		})
	}
	if same := cycles(t, "-temperature", "20 °C", file); same != full {
		t.Errorf("%v at the usual temperature, %v without it", same, full)
	}
	level := supposedJSON(t, "-level", "1 m", file)
	oil := supposedJSON(t, "-oil", "719.9484 L", file) // 1 m in AU-7: 1/12 π + (1-0.25) π/4, computed by hand
	if d := level.Figures.Expected - oil.Figures.Expected; d > 1e-4 || d < -1e-4 {
		t.Errorf("%v cycles at 1 m, %v with its oil", level.Figures.Expected, oil.Figures.Expected)
	}
}

// At a site that does not measure the wall its lowest temperature bounds at
// least, unless somebody gives one.
func TestSupposeWall(t *testing.T) {
	file := fileOf(t, "dunmorrow-flats")
	not, given := supposedJSON(t, file), supposedJSON(t, "-wall", "68 °F", file)
	if not.State.Wall.Known() || not.Unknown["supposed_state.wall_temperature_celsius"] == "" {
		t.Errorf("wall %v, unknown %v", not.State.Wall, not.Unknown)
	}
	if not.Figures.UsableAtLeast >= given.Figures.UsableAtLeast || not.Figures.UsableOil != given.Figures.UsableOil {
		t.Errorf("at least %v m³ without a wall temperature, %v with it", not.Figures.UsableAtLeast, given.Figures.UsableAtLeast)
	}
	if text, _ := supposed(t, exitOK, file); !strings.Contains(text, "the wall is not measured, so at least allows for 0.0 °F") {
		t.Error(text)
	}
}

func TestSupposeSaysEverythingWrongAtOnce(t *testing.T) {
	file := fileOf(t, "quillen-reach")
	for _, c := range []struct {
		name string
		args []string
		want []string
	}{
		{"words", []string{"-pressure", "7.8", "-oil", "3 bar", "-required", "x", "-tank-heads", "round", "-without", "XV-9", "-add", "nonsense", "-add", "Z: bore 1 m, hat 3 m", "-out", "x", file},
			[]string{`-pressure: "7.8" has no unit`, `-oil: "bar" is a unit of pressure`, "-required", "-tank-heads", "no valve \"XV-9\", but XV-1, XV-2", "-add \"nonsense\"", `"hat" is nothing that a valve has`, "needs a stroke_time", "-out goes with -csv"}},
		{"values", []string{"-level", "3 m", "-minimum-pressure", "9 bar", "-pressure", "20 bar", "-unusable-oil", "2 m³", "-heat-exchange", "1 h", file},
			[]string{"level 3.000 m leaves no gas in a tank that is 2.900 m high", "minimum pressure 9.00 bar is not below the set pressure 8.60 bar", "above 20.00 bar absolute", "unusable oil of 2.000 m³", "-heat-exchange-most"}},
		{"both", []string{"-level", "1 m", "-oil", "500 L", file}, []string{"keep one of them"}},
		{"ranges", []string{"-atmosphere", "14.7 bar", "-temperature", "293 °C", file}, []string{"-atmosphere: 14.7 bar is outside", "-temperature: 293 °C is outside"}},
		{"set point under a demand", []string{"-set-pressure", "7 bar", "-add", "Z: closing_oil 1 L, opening_oil 1 L, stroke_time 1 s, demand_pressure 8 bar", file}, []string{"Z demands 8.00 bar"}},
		{"valve", []string{"-add", "XV-1 like XV-2", "-add", "Z like XV-8", "-add", "Y: closing_oil 1 L, bore 1 m, rod 2 m, stroke 1 m, closes top", file},
			[]string{"there is a valve XV-1 already", `no valve "XV-8" to be like`, "both a cylinder and the oil", `closes is "top"`}},
		{"no valve left", []string{"-without", "XV-1", "-without", "XV-2", "-without", "XV-3", "-without", "XV-4", file}, []string{"XV-4 is the last valve"}},
		{"unit", []string{"-unit", "AU-8", file}, []string{`no unit "AU-8", but AU-7`}},
		{"no file", nil, []string{"give one configuration FILE"}},
		{"table and state", []string{"-csv", "in", "-pressure", "7 bar", file}, []string{"-pressure has no meaning beside -csv", "-csv takes no configuration"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			out, said := supposed(t, exitUsage, c.args...)
			for _, want := range c.want {
				if !strings.Contains(said, want) {
					t.Errorf("said %q, lacks %q", said, want)
				}
			}
			if out != "" {
				t.Errorf("an answer all the same: %s", out)
			}
		})
	}
	_, said := supposed(t, exitConfig, "-pressure", "7", fileOf(t, "quillen-reach", "diameter: 1 m", "diameter: 1 kg"))
	if !strings.Contains(said, "diameter") || !strings.Contains(said, "-pressure") {
		t.Errorf("said %q", said)
	}
}

func TestSupposeChoosesTheUnit(t *testing.T) {
	file := fileOf(t, "every-key")
	if _, said := supposed(t, exitUsage, file); !strings.Contains(said, "add -unit with one of AU-8, AU-9") {
		t.Errorf("said %q", said)
	}
	if a := supposedJSON(t, "-unit", "AU-9", file); a.Unit != "AU-9" {
		t.Errorf("unit %q", a.Unit)
	}
}

// In the text every figure has its name, and the figures of the file stand
// beside those of another set-up.
func TestSupposeText(t *testing.T) {
	file := fileOf(t, "quillen-reach")
	few, _ := supposed(t, exitOK, "-doubts", "-set-pressure", "6.2 bar", "-add", "XV-5 like XV-1", file)
	for _, want := range []string{
		"quillen-reach, unit AU-7. Supposed, not measured:", "one more valve, XV-5, closing 6.1 L in 12.0 s, opening 4.9 L", "set pressure 6.20 bar instead of 8.60 bar",
		"LESS THAN THE 6 REQUIRED", "FILE, FULL CHARGE", "at least ", "expected ", "full charge ", "ended by", "usable oil", "not kept now", "no: too little pressure",
		"pressure band", "level band", "heat exchange", "wall", "leak", "real gas", "not a\nprotective function and not a warranty",
	} {
		if !strings.Contains(few, want) {
			t.Errorf("no %q in\n%s", want, few)
		}
	}
	plain, _ := supposed(t, exitOK, file)
	for _, not := range []string{"SUPPOSED  ", "real gas", "set-up"} {
		if strings.Contains(plain, not) {
			t.Errorf("%q in\n%s", not, plain)
		}
	}
	if !strings.Contains(plain, "the 6 required are stored") || !strings.Contains(plain, "none: it is full") {
		t.Error(plain)
	}
	leak, _ := supposed(t, exitOK, "-leak", "4000 L/h", "-level", "1 m", file)
	if !strings.Contains(leak, "never: the leak takes more than the pumps give") {
		t.Error(leak)
	}
}

// Unknown is null with its reason, never a number.
func TestSupposeUnknownInJSON(t *testing.T) {
	out, _ := supposed(t, exitOK, "-json", "-doubts", "-leak", "2000 L/h", "-level", "1 m", fileOf(t, "quillen-reach"))
	var a struct {
		Figures map[string]any    `json:"figures"`
		Unknown map[string]string `json:"unknown"`
		Doubts  []any             `json:"doubts"`
	}
	if err := json.Unmarshal([]byte(out), &a); err != nil {
		t.Fatal(err)
	}
	// One pump gives 24 L/min, two give 48: the leak of 33 L/min beats one.
	if v, ok := a.Figures["time_to_full_one_machine_seconds"]; !ok || v != nil {
		t.Errorf("one machine: %v", v)
	}
	if a.Unknown["figures.time_to_full_one_machine_seconds"] == "" || a.Unknown["figures.time_to_full_seconds"] != "" || len(a.Doubts) != 7 {
		t.Errorf("unknown %v, %d doubts", a.Unknown, len(a.Doubts))
	}
	unknown := map[string]string{}
	no := signal.Unknown()
	reasons(unknown, "f.", &reserve.Figures{Reason: "level: link lost", AtLeast: no, Expected: no})
	if unknown["f.at_least_cycles"] != "level: link lost" || len(unknown) != 2 {
		t.Errorf("%v", unknown)
	}
}

// course writes a cycle as "A+ B+& A-": closing +, opening -, together &.
func course(cycle []reserve.Stroke) string {
	var words []string
	for _, s := range cycle {
		word := s.Valve + "-"
		if s.Closing {
			word = s.Valve + "+"
		}
		if s.Together {
			word += "&"
		}
		words = append(words, word)
	}
	return strings.Join(words, " ")
}

func cycleOf(text string) (cycle []reserve.Stroke) {
	for _, word := range strings.Fields(text) {
		cycle = append(cycle, reserve.Stroke{Valve: word[:1], Closing: word[1] == '+', Together: strings.HasSuffix(word, "&")})
	}
	return cycle
}

func TestSupposeKeepsTheOrderOfACycle(t *testing.T) {
	for name, c := range map[string]struct{ cycle, like, more, without, less string }{
		"one after another": {"A+ B+ A- B-", "A", "A+ B+ Z+ A- B- Z-", "A", "B+ B-"},
		"together":          {"A+ B+& A- B-&", "A", "A+ B+& Z+& A- B-& Z-&", "A", "B+ B-"},
		"valve by valve":    {"A+ A- B+ B-", "A", "A+ Z+ A- Z- B+ B-", "B", "A+ A-"},
		"there and back":    {"A+ B+ B- A-", "B", "A+ B+ Z+ B- A- Z-", "A", "B+ B-"},
		"mixed group":       {"A+ B-& A- B+", "A", "A+ B-& Z+& A- Z- B+", "A", "B- B+"},
		"three together":    {"A+ B+& C+& A-", "B", "A+ B+& C+& Z+& A-", "A", "B+ C+&"},
	} {
		t.Run(name, func(t *testing.T) {
			if got := course(insert(cycleOf(c.cycle), "Z", c.like, nil, nil)); got != c.more {
				t.Errorf("with Z like %s: %q, want %q", c.like, got, c.more)
			}
			s := supposition{}
			s.config.Reserve.Cycle = cycleOf(c.cycle)
			var f faults
			if s.without(c.without, &f); course(s.config.Reserve.Cycle) != c.less || f != nil {
				t.Errorf("without %s: %q, want %q (%q)", c.without, course(s.config.Reserve.Cycle), c.less, f)
			}
		})
	}
}
