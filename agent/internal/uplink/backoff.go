package uplink

import (
	"context"
	"time"
)

// pause is the time before connection attempt number attempt (from 0): first,
// doubled each time, at most most. spread, from 0 to 1, takes up to half of it
// away, so that agents which lost one broker together do not return together.
func pause(attempt int, first, most time.Duration, spread float64) time.Duration {
	d := most
	if attempt < 20 {
		d = min(first<<attempt, most)
	}
	return d - time.Duration(spread*float64(d)/2)
}

// rest waits for d, or until ctx ends.
func rest(ctx context.Context, d time.Duration) {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-ctx.Done():
	}
}
