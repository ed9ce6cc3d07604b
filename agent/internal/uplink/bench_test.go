package uplink

import (
	"fmt"
	"testing"
)

// BenchmarkDrain is a backlog on its way through a real broker to a real
// subscriber; one operation is the whole backlog.
func BenchmarkDrain(b *testing.B) {
	for _, events := range []int{10_000, 50_000} {
		b.Run(fmt.Sprintf("events=%d/window=%d", events, window), func(b *testing.B) {
			server := newBroker(b)
			got := subscribe(b, server.url(), "strokebank/+/+/event")
			for b.Loop() {
				box := newBook(events)
				u := start(b, config(server.url()), box, newBoard(assessment(1)))
				numbers(b, got, 1, uint64(events))
				u.stop()
			}
			b.ReportMetric(float64(events)*float64(b.N)/b.Elapsed().Seconds(), "events/s")
		})
	}
}

// BenchmarkDue is what one scan costs while nothing is new.
func BenchmarkDue(b *testing.B) {
	s := newShown(normal.settled, normal.settled)
	a := assessment(1)
	if _, err := s.due(a, 0); err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if out, err := s.due(a, 1); err != nil || len(out) != 0 {
			b.Fatal(out, err)
		}
	}
}
