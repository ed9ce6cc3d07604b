package main

import (
	"encoding/json"
	"net/url"
	"reflect"
	"strings"
	"testing"

	"strokebank/configs"
)

func supposesOf(t testing.TB, example string) supposes {
	t.Helper()
	text, err := configs.Example(example)
	if err != nil {
		t.Fatal(err)
	}
	cfg, err := configs.Parse(strings.NewReader(string(text)))
	if err != nil {
		t.Fatal(err)
	}
	return supposes{cfg.Units}
}

// What the page is told is what the command tells.
func TestSupposeOnThePageIsTheCommand(t *testing.T) {
	page := supposesOf(t, "quillen-reach")
	file := fileOf(t, "quillen-reach")
	for _, c := range []struct {
		name, query string
		flags       []string
	}{
		{"nothing", "", nil},
		{"one more valve", "add=XV-5+like+XV-1", []string{"-add", "XV-5 like XV-1"}},
		{"SI", "pressure=780000&level=1.1&temperature=278.15", []string{"-pressure", "7.8 bar", "-level", "1.1 m", "-temperature", "5 °C"}},
		{"with units", "pressure=113+psi&set-pressure=8.1+bar&required=2&without=XV-2&without=XV-3",
			[]string{"-pressure", "113 psi", "-set-pressure", "8.1 bar", "-required", "2", "-without", "XV-2", "-without", "XV-3"}},
		{"empty fields of a form", "pressure=&level=+&add=&required=", nil},
		{"another tank", "tank-mounting=vertical&tank-diameter=1.2&tank-length=3", []string{"-tank-mounting", "vertical", "-tank-diameter", "1.2 m", "-tank-length", "3 m"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			given, err := url.ParseQuery(c.query)
			if err != nil {
				t.Fatal(err)
			}
			body, faults := page.Suppose("AU-7", given)
			if faults != nil {
				t.Fatal(faults)
			}
			var got supposedAnswer
			if err := json.Unmarshal(body, &got); err != nil {
				t.Fatal(err)
			}
			want := supposedJSON(t, append(append([]string{"-doubts"}, c.flags...), file)...)
			// Unknown numbers are not equal to themselves: compare their text.
			a, _ := json.Marshal(got)
			b, _ := json.Marshal(want)
			if string(a) != string(b) {
				t.Errorf("page\n%s\ncommand\n%s", a, b)
			}
			if len(got.Doubts) == 0 || len(got.Figures.Strokes) == 0 {
				t.Error("no prices or no strokes")
			}
		})
	}
}

func TestSupposeOnThePageSaysWhatIsWrong(t *testing.T) {
	page := supposesOf(t, "quillen-reach")
	for _, c := range []struct{ name, query, words string }{
		{"no quantity", "pressure=high", "pressure: "},
		{"other dimension", "level=8+bar", "level: "},
		{"infinite", "level=Inf", "level: "},
		{"hexadecimal", "level=0x1p2", "level: "},
		{"out of range", "pressure=1e12", "outside"},
		{"unknown word", "pressures=8+bar", `"pressures" is nothing that can be supposed`},
		{"twice", "level=1&level=2", "level is given twice"},
		{"no such valve", "without=XV-9", "without: the cycle has no valve"},
		{"impossible", "level=50", "leaves no gas"},
	} {
		t.Run(c.name, func(t *testing.T) {
			given, err := url.ParseQuery(c.query)
			if err != nil {
				t.Fatal(err)
			}
			body, faults := page.Suppose("AU-7", given)
			if body != nil || !strings.Contains(strings.Join(faults, "; "), c.words) {
				t.Errorf("%s, %q; want %q", body, faults, c.words)
			}
			for _, f := range faults {
				if strings.HasPrefix(f, "-") {
					t.Errorf("%q speaks of a flag", f)
				}
			}
		})
	}
	if body, faults := page.Suppose("AU-9", nil); body != nil || faults != nil {
		t.Errorf("no such unit: %s, %q", body, faults)
	}
}

// Many suppositions beside each other leave the running configuration alone.
func TestSupposeChangesNothing(t *testing.T) {
	page, fresh := supposesOf(t, "quillen-reach"), supposesOf(t, "quillen-reach")
	done := make(chan struct{})
	for range 4 {
		go func() {
			defer func() { done <- struct{}{} }()
			for range 5 {
				page.Suppose("AU-7", url.Values{"add": {"XV-5 like XV-1"}, "without": {"XV-2"}, "set-pressure": {"8 bar"}, "tank-length": {"3 m"}})
			}
		}()
	}
	for range 4 {
		<-done
	}
	if !reflect.DeepEqual(page.units[0].Rules.Reserve, fresh.units[0].Rules.Reserve) {
		t.Error("the configuration is another one than before")
	}
}
