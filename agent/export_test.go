package main

import (
	"context"
	"encoding/csv"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"strokebank/agent/internal/export"
	"strokebank/agent/internal/history"
	"strokebank/configs"
	"strokebank/rules"
	"strokebank/rules/machine"
)

// archive is a history that a test fills through its own writing interface,
// with the configuration that it belongs to: unit AU-7, every signal wired.
type archive struct {
	tb     testing.TB
	config string
	dir    string
	store  *history.Store
	begin  time.Time
}

func newArchive(tb testing.TB) *archive {
	tb.Helper()
	text, err := configs.Example("quillen-reach")
	if err != nil {
		tb.Fatal(err)
	}
	a := &archive{tb: tb, dir: filepath.Join(tb.TempDir(), "history"), begin: time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)}
	a.config = filepath.Join(tb.TempDir(), "site.yaml")
	changed := strings.Replace(string(text), "/var/lib/strokebank", a.dir, 1)
	if err := os.WriteFile(a.config, []byte(changed), 0o600); err != nil {
		tb.Fatal(err)
	}
	a.store, err = history.Open(tb.Context(), history.Options{Dir: a.dir, Agent: "gateway-1", Now: func() time.Time { return a.begin }})
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() {
		if err := a.store.Verify(context.Background()); err != nil {
			tb.Error(err)
		}
		a.store.Close()
	})
	return a
}

// reader reads the archive while it is open.
func (a *archive) reader() *history.Reader {
	a.tb.Helper()
	r, err := history.OpenReader(a.tb.Context(), a.dir)
	if err != nil {
		a.tb.Fatal(err)
	}
	a.tb.Cleanup(func() { r.Close() })
	return r
}

// put writes events and runs of AU-7.
func (a *archive) put(events []rules.Event, runs ...machine.Run) {
	a.tb.Helper()
	for i := range events {
		events[i].Site, events[i].Unit, events[i].ClockTrusted = "quillen-reach", "AU-7", true
	}
	if _, err := a.store.Record(a.tb.Context(), "AU-7", events, runs, nil); err != nil {
		a.tb.Fatal(err)
	}
}

// at is a time after the archive's beginning.
func (a *archive) at(hours float64) time.Time {
	return a.begin.Add(time.Duration(hours * float64(time.Hour)).Round(time.Microsecond))
}

// ran is a run from one hour to another.
func (a *archive) ran(position string, from, to float64) machine.Run {
	start, end := a.at(from), a.at(to)
	return machine.Run{Position: position, Start: start, End: end, Seconds: end.Sub(start).Seconds(), Lead: true, StartSeen: true}
}

// built runs the built program on the archive while the archive is open.
func (a *archive) built(args ...string) string {
	a.tb.Helper()
	path, err := program()
	if err != nil {
		a.tb.Fatal(err)
	}
	cmd := exec.Command(path, args...)
	var out, said strings.Builder
	cmd.Stdout, cmd.Stderr = &out, &said
	if err := cmd.Run(); err != nil {
		a.tb.Fatalf("%s: %v\n%s", strings.Join(args, " "), err, said.String())
	}
	return out.String()
}

// table reads a table of the built program as rows by column.
func (a *archive) table(args ...string) (rows []map[string]string) {
	a.tb.Helper()
	lines, err := csv.NewReader(strings.NewReader(a.built(args...))).ReadAll()
	if err != nil || len(lines) == 0 {
		a.tb.Fatalf("%d lines, %v", len(lines), err)
	}
	for _, line := range lines[1:] {
		row := map[string]string{}
		for i, name := range lines[0] {
			row[name] = line[i]
		}
		rows = append(rows, row)
	}
	return rows
}

