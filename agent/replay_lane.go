package main

import (
	"fmt"
	"time"

	"strokebank/agent/internal/recording"
	"strokebank/agent/internal/watch"
	"strokebank/rules"
	"strokebank/sensors/signal"
)

// lane is one unit that judges again what was recorded, and what came of it.
type lane struct {
	cfg  rules.Config
	emit func(*rules.Event) error
	// carry begins each watch with the state of the one before instead of the
	// recorded one: a unit with another configuration has another past.
	carry bool

	unit     *rules.Unit
	started  bool // the watch's first event is out
	commands []rules.Command
	last     *rules.Assessment

	scans        int
	refused      int // commands that the live agent may have taken
	from, to     time.Time
	atLeast      lowest
	expected     lowest
	unknown      time.Duration // without a known reserve
	elapsed      time.Duration
	events       map[rules.Kind]int
	alarmsRaised int
}

// lowest is a minimum with its time.
type lowest struct {
	value float64
	at    time.Time
}

func (l *lowest) take(n signal.Number, at time.Time) {
	if n.Known() && (l.at.IsZero() || float64(n) < l.value) {
		*l = lowest{float64(n), at}
	}
}

func newLane(cfg rules.Config, emit func(*rules.Event) error) *lane {
	return &lane{cfg: cfg, emit: emit, events: map[rules.Kind]int{}}
}

// take judges one item.
func (l *lane) take(f *fed) error {
	if f.begin != nil {
		if err := l.begin(f.begin); err != nil {
			return err
		}
	}
	switch f.Kind {
	case recording.Command:
		l.commands = append(l.commands, f.Command)
	case recording.Scan:
		return l.scan(&f.Scan)
	case recording.End:
		if l.last != nil {
			e := watch.AgentEvent(l.cfg.Site, l.cfg.Unit, watch.Stopped, l.last.Time, l.last.ClockTrusted)
			return l.happened(&e)
		}
	}
	return nil
}

// begin starts a watch, as the agent would.
func (l *lane) begin(b *beginning) (err error) {
	state, beat := b.state, b.beat
	if l.carry && l.unit != nil && l.last != nil {
		if state, err = l.unit.Save(); err != nil {
			return err
		}
		beat = nil
	}
	l.unit, err = rules.New(l.cfg, b.points, state, beat)
	l.started, l.last, l.commands = !b.first, nil, l.commands[:0]
	return err
}

func (l *lane) scan(scan *signal.Scan) error {
	if !l.started {
		l.started = true
		e := watch.AgentEvent(l.cfg.Site, l.cfg.Unit, watch.Started, scan.Time, scan.ClockTrusted)
		if err := l.happened(&e); err != nil {
			return err
		}
	}
	for i := range l.commands {
		events, err := l.unit.Apply(&l.commands[i], scan)
		if err != nil {
			l.refused++
		}
		for k := range events {
			if err := l.happened(&events[k]); err != nil {
				return err
			}
		}
	}
	l.commands = l.commands[:0]
	a := l.unit.Step(*scan)
	l.watch(a, scan)
	for i := range a.Events {
		if err := l.happened(&a.Events[i]); err != nil {
			return err
		}
	}
	return nil
}

func (l *lane) happened(e *rules.Event) error {
	l.events[e.Kind]++
	if e.Kind == rules.AlarmEvent && e.To == "unacknowledged" {
		l.alarmsRaised++
	}
	return l.emit(e)
}

// watch keeps what the summary tells.
func (l *lane) watch(a *rules.Assessment, scan *signal.Scan) {
	if l.scans == 0 {
		l.from = scan.Time
	}
	if l.last != nil && !a.Reserve.Known {
		l.unknown += max(scan.Elapsed-l.elapsed, 0)
	}
	l.scans++
	l.to, l.elapsed, l.last = scan.Time, scan.Elapsed, a
	l.atLeast.take(a.Reserve.AtLeast, scan.Time)
	l.expected.take(a.Reserve.Expected, scan.Time)
}

// figure is one result with its name, as a person reads it.
type figure struct{ name, text string }

// figures is what has come of it.
func (l *lane) figures() []figure {
	var all []figure
	add := func(name, format string, args ...any) { all = append(all, figure{name, fmt.Sprintf(format, args...)}) }
	low := func(name string, m lowest, format string) {
		if m.at.IsZero() {
			add(name, "never known")
			return
		}
		add(name, format+" at %s", m.value, m.at.UTC().Format(time.RFC3339))
	}
	low("least reserve, at least", l.atLeast, "%.0f cycles")
	low("least reserve, expected", l.expected, "%.1f cycles")
	add("reserve unknown for", "%s", l.unknown.Round(time.Second))
	add("alarms raised", "%d", l.alarmsRaised)
	if l.last == nil {
		return all
	}
	for i := range l.last.Machines {
		m := &l.last.Machines[i]
		ahead := ""
		if m.CounterAhead.Known() && m.CounterAhead != 0 {
			ahead = fmt.Sprintf("; the panel's counter is %+.0f", float64(m.CounterAhead))
		}
		add(m.Position, "%.0f starts, %.0f s run in its life%s", m.LifetimeStarts, m.LifetimeRunSeconds, ahead)
	}
	r := &l.last.Reserve
	if r.Known {
		add("reserve at the end", "at least %.0f cycles, expected %.1f", float64(r.AtLeast), float64(r.Expected))
	} else {
		add("reserve at the end", "unknown: %s", r.Reason)
	}
	return all
}
