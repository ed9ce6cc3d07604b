// Package watch is the life of one unit: take a scan, judge it, record what
// happened, and only then let others see it. It also holds what all units of
// a process share: the clock, the board of latest assessments, and the order
// in which the parts start and stop.
package watch

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"strokebank/rules"
	"strokebank/rules/machine"
	"strokebank/sensors/signal"

	"golang.org/x/sync/errgroup"
)

// source gives the scans of one unit: the sensors, or a recorded run. io.EOF
// style errors end the watch; a broken device is a bad reading, not an error.
type source interface {
	Next(ctx context.Context) (signal.Scan, error)
}

// judge is the pure part.
type judge interface {
	Step(signal.Scan) *rules.Assessment
	Apply(*rules.Command, *signal.Scan) ([]rules.Event, error)
	Save() ([]byte, error)
	Beat() ([]byte, error)
}

// recorder makes things durable. Record and Beat return when they are.
type recorder interface {
	Record(ctx context.Context, unit string, events []rules.Event, runs []machine.Run, state []byte) ([]rules.Entry, error)
	Beat(unit string, payload []byte) error
	Trend(ctx context.Context, unit string, rows []rules.Trend) error
}

// shower is told the latest assessment once it may be seen.
type shower interface {
	Show(*rules.Assessment)
}

// tape keeps what enters the judge. It never waits.
type tape interface {
	// Step is told before the judge, with a way to get the judge's state.
	Step(commands []rules.Command, scan signal.Scan, save func() ([]byte, error))
	// Judged says how many events came of it, and whether it was the last.
	Judged(events int, last bool)
	// Recorded says under which numbers they went into history.
	Recorded([]rules.Entry)
}

// The pace of writing, after the wear of flash and the loss that a power cut
// may cause: a run under way loses less than five seconds.
const (
	beatRunning = 4 * time.Second
	beatIdle    = time.Minute
	trendEvery  = 10 * time.Minute
	saveEvery   = 30 * time.Minute // of a state in which nothing happened: 40 kB of flash each time
	lastWrite   = 5 * time.Second  // the longest a shutdown waits for the disk
)

// Watch is the life of one unit. Run it once.
type Watch struct {
	Site, Unit string
	Source     source
	Judge      judge
	Recorder   recorder
	Shower     shower
	Tape       tape // nil: nothing is recorded beside history
	Log        *slog.Logger

	orders    orders
	mail      *mailbox
	trends    trends
	nextBeat  time.Duration
	nextTrend time.Duration
	nextSave  time.Duration
	last      *rules.Assessment
	broken    bool // the last record failed
	noBeat    bool // likewise
	noTrend   bool
}

// Run watches until ctx ends or the source does, then records the stop. The
// step never waits for the disk: the record runs beside it.
func (w *Watch) Run(ctx context.Context) error {
	w.mail = newMailbox()
	stepped := make(chan struct{})
	var g errgroup.Group
	g.Go(func() error {
		defer close(stepped)
		return w.step(ctx)
	})
	g.Go(func() error { return w.record(stepped) })
	return g.Wait()
}

// step turns scans into parcels until the source ends.
func (w *Watch) step(ctx context.Context) error {
	started := true
	for {
		scan, err := w.Source.Next(ctx)
		if err != nil {
			w.orders.end()
			w.mail.put(w.farewell())
			if ctx.Err() != nil && errors.Is(err, ctx.Err()) {
				return nil
			}
			return fmt.Errorf("unit %s: next scan: %w", w.Unit, err)
		}
		var p parcel
		if started {
			p.events = append(p.events, AgentEvent(w.Site, w.Unit, Started, scan.Time, scan.ClockTrusted))
			started = false
		}
		orders := w.orders.take()
		if w.Tape != nil {
			w.Tape.Step(commandsOf(orders), scan, w.Judge.Save)
		}
		w.carryOut(&p, orders, &scan)
		a := w.Judge.Step(scan)
		p.latest = a.Clone()
		p.events = append(p.events, p.latest.Events...)
		p.runs = p.latest.Runs
		w.last = p.latest
		if w.Tape != nil {
			w.Tape.Judged(len(p.events), false)
		}
		w.trends.add(a, scan.Elapsed)
		w.pace(&p, scan.Elapsed, busy(a))
		w.mail.put(p)
	}
}

