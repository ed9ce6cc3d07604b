package sensors

import (
	"sync"
	"time"

	"strokebank/sensors/signal"
)

// cell is the newest that is known about one point.
type cell struct {
	reading signal.Reading
	elapsed time.Duration // monotonic, when the reading was taken
	trusted bool          // whether its time is known to be right
}

// at is the reading as it stands at elapsed. A value that was not refreshed
// becomes uncertain once it is older than one scan and bad once it is older
// than three; a reading that is bad keeps its cause. A tenth of a scan is
// allowed for the jitter of the ticks.
func (c cell) at(elapsed time.Duration, trusted bool, scan time.Duration) signal.Reading {
	r := c.reading
	age := elapsed - c.elapsed
	switch {
	case !r.Known():
		return r
	case age > 3*scan+scan/10:
		return signal.Missing(r.Unit, signal.Stale, r.Time)
	case age > scan+scan/10:
		r = r.Degrade(signal.Uncertain, signal.Late)
	}
	if !trusted || !c.trusted {
		r = r.Degrade(signal.Uncertain, signal.ClockUntrusted)
	}
	return r
}

// board holds the newest of everything on one link. The link's owner writes;
// the units that use the link read. Safe for concurrent use.
type board struct {
	mu       sync.Mutex
	cells    []cell
	link     cell
	finished time.Time // the newest tick whose readings are complete
	stats    LinkStats
	watchers []chan<- struct{} // each of capacity 1; filled before anything runs
}

// put replaces cells by a function of their index.
func (b *board) put(indices []int, elapsed time.Duration, trusted bool, reading func(i int) signal.Reading) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, i := range indices {
		b.cells[i] = cell{reading(i), elapsed, trusted}
	}
}

func (b *board) putLink(r signal.Reading, elapsed time.Duration, trusted bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.link = cell{r, elapsed, trusted}
}

func (b *board) cell(i int) cell {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.cells[i]
}

func (b *board) linkCell() cell {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.link
}

// count changes the statistics.
func (b *board) count(change func(*LinkStats)) {
	b.mu.Lock()
	defer b.mu.Unlock()
	change(&b.stats)
}

// finish says that all readings up to tick are in, and wakes who waits for it.
func (b *board) finish(tick time.Time) {
	b.mu.Lock()
	b.finished = tick
	b.mu.Unlock()
	for _, w := range b.watchers {
		select {
		case w <- struct{}{}:
		default: // already told, not yet looked
		}
	}
}

func (b *board) hasFinished(tick time.Time) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return !b.finished.Before(tick)
}
