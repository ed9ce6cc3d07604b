package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strings"
	"time"

	"strokebank/agent/internal/history"
	"strokebank/agent/internal/watch"
	"strokebank/configs"
	"strokebank/rules"
	"strokebank/rules/alarm"
	upkeep "strokebank/rules/machine/service"
	"strokebank/sensors"
	"strokebank/sensors/signal"
)

// pastEvents is the store as it stands, read only; all of it may be missing.
type pastEvents struct {
	store *history.Reader // nil where it cannot be read

	steps    int       // corrections of the clock in the last month
	widest   float64   // of them, s
	trusted  bool      // what the last event says of the clock
	since    time.Time // when it began to say so; zero: longer than the record
	newest   time.Time // of the events whose clock was trusted
	damaged  error
	whole    history.Checked
	reported error // why there is no store
}

const month = 30 * 24 * time.Hour

// history opens the store and checks it. The agent may be writing it.
func (in *inspection) history(ctx context.Context) *pastEvents {
	dir := in.cfg.History.Dir
	p := &pastEvents{}
	p.store, p.reported = history.OpenReader(ctx, dir)
	switch {
	case errors.Is(p.reported, fs.ErrNotExist):
		in.add(attention, "history", "There is no store in "+dir+" yet.", "Start the agent; before its first start this is as it should be.")
		return p
	case errors.Is(p.reported, fs.ErrPermission):
		in.add(notSeen, "history", "The store in "+dir+" may not be read by this user.", "Run inspect as the service's user: sudo -u strokebank strokebank inspect FILE.")
		return p
	case p.reported != nil:
		in.add(attention, "history", fmt.Sprintf("The store cannot be read: %v.", p.reported),
			"Look at the disk; the agent puts a damaged store aside and goes on in a new one when it starts.")
		return p
	}
	p.whole, p.damaged = history.CheckFile(ctx, history.Path(dir))
	if err := p.read(ctx, in); err != nil && p.damaged == nil {
		p.damaged = err
	}
	if p.damaged != nil {
		in.add(attention, "history", fmt.Sprintf("The store is not sound: %s.", strings.ReplaceAll(p.damaged.Error(), "\n", "; ")),
			"Copy "+dir+" before anything else, then restart the agent, which carries over what can be read; look at the disk's wear.")
		return p
	}
	in.well("history", "The store is sound: installation %s, %s, %s.", p.whole.Installation,
		count(int(p.whole.Events), "event"), count(int(p.whole.Runs), "run"))
	return p
}

func (p *pastEvents) close() {
	if p.store != nil {
		p.store.Close()
	}
}

// beat is when a unit's heartbeat was written last; zero where that is not known.
func (p *pastEvents) beat(unit string) time.Time {
	if p.store == nil {
		return time.Time{}
	}
	_, at, _ := p.store.LastBeat(unit)
	return at
}

// owners are the names that events stand under: the units and, empty, what
// concerns none.
func owners(cfg *configs.Config) []string { return append(unitNames(cfg), "") }

