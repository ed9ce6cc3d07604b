package sensors

import (
	"context"
	"time"

	"strokebank/sensors/register"
	"strokebank/sensors/signal"
)

// visit reads everything on a device until it falls silent. It reports false
// where the link is not open or ctx has ended.
func (o *owner) visit(ctx context.Context, d *device) bool {
	for i := 0; i < len(d.asks); i++ {
		a := &d.asks[i]
		// The first is asked in any case, to see whether the device is there.
		if i > 0 && !a.retry.due(time.Now()) {
			continue
		}
		if !o.connect(ctx) {
			return false
		}
		if d.owing(time.Now()) {
			return true
		}
		words, err := o.conn.client.ask(a.Request)
		f := faultOf(err)
		o.board.count(func(s *LinkStats) { s.note(f) })
		switch f {
		case noFault:
			o.take(a, words)
		case refused, notHere:
			if o.refuse(d, i, f, err) {
				i-- // the first part stands here now
			}
		case unreachable: // the gateway's answer: the connection is sound
			o.answered = true
			o.silence(d, a.Request, err)
			return true
		default:
			if o.link.Via == TCP || f == broken {
				o.conn.drop()
			}
			o.silence(d, a.Request, err)
			o.owe(d, a.Request, f)
			return true
		}
	}
	if d.silent && d.retry.failures > 1 {
		o.log.Info("device answers again", "link", o.link.Name, "device", d.id)
	}
	d.silent = false
	d.retry.reset()
	return true
}

// connect opens the link if it is closed and a dial is due.
func (o *owner) connect(ctx context.Context) bool {
	if ctx.Err() != nil {
		return false
	}
	if o.conn.client != nil {
		return true
	}
	wait := o.link.Timeout
	if o.conn.dialing() {
		wait = 0 // it had its time; only look whether it has come to an end
	} else if !o.retry.due(time.Now()) {
		return false
	}
	if err := o.conn.connect(ctx, wait); err != nil {
		o.unreached(err)
		return false
	}
	o.retry.reset()
	o.opens++
	if o.opens > 1 {
		o.board.count(func(s *LinkStats) { s.Reconnects++ })
	}
	if o.link.Via != TCP {
		// Whoever had the line before may have left a question behind.
		for _, d := range o.devices {
			d.owes = time.Now().Add(o.link.longestAnswer())
		}
	}
	return true
}

// owe notes, on a line, how long the answer that did not come may still come.
// The device is not asked before that, nor again in this scan; then it is
// asked something else first, where there is something else.
func (o *owner) owe(d *device, r Request, f fault) {
	if o.link.Via == TCP {
		return
	}
	wait := o.link.answerEnd(r)
	if f == timedOut {
		wait -= o.link.Timeout // this much has gone by
	}
	d.owes = time.Now().Add(wait)
	if next := o.tick.Add(o.link.Period); next.After(d.owes) {
		d.owes = next
	}
	d.startApart(r)
}

// unreached notes a dial that failed or takes too long.
func (o *owner) unreached(err error) {
	o.failed = err
	if o.conn.dialing() {
		return
	}
	o.board.count(func(s *LinkStats) { s.DialFailures++ })
	o.retry.fail(time.Now(), o.link.Period, o.random)
	if o.retry.failures > 1 {
		for _, d := range o.devices {
			d.forget()
		}
	}
}

// take puts the words of an answer where they belong.
func (o *owner) take(a *ask, words []uint16) {
	o.answered = true
	if a.bad {
		o.log.Info("read accepted again", "link", o.link.Name, "device", a.Device, "read", o.link.place(a.Request))
	}
	a.bad = false
	a.retry.reset()
	wall, elapsed, trusted := o.clock.Now()
	o.board.put(a.Points, elapsed, trusted, func(i int) signal.Reading {
		s := o.points[i].Spec
		return s.Reading(register.Decode(s, words[s.Address-a.Address:]), wall.UTC())
	})
}

// refuse handles an exception: it reports true where the read was cut up and
// its parts are to be asked, and else makes its points bad.
func (o *owner) refuse(d *device, i int, f fault, err error) bool {
	o.answered = true
	r := d.asks[i].Request
	if splittable(err) && d.cut(i, o.points) {
		o.log.Info("read refused, asking for less at a time", "error", o.link.failure(r, err))
		return true
	}
	a := &d.asks[i]
	if !a.bad {
		o.log.Warn("device answers with an exception", "error", o.link.failure(r, err))
	}
	a.bad = true
	if f == notHere {
		a.retry.fail(time.Now(), o.link.Period, o.random)
	}
	o.miss(r.Points, signal.Exception)
	return false
}

// silence notes that the device gave no usable answer. The first failure is
// often mended within the scan and then neither logged nor a reason to learn
// anew which reads the device refuses.
func (o *owner) silence(d *device, r Request, err error) {
	err = o.link.failure(r, err)
	o.failed = err
	d.silent = true
	d.retry.fail(time.Now(), o.link.Period, o.random)
	if d.retry.failures > 1 {
		d.relearn()
	}
	if d.retry.failures == 2 {
		o.log.Warn("device does not answer", "error", err)
	}
	o.miss(d.points(), signal.NoAnswer)
}

// judge draws the conclusion of a scan for the link: up where any device
// answered, lost where all that was tried failed, unchanged where nothing was
// tried. While the link is lost, so is every point on it.
func (o *owner) judge() {
	switch {
	case o.answered:
		if o.known && !o.up {
			o.log.Info("link regained", "link", o.link.Name, "address", o.link.Address)
			for _, d := range o.devices {
				if d.silent {
					d.forget() // whatever kept them silent may be over: ask them all
				}
			}
		}
		o.up, o.known = true, true
	case o.failed != nil:
		if o.up || !o.known {
			o.log.Warn("link lost", "error", o.failed)
		} else if o.link.Via == SerialOverTCP {
			// Twice nothing at all: the connection may be a dead one that says
			// so only after a quarter of an hour.
			o.conn.drop()
		}
		o.up, o.known = false, true
		for _, d := range o.devices {
			o.miss(d.points(), signal.LinkLost)
		}
	}
	if o.known {
		wall, elapsed, trusted := o.clock.Now()
		o.board.putLink(contact(o.up, wall.UTC()), elapsed, trusted)
	}
}

func contact(on bool, t time.Time) signal.Reading {
	if on {
		return signal.Measured(1, signal.Boolean, t)
	}
	return signal.Measured(0, signal.Boolean, t)
}

// miss makes points bad for a reason.
func (o *owner) miss(indices []int, why signal.Reason) {
	wall, elapsed, trusted := o.clock.Now()
	o.board.put(indices, elapsed, trusted, func(i int) signal.Reading {
		return signal.Missing(o.points[i].Spec.Unit, why, wall.UTC())
	})
}
