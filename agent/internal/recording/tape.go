package recording

import (
	"sync/atomic"
	"time"

	"strokebank/rules"
	"strokebank/sensors/signal"
)

// Tape records one watch over one unit. Its methods never wait: what finds
// the queue full is counted and missing. Step and Judged belong to the
// goroutine that judges; Recorded may be called from another.
type Tape struct {
	recorder *Recorder
	header   Header
	turn     atomic.Bool // the next step shall bring the state, for a new file

	missed Missed        // by Step since the last that was queued
	unkept atomic.Uint64 // numbers that found the queue full

	// Of the recorder's goroutine.
	state, beat []byte // of the beginning
	out         *written
	parts       int
	begun       bool // the beginning is written, or lost
	broken      bool
	retry       time.Time
	lost        Missed
}

// Step keeps what is about to be judged: the commands, in their order, and the
// scan with which they are applied. Both belong to the tape from now on, to be
// read only. save gives the judge's state before them; it is asked where a new
// file begins.
func (t *Tape) Step(commands []rules.Command, scan signal.Scan, save func() ([]byte, error)) {
	e := entry{tape: t, missed: t.missed, commands: commands, scan: &scan, flush: len(commands) > 0}
	e.missed.Numbers += int(t.unkept.Swap(0))
	if t.turn.Load() {
		// Where it cannot be had the file under way grows on, and a broken tape
		// waits for the next chance.
		e.state, _ = save()
	}
	if t.put(e) {
		t.missed = Missed{}
		return
	}
	t.missed = e.missed
	t.missed.add(e.size())
}

// Judged tells how many events came of the last step, and whether it was the
// last of all. Events must be found again after the process is killed, so that
// what led to them is handed to the system at once.
func (t *Tape) Judged(events int, last bool) {
	if events > 0 || last {
		t.put(entry{tape: t, flush: true, end: last})
	}
}

// Recorded keeps under which numbers events went into history, in the order
// in which they happened.
func (t *Tape) Recorded(entries []rules.Entry) {
	if len(entries) > 0 && !t.put(entry{tape: t, given: entries, flush: true}) {
		t.unkept.Add(uint64(len(entries)))
	}
}

// put queues e, if there is room.
func (t *Tape) put(e entry) bool {
	select {
	case t.recorder.queue <- e:
		return true
	default:
		return false
	}
}
