package rules

import (
	"time"

	"strokebank/sensors/signal"
)

// clockStep is how far the wall clock may drift from the monotonic one between
// two scans before it counts as a correction. A disciplined clock slews by at
// most 0.5 ms a second (adjtimex(2)); what is more was set.
const clockStep = 2 * time.Second

// timekeeper notices that the wall clock was corrected or became trusted.
// Durations never come from it: they come from the monotonic clock.
type timekeeper struct {
	started bool
	wall    time.Time
	elapsed time.Duration
	trusted bool
}

// step takes a scan's clocks in. shift is by how much the wall clock was
// corrected since the scan before, gained that it has become trusted, lost
// that it no longer is.
func (k *timekeeper) step(scan *signal.Scan) (shift time.Duration, gained, lost bool) {
	if k.started {
		shift = scan.Time.Sub(k.wall) - (scan.Elapsed - k.elapsed)
		if shift.Abs() < clockStep {
			shift = 0
		}
		gained = scan.ClockTrusted && !k.trusted
		lost = !scan.ClockTrusted && k.trusted
	}
	k.started, k.wall, k.elapsed, k.trusted = true, scan.Time, scan.Elapsed, scan.ClockTrusted
	return shift, gained, lost
}