// read takes in what the events say of the clock. It is the first unit's: the
// clock is the agent's, and every unit tells of it.
func (p *pastEvents) read(ctx context.Context, in *inspection) error {
	unit := in.cfg.Units[0].Rules.Unit
	err := p.store.Events(ctx, unit, []rules.Kind{rules.ClockEvent}, time.Time{}, time.Time{}, func(e *rules.Entry) error {
		if e.Name != "corrected" {
			p.trusted, p.since = e.ClockTrusted, e.Time
			return nil
		}
		if in.Time.Sub(e.Time) < month && len(e.Values) > 0 {
			p.steps++
			if by := float64(e.Values[0].Value); p.widest*p.widest < by*by {
				p.widest = by
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	return p.store.Events(ctx, unit, nil, in.Time.Add(-2*month), time.Time{}, func(e *rules.Entry) error {
		if e.ClockTrusted && e.Time.After(p.newest) {
			p.newest = e.Time
		}
		return nil
	})
}

// unit says what the store tells of one unit: proof, service, alarms.
func (in *inspection) unit(ctx context.Context, p *pastEvents, u configs.Unit) {
	if p.store == nil {
		return // it has been said
	}
	name := u.Rules.Unit
	a, saved, err := judgedUnit(ctx, p.store, in.cfg, u, in.clockNow, in.Time)
	if err == nil && saved.IsZero() {
		in.add(attention, "unit "+name, "The store knows nothing of this unit yet.", "Start the agent; before its first start this is as it should be.")
		return
	}
	standing, alarmErr := p.store.Alarms(ctx, name)
	if err = errors.Join(err, alarmErr); err != nil {
		in.add(attention, "unit "+name, fmt.Sprintf("What the store holds of it cannot be read: %v.", err), "See to what is said of the history.")
		return
	}
	in.proof(name, a)
	in.service(name, a)
	in.alarms(name, a, standing)
}

// judgedUnit is the unit as it was saved, and when that was, with the dates
// brought up to now: the rules take one scan of which nothing was read.
func judgedUnit(ctx context.Context, store *history.Reader, cfg *configs.Config, u configs.Unit, clock sensors.Clock, now time.Time) (*rules.Assessment, time.Time, error) {
	state, saved, err := store.State(ctx, u.Rules.Unit)
	if err != nil || state == nil {
		return nil, time.Time{}, err
	}
	if !json.Valid(state) {
		return nil, saved, errSpoiled
	}
	points, err := pointsOf(cfg, u, clock)
	if err != nil {
		return nil, saved, err
	}
	judge, err := rules.New(u.Rules, points, state, nil)
	if err != nil {
		return nil, saved, err
	}
	scan := signal.Scan{Number: 1, Time: now, ClockTrusted: true}
	for _, point := range points {
		scan.Readings = append(scan.Readings, signal.Missing(point.Unit, signal.NeverRead, now))
	}
	return judge.Step(scan).Clone(), saved, nil
}

// pointsOf are the points of a unit as its rules have them, the agent's own
// among them.
func pointsOf(cfg *configs.Config, u configs.Unit, clock sensors.Clock) ([]signal.Point, error) {
	poller, err := sensors.New(cfg.Links, clock, nil)
	if err != nil {
		return nil, err
	}
	source, err := poller.Source(u.Rules.Unit, u.Points)
	if err != nil {
		return nil, err
	}
	return append(slices.Clone(source.Points()), watch.SelfPoints()...), nil
}

// proof says how long ago each protective function was seen to work.
func (in *inspection) proof(unit string, a *rules.Assessment) {
	var lines []string
	unproven, overdue, failed := 0, 0, 0
	for _, f := range a.Proof {
		line := f.Title + ": not proven yet"
		if f.Proven {
			line = f.Title + ": proven " + ago(in.Time, f.Last)
		} else {
			unproven++
		}
		if f.Failed.After(f.Last) {
			failed++
			line += ", FAILED " + ago(in.Time, f.Failed) + " (" + f.Why + ")"
		}
		switch {
		case f.Overdue:
			overdue++
			line += ", OVERDUE since " + f.Due.Format(time.DateOnly)
		case !f.Due.IsZero():
			line += ", due " + f.Due.Format(time.DateOnly)
		}
		lines = append(lines, line)
	}
	says := fmt.Sprintf("Of %s %d have not been seen to work yet, and %d are overdue", count(len(lines), "protective function"), unproven, overdue)
	if failed > 0 {
		says += fmt.Sprintf("; %d failed when last seen", failed)
	}
	if overdue+failed == 0 {
		in.well("proof "+unit, "%s.", says).Details = lines
		return
	}
	in.add(attention, "proof "+unit, says+".", "Test them when the plant allows: announce the test on the page or with strokebank act announce_test, then provoke each on the panel by the site's own procedure.").Details = lines
}

// service says what is due. A task's title may be a person's words; its name
// is one of the file's.
func (in *inspection) service(unit string, a *rules.Assessment) {
	var due, coming, sentDue, sentComing []string
	for _, s := range a.Service {
		used := fmt.Sprintf(": %.0f %% of its interval used", 100*s.Used)
		switch line, sent := s.Source+", "+s.Title+used, s.Source+", "+s.Name+used; s.State {
		case upkeep.Due:
			due, sentDue = append(due, line), append(sentDue, sent)
		case upkeep.Coming:
			coming, sentComing = append(coming, line+", coming due"), append(sentComing, sent+", coming due")
		}
	}
	var f *finding
	if len(due) == 0 {
		f = in.well("service "+unit, "Nothing of %s is overdue, and %d are coming due.", count(len(a.Service), "service task"), len(coming))
	} else {
		f = in.add(attention, "service "+unit, fmt.Sprintf("%d of %s are overdue.", len(due), count(len(a.Service), "service task")),
			"Have it done after the makers' books, then say so on the page or with strokebank act service_done.")
	}
	f.Details, f.sent = append(due, coming...), append(sentDue, sentComing...)
}

// alarms says what stands, of the alarms that the file still has.
func (in *inspection) alarms(unit string, a *rules.Assessment, standing []alarm.Status) {
	has := map[[2]string]bool{}
	for _, s := range a.Alarms {
		has[[2]string{s.Source, s.Name}] = true
	}
	var open []string
	for _, s := range standing {
		if has[[2]string{s.Source, s.Name}] && s.State.NeedsSomeone() {
			open = append(open, fmt.Sprintf("%s (%s), %s priority, %s since %s: %s", s.Title, s.Source, s.Priority, s.State, s.Since.Format(time.RFC3339), s.Action))
		}
	}
	if len(open) == 0 {
		in.well("alarms "+unit, "No alarm stands, and none waits for somebody.")
		return
	}
	says := fmt.Sprintf("%d alarms stand or wait for somebody.", len(open))
	if len(open) == 1 {
		says = "One alarm stands or waits for somebody."
	}
	in.add(attention, "alarms "+unit, says, "Do what each says, then acknowledge it on the page or with strokebank act acknowledge.").Details = open
}
