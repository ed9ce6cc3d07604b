package machine

import (
	"time"

	"strokebank/sensors/signal"
)

// tally holds the panel's own counter or hour meter against the program's
// count, to learn what happened while nobody watched. It errs on the low side:
// a meter's resolution, or a counter that runs late, can leave part of a gap
// unfilled but never counts anything twice.
type tally struct {
	// Offset is the most that the panel's figure was seen to be ahead of ours.
	Offset float64 `json:"offset"`
	Last   float64 `json:"last"`
	Set    bool    `json:"set"`
	// Open is the unobserved time that was not held against the figure yet.
	Open time.Duration `json:"open_ns"`
}

// missed is what the panel's figure has counted in the open gap beyond
// counted, at most limit(gap); it closes the gap. While r is bad the gap
// stays open. A figure that went back was reset or exchanged: nothing can be
// said of the gap then.
func (t *tally) missed(r signal.Reading, counted float64, limit func(time.Duration) float64) float64 {
	if !r.Known() {
		return 0
	}
	gap, back := t.Open, !t.Set || r.Value < t.Last
	t.Set, t.Last, t.Open = true, r.Value, 0
	ahead := r.Value - counted
	if back {
		t.Offset = ahead
		return 0
	}
	more := ahead - t.Offset
	if more <= 0 {
		return 0
	}
	fill := 0.0
	if gap > 0 {
		fill = min(more, limit(gap))
	}
	// What is not filled is the panel's to know: a run shorter than a scan, or
	// another use of the counter. It must not fill a later gap.
	t.Offset += more - fill
	return fill
}

// mostStarts is what fits into a gap at all: a start a second.
func mostStarts(gap time.Duration) float64 { return 1 + float64(gap/time.Second) }

// mostRun is the gap itself, s.
func mostRun(gap time.Duration) float64 { return gap.Seconds() }
