package dashboard

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
)

// board holds the present assessments, as the life of the units would.
type board struct {
	mu      sync.Mutex
	units   []*rules.Assessment
	changed chan struct{}
}

func newBoard(a ...*rules.Assessment) *board {
	return &board{units: a, changed: make(chan struct{})}
}

func (b *board) Latest() []*rules.Assessment {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]*rules.Assessment(nil), b.units...)
}

func (b *board) Changed() <-chan struct{} {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.changed
}

func (b *board) set(a ...*rules.Assessment) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.units = a
	close(b.changed)
	b.changed = make(chan struct{})
}

// book holds events; err makes it unreadable, and read is called when a search
// has found its answer.
type book struct {
	mu      sync.Mutex
	entries []rules.Entry
	err     error
	read    func()
}

// add records one more while others read.
func (b *book) add(e rules.Entry) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.entries = append(b.entries, e)
}

func (b *book) Newest() uint64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	return uint64(len(b.entries))
}

func (b *book) Journal(_ context.Context, q rules.Search) ([]rules.Entry, error) {
	if b.read != nil {
		defer b.read()
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	var found []rules.Entry
	for _, e := range slices.Backward(b.entries) {
		if q.Fits(&e) && len(found) < q.Limit {
			found = append(found, e)
		}
	}
	return found, b.err
}

func (b *book) Entries(_ context.Context, after uint64, limit int) ([]rules.Entry, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.err != nil {
		return nil, b.err
	}
	var out []rules.Entry
	for _, e := range b.entries {
		if e.Seq > after && len(out) < limit {
			out = append(out, e)
		}
	}
	return out, nil
}

// journal is n events of AU-7, a minute apart, the last one at t.
func journal(t time.Time, n int) *book {
	b := &book{}
	for i := 1; i <= n; i++ {
		e := rules.Event{
			Kind: rules.MachineEvent, Time: t.Add(time.Duration(i-n) * time.Minute), ClockTrusted: true,
			Site: "Quillen Reach", Unit: "AU-7", Source: "pump1", Name: "started",
		}
		if i%5 == 0 {
			e.Kind, e.Source, e.Name, e.Title = rules.AlarmEvent, "unit", "low_level", "Low level"
			e.From, e.To, e.Priority = "normal", "unacknowledged", alarm.Medium
		} else if i%2 == 0 {
			e.Name = "stopped"
		}
		b.entries = append(b.entries, rules.Entry{Schema: 1, ID: fmt.Sprintf("q7-%d", i), Seq: uint64(i), Durable: true, Event: e})
	}
	return b
}
