package machine

import (
	"encoding/json"
	"testing"
	"time"

	"strokebank/sensors/signal"
)

// contact is what a contact of the rig says.
type contact uint8

const (
	none contact = iota // the unit has no such contact
	off
	on
	bad // it has one, and it cannot be read
)

func yes(v bool) contact {
	if v {
		return on
	}
	return off
}

func (c contact) reading(at time.Time) signal.Reading {
	switch c {
	case on:
		return signal.Measured(1, signal.Boolean, at)
	case off:
		return signal.Measured(0, signal.Boolean, at)
	case bad:
		return signal.Missing(signal.Boolean, signal.LinkLost, at)
	default:
		return signal.Missing(signal.Boolean, signal.NotConfigured, at)
	}
}

// rig drives a pair through scans. Fields hold until they are changed.
type rig struct {
	testing.TB
	pair    *Pair
	wall    time.Time
	elapsed time.Duration
	trusted bool

	run, called, overload, automatic, hand [2]contact
	starts, meter                          [2]float64 // negative: none
	mains, locked                          contact
	away, useless                          [2]bool
	process                                float64 // negative: bad

	out     *Out
	runs    []Run
	changes []Change
}

const period = time.Second

func pumps() PairConfig {
	return PairConfig{
		Kind: Pump,
		Machines: [2]Config{
			{Position: "pump1", Tag: "P-1", Kind: Pump, Serial: "A"},
			{Position: "pump2", Tag: "P-2", Kind: Pump, Serial: "B"},
		},
		CutIn: 1.0, CutOut: 1.2, NoAnswer: 0.8, Answer: 10 * time.Second, Turns: 2,
	}
}

func newRig(tb testing.TB) *rig {
	r := &rig{
		TB: tb, pair: NewPair(pumps(), period, nil, nil),
		wall: time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC), trusted: true,
		run: [2]contact{off, off}, starts: [2]float64{-1, -1}, meter: [2]float64{-1, -1},
		process: 1.1,
	}
	r.step(0)
	return r
}

// step lets dt pass, then scans.
func (r *rig) step(dt time.Duration) *Out {
	r.wall, r.elapsed = r.wall.Add(dt), r.elapsed+dt
	in := In{
		Time: r.wall, Elapsed: r.elapsed, ClockTrusted: r.trusted,
		Mains: r.mains.reading(r.wall), Locked: r.locked.reading(r.wall),
		Process: signal.Measured(r.process, signal.Metre, r.wall),
		Away:    r.away, Useless: r.useless,
	}
	if r.process < 0 {
		in.Process = signal.Missing(signal.Metre, signal.FailureLow, r.wall)
	}
	for i := range in.Machines {
		in.Machines[i] = Signals{
			Running: r.run[i].reading(r.wall), Called: r.called[i].reading(r.wall),
			Overload: r.overload[i].reading(r.wall), Automatic: r.automatic[i].reading(r.wall),
			Hand: r.hand[i].reading(r.wall), StartCounter: figure(r.starts[i], signal.Count, r.wall),
			HourMeter: figure(r.meter[i], signal.Second, r.wall),
		}
	}
	r.out = r.pair.Step(&in)
	if _, bench := r.TB.(*testing.B); !bench {
		r.runs = append(r.runs, r.out.Runs...)
		r.changes = append(r.changes, r.out.Changes...)
	}
	return r.out
}

func figure(v float64, u signal.Unit, at time.Time) signal.Reading {
	if v < 0 {
		return signal.Missing(u, signal.NotConfigured, at)
	}
	return signal.Measured(v, u, at)
}

// steps lets n seconds pass, one scan each.
func (r *rig) steps(n int) {
	for range n {
		r.step(time.Second)
	}
}

// work runs machine i for n seconds, then lets the pair rest for as long.
func (r *rig) work(i, n int) {
	r.run[i] = on
	r.step(time.Second)
	r.steps(n - 1)
	r.run[i] = off
	r.step(time.Second)
	r.steps(n - 1)
}

// save is the saved state as it comes back from the store.
func (r *rig) save() *Saved {
	text, err := json.Marshal(r.pair.Save())
	if err != nil {
		r.Fatal(err)
	}
	var s Saved
	if err := json.Unmarshal(text, &s); err != nil {
		r.Fatal(err)
	}
	return &s
}

// restart begins a new process after a downtime; its first scan follows.
func (r *rig) restart(s *Saved, b *Beat, downtime time.Duration) {
	r.pair = NewPair(pumps(), period, s, b)
	r.wall, r.elapsed = r.wall.Add(downtime), 3*time.Second
}

// machine is the status of machine i after the last step.
func (r *rig) machine(i int) Status { return r.out.Machines[i] }
