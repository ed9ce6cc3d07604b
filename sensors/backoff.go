package sensors

import (
	"math/rand/v2"
	"time"
)

// longestWait bounds the wait between two attempts. A device that comes back
// is seen after at most this, and after at most twice the outage.
const longestWait = 30 * time.Second

// backoff spaces the attempts on something that fails. The first attempt after
// a failure is due at once, because most failures are a restarted device or a
// dropped connection and a witness should not be blind for longer than those;
// then the wait is one scan, doubled each time up to longestWait, shortened by
// up to half at random so that many links do not try in step.
type backoff struct {
	failures int
	next     time.Time
}

func (b *backoff) due(now time.Time) bool { return !now.Before(b.next) }

func (b *backoff) fail(now time.Time, scan time.Duration, random *rand.Rand) {
	b.failures++
	b.next = now
	if b.failures == 1 {
		return
	}
	longest := max(longestWait, scan)
	wait := longest
	if doublings := b.failures - 2; doublings < 16 {
		wait = min(scan<<doublings, longest)
	}
	b.next = now.Add(wait/2 + time.Duration(random.Int64N(int64(wait/2)+1)))
}

func (b *backoff) reset() { *b = backoff{} }
