package configs

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/iotest"
)

// What is wrong with a file before it is a configuration at all.
func TestBadText(t *testing.T) {
	for _, c := range []struct {
		name, text string
		line       int
		what       string
	}{
		{"empty", "", 1, "the file is empty"},
		{"only comments", "# nothing\n", 1, "the file is empty"},
		{"only space", " \n\n", 1, "the file is empty"},
		{"null", "~\n", 1, "nothing where a block of keys"},
		{"a list", "- a\n- b\n", 1, "a list where a block of keys"},
		{"one word", "hello\n", 1, `the value "hello" where a block of keys`},
		{"second document", base + "---\nscan: 2 s\n", lineOf(t, base+"---", "---"), "a second document begins"},
		{"second document after an end", base + "...\nscan: 2 s\n", lineOf(t, base+"...", "...") + 1, "a second document begins"},
		{"tab", "links:\n\tpanel: {}\n", 2, "a tab in the indentation"},
		{"not UTF-8", "site: a\nagent: \xff\n", 2, "not UTF-8"},
		{"UTF-16", "\xff\xfes\x00i\x00t\x00e\x00", 1, "not UTF-8"},
		{"too large", strings.Repeat("# a long comment line\n", 30_000), 1, "too large"},
		{"too many lines", strings.Repeat("\n", 20_000), mostLines, "too long"},
		{"too long a line", "site: " + strings.Repeat("a", 3000), 1, "the line is too long"},
		{"brackets in one line", "a: " + strings.Repeat("[", 300), 1, "too many open brackets"},
		{"brackets over lines", "a:\n" + strings.Repeat("[\n", 300), 52, "too many open brackets"},
		{"open bracket", "site: a\nlinks: {a: 1\n", 2, "not YAML"},
		{"open quote", "site: \"a\n", 1, "not YAML"},
		{"bad indentation", "site: a\n agent: b\n", 1, "not YAML"},
		{"binary", "\x00\x01\x02", 1, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			config, problems := parseString(c.text)
			if config != nil || len(problems) == 0 {
				t.Fatalf("no problem found")
			}
			if p := problems[0]; p.Line != c.line || !strings.Contains(p.What, c.what) {
				t.Errorf("line %d, %q; want line %d, %q", p.Line, p.What, c.line, c.what)
			}
		})
	}
}

