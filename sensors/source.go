package sensors

import (
	"context"
	"errors"
	"sync"
	"time"

	"strokebank/sensors/signal"
)

// Source gives the scans of one unit. Points may be called from anywhere, Next
// from one goroutine at a time.
type Source struct {
	unit   string
	points []signal.Point
	places []place  // of the points, in their order
	boards []*board // of the links, in the order of first use
	period time.Duration
	clock  Clock

	wake    chan struct{}    // capacity 1: a link has finished a scan
	box     chan signal.Scan // capacity 1: when full, the older scan is dropped and counted
	stopped chan struct{}    // closed when Run ends

	mu    sync.Mutex
	stats UnitStats
}

// place is where a point's newest reading stands.
type place struct {
	board *board
	index int
}

// Points are the points of every scan, in the order of its readings: those of
// the unit, then the state of each link that it uses (signal.OfLink, Boolean:
// on while some device on the link answered in the link's last scan). The
// slice is shared: not to be changed.
func (s *Source) Points() []signal.Point { return s.points }

var errStopped = errors.New("polling has stopped")

// Next waits for the unit's next scan. A scan is assembled as soon as every
// link of the unit has finished its own, at the latest one scan period after
// its tick; what a link has not brought by then keeps its age. A consumer that
// is slower than the plant gets the newest scan only; Scan.Number shows the
// gap. The error is that of ctx, or says that Run has ended.
func (s *Source) Next(ctx context.Context) (signal.Scan, error) {
	select {
	case scan := <-s.box:
		return scan, nil
	case <-s.stopped:
		return signal.Scan{}, errStopped
	case <-ctx.Done():
		return signal.Scan{}, ctx.Err()
	}
}

// run assembles a scan for every tick, epoch being the first.
func (s *Source) run(ctx context.Context, epoch time.Time) {
	defer close(s.stopped)
	tick := epoch
	for s.await(ctx, tick) {
		s.post(s.assemble())
		newest, passed := newestTick(tick, time.Now(), s.period)
		if passed == 0 {
			tick = tick.Add(s.period)
			continue
		}
		s.miss(passed - 1)
		tick = newest
	}
}

// await waits until every link has finished tick or the scan period is over.
func (s *Source) await(ctx context.Context, tick time.Time) bool {
	deadline := time.NewTimer(time.Until(tick.Add(s.period)))
	defer deadline.Stop()
	for !s.complete(tick) {
		select {
		case <-s.wake:
		case <-deadline.C:
			return ctx.Err() == nil
		case <-ctx.Done():
			return false
		}
	}
	return ctx.Err() == nil
}

func (s *Source) complete(tick time.Time) bool {
	for _, b := range s.boards {
		if !b.hasFinished(tick) {
			return false
		}
	}
	return true
}

func (s *Source) assemble() signal.Scan {
	cells := make([]cell, 0, len(s.points))
	for _, p := range s.places {
		cells = append(cells, p.board.cell(p.index))
	}
	for _, b := range s.boards {
		cells = append(cells, b.linkCell())
	}
	// Only now the time, so that no reading is younger than its scan.
	wall, elapsed, trusted := s.clock.Now()
	readings := make([]signal.Reading, len(cells))
	for i, c := range cells {
		readings[i] = c.at(elapsed, trusted, s.period)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.stats.Scans++
	return signal.Scan{Number: s.stats.Scans, Time: wall.UTC(), Elapsed: elapsed,
		ClockTrusted: trusted, Readings: readings}
}

// post puts the scan into the box. Only this goroutine sends, so the box has
// room once the older scan is out.
func (s *Source) post(scan signal.Scan) {
	select {
	case <-s.box:
		s.miss(1)
	default:
	}
	s.box <- scan
}

func (s *Source) miss(n uint64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.stats.MissedScans += n
}
