package main

import (
	"bytes"
	"context"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"strokebank/agent/internal/recording"
	"strokebank/configs"
	"strokebank/sensors/signal"
)

// BenchmarkReplayDay replays a day of a unit with everything wired at a scan a
// second: as a table of some 40 columns, and as a recording.
func BenchmarkReplayDay(b *testing.B) {
	dir := b.TempDir()
	table := filepath.Join(dir, "day.csv")
	file, err := os.Create(table)
	if err != nil {
		b.Fatal(err)
	}
	writeRun(b, file, 5, time.Second, 24*time.Hour)
	if err := file.Close(); err != nil {
		b.Fatal(err)
	}
	text, err := os.ReadFile(table)
	if err != nil {
		b.Fatal(err)
	}
	columns := bytes.Count(text[:bytes.IndexByte(text, '\n')], []byte(","))
	tape := filepath.Join(dir, "tape")
	size := tapeOf(b, table, tape)
	for _, c := range []struct{ name, path string }{{"table", table}, {"tape", tape}} {
		b.Run("from="+c.name, func(b *testing.B) {
			var most uint64
			for b.Loop() {
				stop := make(chan struct{})
				peak := make(chan uint64)
				go func() { peak <- watchHeap(stop) }()
				if code := dispatch(b.Context(), shell{nil, io.Discard, io.Discard}, []string{"replay", quillen, c.path}); code != exitOK {
					b.Fatalf("exit code %d", code)
				}
				close(stop)
				most = max(most, <-peak)
			}
			b.ReportMetric(float64(columns), "columns")
			b.ReportMetric(float64(most)/1e6, "MB-from-system")
			b.ReportMetric(float64(size)/1e6, "MB-tape")
		})
	}
}

// watchHeap is the most memory that the runtime had from the system.
func watchHeap(stop <-chan struct{}) (most uint64) {
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-stop:
			return most
		case <-tick.C:
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			most = max(most, m.Sys)
		}
	}
}

// tapeOf records what a table holds, as the agent would, and gives its size.
func tapeOf(tb testing.TB, table, dir string) (size int64) {
	tb.Helper()
	text, err := os.ReadFile(quillen)
	if err != nil {
		tb.Fatal(err)
	}
	cfg, err := configs.Parse(bytes.NewReader(text))
	if err != nil {
		tb.Fatal(err)
	}
	file, err := os.Open(table)
	if err != nil {
		tb.Fatal(err)
	}
	defer file.Close()
	in, err := newTable(table, file, new(meter), &cfg.Units[0])
	if err != nil {
		tb.Fatal(err)
	}
	recorder, err := recording.New(recording.Options{Dir: dir, Most: 1 << 30})
	if err != nil {
		tb.Fatal(err)
	}
	unit := cfg.Units[0].Rules
	tape := recorder.Tape(recording.Header{Site: unit.Site, Unit: unit.Unit, Settings: settingsOf(cfg, unit.Unit), Points: in.begin.points}, nil, nil)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- recorder.Run(ctx) }()
	for n := 1; ; n++ {
		var it fed
		if err := in.next(&it); err == io.EOF {
			break
		} else if err != nil {
			tb.Fatal(err)
		}
		it.Scan.Readings = append([]signal.Reading(nil), it.Scan.Readings...)
		tape.Step(nil, it.Scan, nil)
		if n%200 == 0 { // the queue holds more, and a bench may wait
			time.Sleep(5 * time.Millisecond)
		}
	}
	tape.Judged(1, true)
	cancel()
	if err := <-ended; err != nil {
		tb.Fatal(err)
	}
	files, err := recording.Files(dir)
	if err != nil {
		tb.Fatal(err)
	}
	for _, f := range files {
		size += f.Size
	}
	return size
}
