package watch

import (
	"sync/atomic"
	"syscall"
	"time"
)

// Clock is the process's one view of time. Elapsed is monotonic since the
// clock was made. It is safe for concurrent use.
//
// The wall clock is trusted while the kernel reports it synchronised. Where
// it does not, it is trusted as long as it has not fallen behind the floor
// (the newest time that history has seen, or the year this program was
// written), unless the site demands synchronisation.
type Clock struct {
	start       time.Time // with its monotonic reading
	floor       atomic.Int64
	requireSync bool
	sources     ClockSources
}

// ClockSources are where a clock has its time from.
type ClockSources struct {
	Wall   func() time.Time
	Synced func() bool // whether something keeps Wall right
}

// SystemClock is the machine's own.
var SystemClock = ClockSources{Wall: time.Now, Synced: kernelSynced}

// earliest is the least wall time that can be right: the program did not
// exist before. A gateway without a battery wakes in 1970 or at its image's
// date.
var earliest = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

// NewClock makes a clock. newest is the newest time that history holds; zero
// where it is empty.
func NewClock(sources ClockSources, newest time.Time, requireSync bool) *Clock {
	c := &Clock{start: time.Now(), requireSync: requireSync, sources: sources}
	floor := earliest
	if newest.After(floor) {
		floor = newest
	}
	c.floor.Store(floor.UnixNano())
	return c
}

// Now is the wall clock (UTC, without monotonic part), the time since the
// clock was made, and whether the wall clock is known to be right.
func (c *Clock) Now() (wall time.Time, elapsed time.Duration, trusted bool) {
	elapsed = time.Since(c.start)
	wall = c.sources.Wall().UTC().Round(0)
	trusted = c.sources.Synced() || (!c.requireSync && wall.UnixNano() >= c.floor.Load())
	return wall, elapsed, trusted
}

// unsynchronised is STA_UNSYNC of adjtimex(2).
const unsynchronised = 0x0040

// kernelSynced asks the kernel whether something disciplines its clock.
func kernelSynced() bool {
	var t syscall.Timex
	_, err := syscall.Adjtimex(&t)
	return err == nil && t.Status&unsynchronised == 0
}