// Everything that is wrong is said at once, in the order of the lines.
func TestAllAtOnce(t *testing.T) {
	text := base
	for _, r := range [][2]string{
		{"agent: gateway-1", "agent: AU-7"}, {"scan: 1 s", "scan: 1"}, {"diameter: 1.5 m", "diameter: 1.5 bar"},
		{"required_cycles: 3", "required_cycles: 0"}, {"rod: 56 mm", "rod: 200 mm"},
		{"discrete 0", "discrete 1"}, {"holding 20 bit 4", "holding 20 bit 44"},
	} {
		if !strings.Contains(text, r[0]) {
			t.Fatalf("%q does not stand in the base file", r[0])
		}
		text = strings.Replace(text, r[0], r[1], 1)
	}
	_, problems := parseString(text)
	want := []string{"scan", "units.AU-7", "units.AU-7.tank.diameter", "units.AU-7.reserve.required_cycles",
		"units.AU-7.valves.XV-1.rod", "units.AU-7.points.pump2.running", "units.AU-7.points.compressor2.running"}
	var got []string
	for _, p := range problems {
		got = append(got, p.Path)
	}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("problems at\n%v\nwant\n%v", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// A set pressure for which the real-gas allowance was never checked.
func TestTooHighPressure(t *testing.T) {
	text := strings.Replace(base, "pressure: 8.3 bar", "pressure: 25 bar", 1)
	text = strings.Replace(text, "cut_out: 8.3 bar", "cut_out: 25 bar", 1)
	_, problems := parseString(text)
	if len(problems) != 2 {
		t.Fatalf("want two problems, got:\n%v", problems)
	}
	for i, path := range []string{"units.AU-7.set_points.pressure", "units.AU-7.compressors.cut_out"} {
		p := problems[i]
		if p.Path != path || !strings.Contains(p.What, "above 20 bar absolute, where air is too far from an ideal gas") {
			t.Errorf("%v; want %s and the reason", p, path)
		}
	}
}

func TestSmallTank(t *testing.T) {
	text := strings.Replace(base, "length: 2.25 m", "length: 0.5 m", 1)
	_, problems := parseString(text)
	if len(problems) != 2 || problems[0].Path != "units.AU-7.set_points.level" ||
		problems[1].Path != "units.AU-7.pumps.cut_out" ||
		!strings.Contains(problems[0].What, "1.5 m is above the tank's inside height of 1.25 m") {
		t.Errorf("want the set level and the cut-out above the tank, got:\n%v", problems)
	}
}

// An error names the file, as editors understand it.
func TestFileName(t *testing.T) {
	path := filepath.Join(t.TempDir(), "au7.yaml")
	if err := os.WriteFile(path, []byte(strings.Replace(base, "scan: 1 s", "scan: 1", 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	_, err = Parse(f)
	want := path + `:3:1: scan: "1" has no unit; write 300 ms, 2 s, 10 min, 12.5 h or 30 d`
	if err == nil || err.Error() != want {
		t.Errorf("Parse:\n%v\nwant\n%s", err, want)
	}
}

func TestReadError(t *testing.T) {
	broken := errors.New("disk gone")
	_, err := Parse(io.MultiReader(strings.NewReader("site: a\n"), iotest.ErrReader(broken)))
	if !errors.Is(err, broken) {
		t.Errorf("Parse: %v, want it to wrap %v", err, broken)
	}
}

// Windows line ends and a byte order mark are no problem.
func TestOtherEditors(t *testing.T) {
	for name, text := range map[string]string{
		"CRLF":            strings.ReplaceAll(base, "\n", "\r\n"),
		"byte order mark": "\xef\xbb\xbf" + base,
		"document start":  "---\n" + base,
		"document end":    base + "...\n",
	} {
		t.Run(name, func(t *testing.T) {
			if c, problems := parseString(text); c == nil {
				t.Errorf("refused:\n%v", problems)
			}
		})
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte(base))
	for _, name := range []string{"quillen-reach", "dunmorrow-flats", "every-key"} {
		text, err := Example(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	for _, s := range []string{"", "a: *a", "a: &a [*a]", "<<: {a: 1}", "? {a: 1}\n: 2", "- !!binary x", "%YAML 1.2\n---\na: 1",
		"units: {a: {valves: {b: {bore: 1 m}}}}", "links: [1, 2]", "a: |\n  b\nc: >\n d", "{{{", "'", "\"\\x", "units:\n  ~: 1\n"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		c, err := Parse(strings.NewReader(string(text)))
		if (c == nil) == (err == nil) {
			t.Fatalf("config %v, error %v", c, err)
		}
		var problems Problems
		if err != nil && (!errors.As(err, &problems) || len(problems) == 0) {
			t.Fatalf("error without problems: %v", err)
		}
		for _, p := range problems {
			if p.Line < 1 || p.Column < 1 || p.What == "" {
				t.Errorf("a problem without a place or words: %s", fmt.Sprintf("%+v", p))
			}
		}
	})
}

// What only the reserve's engine knows is said with a place too.
func TestEngineJudges(t *testing.T) {
	text := strings.NewReplacer("bore: 100 mm, rod: 56 mm, stroke: 500 mm", "bore: 5 mm, rod: 1 mm, stroke: 5 mm",
		"closing_oil: 4 L, opening_oil: 4 L", "closing_oil: 1 mL, opening_oil: 1 mL").Replace(base)
	_, problems := parseString(text)
	if len(problems) != 1 || problems[0].Path != "units.AU-7.reserve" || problems[0].Line != lineOf(t, text, "reserve:") ||
		!strings.Contains(problems[0].What, "too small for this tank") {
		t.Errorf("want the engine's doubt at the reserve, got:\n%v", problems)
	}
}