// What history holds comes out, in the selected time, with what was not
// observed, while the store is open for writing.
func TestExportOfAnOpenHistory(t *testing.T) {
	a := newArchive(t)
	cut := a.ran("pump2", 30, 31)
	cut.Cut, cut.StartSeen, cut.Doubt = true, false, 600
	a.put([]rules.Event{
		{Kind: rules.AlarmEvent, Time: a.at(1), Source: "pump1", Name: "failed_to_start", From: "normal", To: "unacknowledged", Priority: "medium"},
		{Kind: rules.GapEvent, Time: a.at(31), Source: "unit", Name: "not observed", From: "2026-03-02T06:50:00Z", To: "2026-03-02T07:00:00Z",
			Values: []rules.Value{{Name: "not_observed", Value: 600, Unit: "s"}}},
		{Kind: rules.CommandEvent, Time: a.at(40), Source: "pump1", Name: string(rules.ServiceDone), Title: "strainer", By: "M. Okoro", Reason: "=cleaned"},
		{Kind: rules.CommandEvent, Time: a.at(41), Source: "unit", Name: string(rules.ForgetHeatExchange)},
	}, a.ran("pump1", 1, 1.25), cut)
	if err := a.store.Trend(t.Context(), "AU-7", []rules.Trend{
		{Name: "pressure", Start: a.at(1), Seconds: 60, Count: 60, Min: 8e5, Mean: 8.1e5, Max: 8.2e5},
		{Name: "pressure", Start: a.at(1.02), Seconds: 60, Count: 30, Min: 7e5, Mean: 7.8e5, Max: 8.1e5},
		{Name: "level", Start: a.at(50), Seconds: 60, Count: 60, Min: 1, Mean: 1.1, Max: 1.2}}); err != nil {
		t.Fatal(err)
	}
	runs := a.table("export", a.config, "runs")
	if len(runs) != 2 || runs[0]["tag_number"] == "" || runs[0]["operating_time_seconds"] != "900" || runs[0]["start_time"] != "2026-03-01T01:00:00Z" ||
		runs[1]["doubt_seconds"] != "600" || runs[1]["start_observed"] != "false" || runs[1]["end_observed"] != "false" {
		t.Errorf("%v", runs)
	}
	if alarms := a.table("export", a.config, "alarms"); len(alarms) != 1 || alarms[0]["failure_mode"] != "FTS" || alarms[0]["to_state"] != "unacknowledged" {
		t.Errorf("%v", alarms)
	}
	if gaps := a.table("export", a.config, "unobserved"); len(gaps) != 1 || gaps[0]["unobserved_seconds"] != "600" {
		t.Errorf("%v", gaps)
	}
	if service := a.table("export", a.config, "service"); len(service) != 1 || service[0]["remarks"] != "'=cleaned" || service[0]["task"] != "strainer" {
		t.Errorf("%v", service)
	}
	readings := a.table("export", a.config, "readings")
	if len(readings) != 2 || readings[0]["point"] != "level" || readings[1]["minimum"] != "700000" || readings[1]["readings"] != "90" ||
		readings[1]["maximum"] != "820000" || readings[1]["mean"] != "800000" || readings[1]["value_unit"] != "Pa" || readings[1]["covered_seconds"] != "120" {
		t.Errorf("%v", readings)
	}
	if counters := a.table("export", a.config, "counters"); len(counters) != 4 || counters[2]["position"] != "compressor1" || counters[2]["equipment_class"] != "compressor" {
		t.Errorf("%v", counters)
	}
	for _, c := range []struct {
		flags string
		rows  int
	}{{"-from 2026-03-01T02:00:00Z", 1}, {"-to 2026-03-01T02:00:00Z", 1}, {"-from 2026-02-01 -to 2026-03-04", 2}, {"-from 2026-03-04", 0}, {"-unit AU-7", 2}} {
		if got := a.table(append(append([]string{"export"}, strings.Fields(c.flags)...), a.config, "runs")...); len(got) != c.rows {
			t.Errorf("%s: %d rows, want %d", c.flags, len(got), c.rows)
		}
	}
}