// pace decides what is saved with this step.
func (w *Watch) pace(p *parcel, elapsed time.Duration, running bool) {
	if elapsed >= w.nextTrend {
		p.trends = w.trends.take()
		w.nextTrend = elapsed + trendEvery
	}
	if elapsed >= w.nextSave || len(p.events) > 0 || len(p.runs) > 0 {
		p.state = w.saved()
		w.nextSave = elapsed + saveEvery
	}
	// A beat at once when a machine starts, then at its pace: without the
	// first one a cut in the run's first seconds would lose them.
	wait := beatIdle
	if running {
		wait = beatRunning
	}
	if w.nextBeat > elapsed+wait {
		w.nextBeat = elapsed + wait
	}
	if elapsed < w.nextBeat {
		return
	}
	beat, err := w.Judge.Beat()
	if err != nil {
		w.Log.Error("heartbeat could not be made", "unit", w.Unit, "err", err)
		return
	}
	p.beat = beat
	w.nextBeat = elapsed + wait
}

// saved is the judge's state, or nil where it cannot be had: the old one then
// stays.
func (w *Watch) saved() []byte {
	state, err := w.Judge.Save()
	if err != nil {
		w.Log.Error("state could not be saved", "unit", w.Unit, "err", err)
		return nil
	}
	return state
}

// farewell is the last parcel: what is open, and that the watch ended.
func (w *Watch) farewell() parcel {
	if w.last == nil {
		return parcel{}
	}
	w.trends.close()
	p := parcel{trends: w.trends.take(), state: w.saved()}
	p.events = append(p.events, AgentEvent(w.Site, w.Unit, Stopped, w.last.Time, w.last.ClockTrusted))
	if w.Tape != nil {
		w.Tape.Judged(len(p.events), true)
	}
	if beat, err := w.Judge.Beat(); err == nil {
		p.beat = beat
	}
	return p
}

// record empties the mailbox until the stepper has ended and nothing is left.
func (w *Watch) record(stepped <-chan struct{}) error {
	for {
		select {
		case <-w.mail.ready:
			w.deliver(context.Background())
		case <-stepped:
			ctx, cancel := context.WithTimeout(context.Background(), lastWrite)
			defer cancel()
			w.deliver(ctx)
			return nil
		}
	}
}

// deliver makes one parcel durable and then lets it be seen.
func (w *Watch) deliver(ctx context.Context) {
	p := w.mail.take()
	if p.lost > 0 {
		w.Log.Error("events lost: too many waited for the disk", "unit", w.Unit, "lost", p.lost)
		p.lost = 0
	}
	entries, err := w.write(ctx, p)
	if err != nil {
		if !w.broken {
			w.Log.Error("record failed, will be tried again", "unit", w.Unit, "err", err)
		}
		w.broken = true
		w.mail.putBack(p)
		return
	}
	if w.broken {
		w.Log.Info("record works again", "unit", w.Unit)
		w.broken = false
	}
	if w.Tape != nil {
		w.Tape.Recorded(entries)
	}
	if p.latest != nil {
		w.Shower.Show(p.latest)
	}
	confirm(p.orders, entries)
}

// write hands a parcel to the recorder. Only events hold the rest up: a trend
// or a beat that fails is said and forgotten, the next one follows.
func (w *Watch) write(ctx context.Context, p parcel) (entries []rules.Entry, err error) {
	if len(p.events) > 0 || len(p.runs) > 0 || p.state != nil {
		if entries, err = w.Recorder.Record(ctx, w.Unit, p.events, p.runs, p.state); err != nil {
			return nil, err
		}
	}
	if p.beat != nil {
		w.told("heartbeat", &w.noBeat, w.Recorder.Beat(w.Unit, p.beat))
	}
	if len(p.trends) > 0 {
		w.told("trends", &w.noTrend, w.Recorder.Trend(ctx, w.Unit, p.trends))
	}
	return entries, nil
}

// told logs that something is not written any more, or is written again.
func (w *Watch) told(what string, failing *bool, err error) {
	switch {
	case err != nil && !*failing:
		w.Log.Warn("not written", "what", what, "unit", w.Unit, "err", err)
	case err == nil && *failing:
		w.Log.Info("written again", "what", what, "unit", w.Unit)
	}
	*failing = err != nil
}

// What the agent itself does, as names of its events.
const (
	Started = "started"
	Stopped = "stopped"
)

// AgentEvent says that the agent began or ended watching a unit.
func AgentEvent(site, unit, name string, at time.Time, trusted bool) rules.Event {
	return rules.Event{Kind: rules.AgentEvent, Time: at, ClockTrusted: trusted,
		Site: site, Unit: unit, Source: "agent", Name: name}
}

// busy reports whether a run is under way that a power cut would shorten.
func busy(a *rules.Assessment) bool {
	for i := range a.Machines {
		if a.Machines[i].State == machine.Running {
			return true
		}
	}
	return false
}
