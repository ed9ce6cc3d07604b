package watch

import (
	"sync"

	"strokebank/rules"
)

// Board shows the latest assessment of every unit to whoever asks: metrics,
// page and messages. It holds one assessment a unit and no queue; a slow
// reader only ever misses what is no longer the latest. Safe for concurrent
// use; what it hands out is never changed again.
type Board struct {
	mu      sync.Mutex
	units   []*rules.Assessment // in the order the units were named
	at      map[string]int
	changed chan struct{}
}

// NewBoard makes a board for the units, in the order they shall be shown.
func NewBoard(units []string) *Board {
	b := &Board{units: make([]*rules.Assessment, len(units)), at: map[string]int{}, changed: make(chan struct{})}
	for i, name := range units {
		b.at[name] = i
	}
	return b
}

// Show puts an assessment up. The caller hands it over and must not change
// it afterwards.
func (b *Board) Show(a *rules.Assessment) {
	b.mu.Lock()
	defer b.mu.Unlock()
	i, ok := b.at[a.Unit]
	if !ok {
		return
	}
	b.units[i] = a
	close(b.changed)
	b.changed = make(chan struct{})
}

// Latest is the latest assessment of each unit that has one.
func (b *Board) Latest() []*rules.Assessment {
	b.mu.Lock()
	defer b.mu.Unlock()
	out := make([]*rules.Assessment, 0, len(b.units))
	for _, a := range b.units {
		if a != nil {
			out = append(out, a)
		}
	}
	return out
}

// Changed is closed when the next assessment is shown.
func (b *Board) Changed() <-chan struct{} {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.changed
}