func TestExportOfAllTables(t *testing.T) {
	a := newArchive(t)
	a.put(nil, a.ran("pump1", 1, 2))
	to := filepath.Join(t.TempDir(), "tables")
	if said, code := atShell(t, "export", "-dir", to, a.config); code != exitOK {
		t.Fatal(code, said)
	}
	files, err := filepath.Glob(filepath.Join(to, "*"))
	if err != nil || len(files) != len(export.Names()) {
		t.Errorf("%v, %v", files, err)
	}
	said, code := atShell(t, "export", "-form", "jsonl", a.config)
	if lines := strings.Count(said, "\n"); code != exitOK || lines != 5 || !strings.HasPrefix(said, `{"table":"runs","unit":"AU-7"`) {
		t.Errorf("exit code %d, %d lines:\n%s", code, lines, said)
	}
	if said, code := atShell(t, "export", "-columns"); code != exitOK || said != export.Reference() {
		t.Errorf("exit code %d: %.80s", code, said)
	}
}

func TestExportRefusals(t *testing.T) {
	a := newArchive(t)
	for _, c := range []struct {
		name, args, says string
		code             int
	}{
		{"no file", "", "wants a configuration FILE", exitUsage},
		{"no such table", a.config + " valves", "there is no table", exitUsage},
		{"several tables into one", a.config, "do not fit into one CSV", exitUsage},
		{"a form", "-form xml " + a.config + " runs", "use csv or jsonl", exitUsage},
		{"a step", "-step 7m " + a.config + " readings", "a part of a day", exitUsage},
		{"a time", "-from yesterday " + a.config + " runs", "neither a date", exitUsage},
		{"an end before its beginning", "-from 2026-03-02 -to 2026-03-01 " + a.config + " runs", "is not before", exitUsage},
		{"another unit", "-unit AU-8 " + a.config + " runs", "but AU-7", exitUsage},
	} {
		t.Run(c.name, func(t *testing.T) {
			if said, code := atShell(t, append([]string{"export"}, strings.Fields(c.args)...)...); code != c.code || !strings.Contains(said, c.says) {
				t.Errorf("exit code %d: %s", code, said)
			}
		})
	}
	if err := os.Rename(a.dir, a.dir+"-away"); err != nil {
		t.Fatal(err)
	}
	if said, code := atShell(t, "export", a.config, "runs"); code != exitFailed || !strings.Contains(said, "no such file") {
		t.Errorf("without a history: exit code %d: %s", code, said)
	}
	if err := os.Rename(a.dir+"-away", a.dir); err != nil {
		t.Fatal(err)
	}
}

// BenchmarkExportRuns has the built program export runs to a file, and reports
// how long it took, on how much of the processor, and the most memory that it
// held.
func BenchmarkExportRuns(b *testing.B) {
	const n = 1_000_000
	a := newArchive(b)
	runs := make([]machine.Run, 0, 5000)
	for i := range n {
		runs = append(runs, a.ran([]string{"pump1", "pump2"}[i%2], float64(i)/100, float64(i)/100+0.009))
		if len(runs) == cap(runs) {
			a.put(nil, runs...)
			runs = runs[:0]
		}
	}
	path := filepath.Join(b.TempDir(), "strokebank")
	if out, err := exec.Command("go", "build", "-o", path, ".").CombinedOutput(); err != nil {
		b.Fatalf("%v\n%s", err, out)
	}
	for _, form := range []export.Form{export.CSV, export.JSONLines} {
		b.Run(fmt.Sprintf("runs=%d/%s", n, form), func(b *testing.B) {
			most, busy := int64(0), time.Duration(0)
			for b.Loop() {
				to, err := os.Create(filepath.Join(b.TempDir(), "runs"))
				if err != nil {
					b.Fatal(err)
				}
				cmd := exec.Command(path, "export", "-form", string(form), a.config, "runs")
				cmd.Stdout = to
				if err := cmd.Run(); err != nil {
					b.Fatal(err)
				}
				to.Close()
				busy += cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()
				most = max(most, cmd.ProcessState.SysUsage().(*syscall.Rusage).Maxrss)
			}
			b.ReportMetric(float64(most)/1024, "MiB")
			b.ReportMetric(busy.Seconds()/float64(b.N), "cpu-s/op")
		})
	}
}
