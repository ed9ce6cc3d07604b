package export

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"flag"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"strokebank/rules"
	"strokebank/rules/machine/work"
	"strokebank/sensors/signal"
)

var update = flag.Bool("update", false, "write reference.md anew")

var noon = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

func TestReferenceIsOfTheseTables(t *testing.T) {
	if *update {
		if err := os.WriteFile("reference.md", []byte(Reference()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	is, err := os.ReadFile("reference.md")
	if err != nil {
		t.Fatal(err)
	}
	if string(is) != Reference() {
		t.Error("reference.md is not of these tables: run this test with -update and read the difference")
	}
	for _, name := range Names() {
		if !strings.Contains(string(is), "## "+name+"\n") {
			t.Errorf("%s is missing", name)
		}
	}
}

// written is what a sheet makes of rows.
func written[T any](t testing.TB, form Form, table *Table[T], rows ...T) string {
	t.Helper()
	var b bytes.Buffer
	s, err := NewSheet(&b, form, table)
	if err != nil {
		t.Fatal(err)
	}
	for i := range rows {
		if err := s.Put(&Place{Unit: "AU-7", Tags: map[string]string{"pump1": "P-1"}}, &rows[i]); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Flush(); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// same writes rows in both forms and holds them against each other: the same
// columns in the same order, the same words, null where CSV is empty. It
// returns the rows as JSON has them.
func same[T any](t testing.TB, table *Table[T], rows ...T) (all []map[string]any) {
	t.Helper()
	lines, err := csv.NewReader(strings.NewReader(written(t, CSV, table, rows...))).ReadAll()
	if err != nil || len(lines) != len(rows)+1 {
		t.Fatalf("%s: %d lines, %v", table.Name, len(lines), err)
	}
	for i, line := range strings.Split(strings.TrimSpace(written(t, JSONLines, table, rows...)), "\n") {
		d := json.NewDecoder(strings.NewReader(line))
		d.UseNumber()
		var row map[string]any
		if err := d.Decode(&row); err != nil {
			t.Fatalf("%s: %v in %s", table.Name, err, line)
		}
		if len(row) != len(table.columns)+1 || row["table"] != table.Name {
			t.Errorf("%s: %d keys in %s", table.Name, len(row), line)
		}
		for k, name := range lines[0] {
			is, ok := row[name]
			text := ""
			switch v := is.(type) {
			case json.Number:
				text = v.String()
			case bool:
				text = map[bool]string{true: "true", false: "false"}[v]
			case string:
				text = v
			}
			if !ok || strings.TrimPrefix(lines[i+1][k], "'") != text {
				t.Errorf("%s: %s is %q in CSV and %v in JSON", table.Name, name, lines[i+1][k], is)
			}
		}
		all = append(all, row)
	}
	return all
}

func TestWhatIsNotKnownIsEmpty(t *testing.T) {
	for _, row := range same(t, Runs, rules.NumberedRun{}) {
		if row["start_time"] != nil || row["position"] != nil || row["end_observed"] != true {
			t.Errorf("%v", row)
		}
	}
	for _, table := range []*Table[rules.Entry]{Fills, Charges, Draws, Alarms, Service, Unobserved} {
		for name, v := range same(t, table, rules.Entry{})[0] {
			if n, ok := v.(json.Number); ok && name != "runs" {
				t.Errorf("%s: %s of an event that says nothing is %v", table.Name, name, n)
			}
		}
	}
	for name, v := range same(t, Failures, rules.Failure{})[0] {
		if n, ok := v.(json.Number); ok && name != "seen_times" {
			t.Errorf("%s of a failure that says nothing is %v", name, n)
		}
	}
	row := same(t, Readings, rules.Trend{Name: "level", Min: math.NaN(), Mean: math.Inf(1)})[0]
	if row["minimum"] != nil || row["mean"] != nil || row["covered_seconds"] != nil || row["value_unit"] != "m" {
		t.Errorf("%v", row)
	}
	same(t, Counters, Counter{})
}

func TestRowsSayWhatHistorySays(t *testing.T) {
	f := work.Fill{Serial: "QR-1", Start: noon, End: noon.Add(time.Minute), Seconds: 60, Place: "lead", Volume: 0.25, Flow: 0.25 / 60,
		Corrected: signal.Unknown(), Quality: signal.Good, Counts: true}
	fill := rules.Entry{ID: "gw-1", Event: rules.Event{Kind: rules.FillEvent, Time: f.End, Source: "pump1", Fill: &f, ClockTrusted: true}}
	row := same(t, Fills, fill)[0]
	if row["tag_number"] != "P-1" || row["serial_number"] != "QR-1" || row["volume_cubic_meters"] != json.Number("0.25") ||
		row["corrected_flow_cubic_meters_per_second"] != nil || row["time"] != "2026-11-25T12:01:00Z" || row["counts"] != true {
		t.Errorf("%v", row)
	}
	gap := rules.Entry{Event: rules.Event{Kind: rules.GapEvent, From: "2026-11-25T12:00:00Z", To: "2026-11-25T13:00:00Z",
		Values: []rules.Value{{Name: "not_observed", Value: 3600, Unit: "s"}}}}
	row = same(t, Unobserved, gap)[0]
	if row["from_time"] != "2026-11-25T12:00:00Z" || row["unobserved_seconds"] != json.Number("3600") {
		t.Errorf("%v", row)
	}
	failure := rules.Failure{ID: "F1-20261125", Position: "pump1", State: rules.Confirmed,
		Seen:   &rules.FailureSeen{Time: noon, Alarm: "no_delivery", Mode: "LOO", Impact: rules.Critical, Times: 2, FailureUse: rules.FailureUse{Run: 7200, Starts: 12}},
		Said:   &rules.FailureSaid{Time: noon.Add(time.Hour), By: "M. Okoro", Mode: "BRD", Reason: "shaft broken"},
		Repair: &rules.FailureRepair{Time: noon.Add(2 * time.Hour), Down: 7200, Reason: "pump replaced"}}
	row = same(t, Failures, failure)[0]
	for name, want := range map[string]any{"failure_mode": "BRD", "seen_failure_mode": "LOO", "failure_cause": "shaft broken",
		"operating_time_seconds": json.Number("7200"), "down_time_seconds": json.Number("7200"), "repair": "pump replaced",
		"maintenance_category": "corrective", "seen_times": json.Number("2"), "failure_impact": "critical"} {
		if row[name] != want {
			t.Errorf("%s is %v, want %v", name, row[name], want)
		}
	}
}

// RFC 4180, and the usual guard against text that a spreadsheet runs.
func TestNotesAreSafeForSpreadsheets(t *testing.T) {
	note := func(text string) rules.Entry {
		return rules.Entry{Event: rules.Event{Kind: rules.CommandEvent, Name: string(rules.ServiceDone), Source: "pump1", Reason: text}}
	}
	for _, c := range []struct{ name, text, field string }{
		{"plain", "strainer cleaned", "strainer cleaned"},
		{"comma", "cleaned, refitted", `"cleaned, refitted"`},
		{"quote", `the "old" one`, `"the ""old"" one"`},
		{"lines", "one\r\ntwo", "\"one\r\ntwo\""},
		{"formula", `=HYPERLINK("http://192.0.2.1")`, `"'=HYPERLINK(""http://192.0.2.1"")"`},
		{"command", "@SUM(1)", "'@SUM(1)"},
		{"plus", "+1", "'+1"},
		{"minus", "-2+3", "'-2+3"},
		{"tab", "\t=1", "'\t=1"},
		{"return", "\r=1", "\"'\r=1\""},
		{"space kept", " =1 ", `" =1 "`},
		{"letters", "öldicht – ök", "öldicht – ök"},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := written(t, CSV, Service, note(c.text))
			if !strings.HasSuffix(text, ","+c.field+"\r\n") {
				t.Errorf("%q is written as %q", c.text, text[strings.LastIndex(text, "false"):])
			}
			if c.name != "lines" && c.name != "return" && strings.Count(text, "\n") != 2 {
				t.Errorf("%d lines", strings.Count(text, "\n"))
			}
		})
	}
	if text := written(t, CSV, Readings, rules.Trend{Min: -5}); !strings.Contains(text, ",-5,") {
		t.Errorf("a negative number is spoiled: %q", text)
	}
}

func TestNamesAreUsable(t *testing.T) {
	if names := Names(); len(names) != 10 || slices.Contains(names, "") {
		t.Error(names)
	}
	if _, err := NewSheet(&bytes.Buffer{}, "xml", Runs); err == nil {
		t.Error("a form that nobody knows")
	}
}

// FuzzText: whatever somebody wrote comes back from both forms.
func FuzzText(f *testing.F) {
	for _, s := range []string{"=1+1", `a"b,c`, "line\nline", "é\xff", "\x00\x1f\u2028", " x "} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		row := rules.Entry{Event: rules.Event{Reason: s}}
		lines, err := csv.NewReader(strings.NewReader(written(t, CSV, Service, row))).ReadAll()
		if err != nil || len(lines) != 2 {
			t.Fatalf("%q: %d lines, %v", s, len(lines), err)
		}
		field := lines[1][len(lines[1])-1]
		want := strings.ReplaceAll(s, "\r\n", "\n") // as encoding/csv reads a line's end
		if field != want && field != "'"+want {
			t.Errorf("%q came back as %q", s, field)
		}
		if field != "" && strings.ContainsAny(field[:1], "=+-@\t\r") {
			t.Errorf("%q begins like a formula", field)
		}
		var out map[string]any
		if err := json.Unmarshal([]byte(written(t, JSONLines, Service, row)), &out); err != nil {
			t.Fatal(err)
		}
		if s != "" && out["remarks"] != strings.ToValidUTF8(s, "\ufffd") && out["remarks"] != string([]rune(s)) {
			t.Errorf("%q came back as %q", s, out["remarks"])
		}
	})
}

// BenchmarkPut is a run a row.
func BenchmarkPut(b *testing.B) {
	for _, form := range []Form{CSV, JSONLines} {
		b.Run(string(form), func(b *testing.B) {
			s, err := NewSheet(discard{}, form, Runs)
			if err != nil {
				b.Fatal(err)
			}
			at := &Place{Unit: "AU-7", Tags: map[string]string{"pump1": "P-1"}}
			r := rules.NumberedRun{Number: 123456}
			r.Position, r.Serial, r.Start, r.End, r.Seconds = "pump1", "QR-1", noon, noon.Add(time.Minute), 60.25
			b.ReportAllocs()
			for b.Loop() {
				if err := s.Put(at, &r); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

type discard struct{}

func (discard) Write(p []byte) (int, error) { return len(p), nil }
