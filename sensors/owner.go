package sensors

import (
	"context"
	"hash/fnv"
	"log/slog"
	"math/rand/v2"
	"time"
)

// owner is the one goroutine that speaks on a link.
type owner struct {
	link    Link
	points  []Point
	devices []*device
	board   *board
	conn    connection
	clock   Clock
	log     *slog.Logger
	random  *rand.Rand
	retry   backoff   // after dials that failed
	up      bool      // some device answered when last asked
	known   bool      // up has been found out
	opens   int       // dials that succeeded
	tick    time.Time // of the scan under way

	// During one scan:
	answered bool  // some device answered
	failed   error // the last failure of the link or of a device
}

func newOwner(l Link, points []Point, b *board, c Clock, log *slog.Logger) *owner {
	seed := fnv.New64a()
	seed.Write([]byte(l.Name + "\x00" + l.Address))
	return &owner{
		link: l, points: points, devices: devicesOf(Plan(points, l.Gap)), board: b,
		conn:  connection{link: l, open: open, log: log},
		clock: c, log: log, random: rand.New(rand.NewPCG(seed.Sum64(), 0)),
	}
}

// run scans the link at every tick, epoch being the first, until ctx ends. It
// returns within one answer's timeout of that.
func (o *owner) run(ctx context.Context, epoch time.Time) {
	defer o.conn.drop()
	tick := epoch
	for waitUntil(ctx, tick) {
		began := time.Now()
		o.scan(ctx, tick)
		if ctx.Err() != nil {
			return
		}
		now := time.Now()
		newest, passed := newestTick(tick, now, o.link.Period)
		o.board.count(func(s *LinkStats) {
			s.ScanDuration = now.Sub(began)
			s.MissedScans += passed
			s.Up = o.up
		})
		o.board.finish(newest)
		tick = newest.Add(o.link.Period)
	}
}

// newestTick is the last tick that has come by now, and how many after tick
// that is. Ticks are absolute: what was missed is left out, not caught up.
func newestTick(tick, now time.Time, period time.Duration) (newest time.Time, passed uint64) {
	n := max(0, now.Sub(tick)/period)
	return tick.Add(n * period), uint64(n)
}

// waitUntil reports false where ctx ends first.
func waitUntil(ctx context.Context, tick time.Time) bool {
	timer := time.NewTimer(time.Until(tick))
	defer timer.Stop()
	select {
	case <-timer.C:
		return ctx.Err() == nil
	case <-ctx.Done():
		return false
	}
}

// scan reads every device that answers, then gives one silent device a try:
// one only and last, so that its silence costs the others nothing. A device
// that has just fallen silent is due at once, so a dropped connection or a
// lost answer is mended within the scan that met it.
func (o *owner) scan(ctx context.Context, tick time.Time) {
	o.answered, o.failed, o.tick = false, nil, tick
	reached := true
	for _, d := range o.devices {
		if reached && !d.silent {
			reached = o.visit(ctx, d)
		}
	}
	if now := time.Now(); reached {
		if d := longestOverdue(o.devices, now); d != nil && o.hasTime(d, tick, now) {
			o.visit(ctx, d)
		}
	}
	if ctx.Err() == nil {
		o.judge()
	}
}

// hasTime reports whether a silent device can be tried without running past
// the scan. One that has waited for five scans is tried all the same.
func (o *owner) hasTime(d *device, tick, now time.Time) bool {
	end := tick.Add(o.link.Period)
	return !now.Add(o.link.Timeout).After(end) || now.Sub(d.retry.next) > 5*o.link.Period
}
