package watch

import (
	"sync"

	"strokebank/rules"
	"strokebank/rules/machine"
)

// mostEvents bounds what waits for a disk that hangs: hours of alarms and
// starts. Past it the oldest go, counted.
const mostEvents = 10_000

// parcel is what one or more steps leave for the record.
type parcel struct {
	events []rules.Event
	runs   []machine.Run
	trends []rules.Trend
	state  []byte // newest wins
	beat   []byte // newest wins
	latest *rules.Assessment
	orders []*order // that wait for the events above to be recorded
	lost   int      // events and runs dropped because too many waited
}

// mailbox stands between the step, which must not wait, and the record, which
// waits for the disk. What comes while a record is under way is merged, so
// that a slow disk gets one larger commit instead of a queue of small ones.
type mailbox struct {
	mu    sync.Mutex
	held  parcel
	ready chan struct{} // capacity 1
}

func newMailbox() *mailbox { return &mailbox{ready: make(chan struct{}, 1)} }

// put merges p behind what is held. It never blocks.
func (m *mailbox) put(p parcel) {
	m.mu.Lock()
	m.held = merge(m.held, p)
	m.mu.Unlock()
	select {
	case m.ready <- struct{}{}:
	default:
	}
}

// putBack returns a parcel that could not be recorded, before what came since.
func (m *mailbox) putBack(p parcel) {
	m.mu.Lock()
	m.held = merge(p, m.held)
	m.mu.Unlock()
}

// take empties the mailbox.
func (m *mailbox) take() parcel {
	m.mu.Lock()
	defer m.mu.Unlock()
	p := m.held
	m.held = parcel{}
	return p
}

// merge joins two parcels, b being the newer.
func merge(a, b parcel) parcel {
	a.events = append(a.events, b.events...)
	a.runs = append(a.runs, b.runs...)
	a.trends = append(a.trends, b.trends...)
	a.orders = append(a.orders, b.orders...)
	a.lost += b.lost
	if b.state != nil {
		a.state = b.state
	}
	if b.beat != nil {
		a.beat = b.beat
	}
	if b.latest != nil {
		a.latest = b.latest
	}
	a.events, a.lost = newest(a.events, a.lost)
	a.runs, a.lost = newest(a.runs, a.lost)
	a.trends, _ = newest(a.trends, 0) // a trend may go
	return a
}

// newest keeps the last mostEvents of list and counts the others as lost.
func newest[T any](list []T, lost int) ([]T, int) {
	over := len(list) - mostEvents
	if over <= 0 {
		return list, lost
	}
	return append([]T(nil), list[over:]...), lost + over
}
