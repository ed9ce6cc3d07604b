package main

import (
	"fmt"
	"io"
	"math"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"

	"strokebank/rules"
	"strokebank/rules/machine"
	"strokebank/rules/machine/work"
	"strokebank/sensors/signal"
)

// filledYear is a year in history: trends in rows of ten minutes that nobody
// has made coarser yet, and so many runs with their fills.
func filledYear(tb testing.TB, runs int, trends ...string) *archive {
	tb.Helper()
	a := newArchive(tb)
	for day := range 365 {
		var rows []rules.Trend
		for i := range 144 {
			for _, name := range trends {
				v := 10 + math.Sin(float64(day*144+i)/300)
				rows = append(rows, rules.Trend{Name: name, Start: a.at(float64(day)*24 + float64(i)/6), Seconds: 600, Count: 600, Min: v - 1, Mean: v, Max: v + 1})
			}
		}
		if err := a.store.Trend(tb.Context(), "AU-7", rows); err != nil {
			tb.Fatal(err)
		}
	}
	var events []rules.Event
	var list []machine.Run
	for i := range runs {
		from := float64(i) * 365 * 24 / float64(runs)
		r := a.ran([]string{"pump1", "pump2"}[i%2], from, from+0.05)
		list = append(list, r)
		f := work.Fill{Position: r.Position, Start: r.Start, End: r.End, Seconds: r.Seconds, Corrected: signal.Number(4e-4 * (1 - float64(i)/float64(runs)/10)), Counts: true}
		events = append(events, rules.Event{Kind: rules.FillEvent, Time: r.End, Source: r.Position, Name: "filled", Fill: &f})
		if len(list) == 500 || i == runs-1 {
			a.put(events, list...)
			events, list = nil, nil
		}
	}
	return a
}

// A year of trends and runs makes a page that is no larger than that of a week.
func TestReportOfAYear(t *testing.T) {
	a := filledYear(t, 1000, "reserve_at_least")
	page, code := atShell(t, "report", a.config)
	if code != exitOK || len(page) > 200_000 {
		t.Errorf("exit code %d, %d bytes", code, len(page))
	}
	contains(t, page, "from 2026-03-01 00:00", "to 2027-02-28 23:50", "pump1 (P-71) 25.00 h 50 % 500 50 %", "h each week", "The least was at least 8 cycles")
}

// BenchmarkReportYear has the program report a year and says how long it took
// of the processor, and the most memory that it held.
func BenchmarkReportYear(b *testing.B) {
	const runs = 14_600
	a := filledYear(b, runs, "pressure", "level", "oil_volume", "air_ratio", "reserve_at_least", "reserve_expected")
	path := filepath.Join(b.TempDir(), "strokebank")
	if out, err := exec.Command("go", "build", "-o", path, ".").CombinedOutput(); err != nil {
		b.Fatalf("%v\n%s", err, out)
	}
	b.Run(fmt.Sprintf("trends=6x52560/runs=%d", runs), func(b *testing.B) {
		most, busy := int64(0), 0.0
		for b.Loop() {
			cmd := exec.Command(path, "report", a.config)
			cmd.Stdout = io.Discard
			if err := cmd.Run(); err != nil {
				b.Fatal(err)
			}
			busy += (cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()).Seconds()
			most = max(most, cmd.ProcessState.SysUsage().(*syscall.Rusage).Maxrss)
		}
		b.ReportMetric(float64(most)/1024, "MiB")
		b.ReportMetric(busy/float64(b.N), "cpu-s/op")
	})
}
