package history

import (
	"bytes"
	"fmt"
	"os"
	"testing"
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
)

// written is what this process has given to the disk's queue so far, bytes,
// by the kernel's own count.
func written(b *testing.B) int64 {
	b.Helper()
	raw, err := os.ReadFile("/proc/self/io")
	if err != nil {
		b.Fatal(err)
	}
	for line := range bytes.Lines(raw) {
		var n int64
		if _, err := fmt.Sscanf(string(line), "write_bytes: %d", &n); err == nil {
			return n
		}
	}
	b.Fatal("no write_bytes in /proc/self/io")
	return 0
}

// reportWrites measures the disk writes of the loop, Close included, so that
// checkpoints count.
func reportWrites(b *testing.B, s *Store, rows int, loop func()) {
	b.Helper()
	before := written(b)
	b.ResetTimer()
	loop()
	b.StopTimer()
	committed := s.Stats().CommittedBytes
	if err := s.Close(); err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(float64(written(b)-before)/float64(b.N), "disk-B/op")
	b.ReportMetric(float64(committed)/float64(b.N), "log-B/op")
	b.ReportMetric(float64(rows*b.N)/b.Elapsed().Seconds(), "rows/s")
}

func BenchmarkRecord(b *testing.B) {
	for _, events := range []int{1, 10, 100} {
		for _, state := range []int{0, 4000} {
			b.Run(fmt.Sprintf("events=%d/state=%dB", events, state), func(b *testing.B) {
				s := openStore(b, Options{Dir: b.TempDir()})
				batch := make([]rules.Event, events)
				for i := range batch {
					batch[i] = alarmEvent("low_reserve", alarm.Unacknowledged)
				}
				var saved []byte
				if state > 0 {
					saved = bytes.Repeat([]byte("state"), state/5)
				}
				reportWrites(b, s, events, func() {
					for b.Loop() {
						if _, err := s.Record(b.Context(), "AU-7", batch, nil, saved); err != nil {
							b.Fatal(err)
						}
					}
				})
			})
		}
	}
}

func BenchmarkBeat(b *testing.B) {
	b.Run("payload=500B", func(b *testing.B) {
		s := openStore(b, Options{Dir: b.TempDir()})
		payload := make([]byte, 500)
		reportWrites(b, s, 1, func() {
			for b.Loop() {
				if err := s.Beat("AU-7", payload); err != nil {
					b.Fatal(err)
				}
			}
		})
	})
}

func BenchmarkTrend(b *testing.B) {
	b.Run("series=20", func(b *testing.B) {
		s := openStore(b, Options{Dir: b.TempDir()})
		batch := make([]rules.Trend, 20)
		start := epoch
		reportWrites(b, s, len(batch), func() {
			for b.Loop() {
				start = start.Add(10 * time.Minute)
				for i := range batch {
					batch[i] = rules.Trend{Name: fmt.Sprint("series ", i), Start: start, Seconds: 600, Count: 60, Min: 1.25, Mean: 2.5, Max: 3.75}
				}
				if err := s.Trend(b.Context(), "AU-7", batch); err != nil {
					b.Fatal(err)
				}
			}
		})
	})
}

func BenchmarkEntries(b *testing.B) {
	for _, limit := range []int{1, 500} {
		b.Run(fmt.Sprintf("stored=20000/limit=%d", limit), func(b *testing.B) {
			s := openStore(b, Options{Dir: b.TempDir()})
			batch := make([]rules.Event, 1000)
			for i := range batch {
				batch[i] = machineEvent(i)
			}
			for range 20 {
				record(b, s, batch...)
			}
			after := uint64(0)
			for b.Loop() {
				got, err := s.Entries(b.Context(), after, limit)
				if err != nil || len(got) == 0 {
					b.Fatalf("%d entries after %d, %v", len(got), after, err)
				}
				if after = got[len(got)-1].Seq; after > 19_000 {
					after = 0
				}
			}
		})
	}
}
