package main

import (
	"context"
	"fmt"
	"time"

	"strokebank/agent/internal/history"
	"strokebank/configs"
	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/rules/reliability"
	"strokebank/sensors/signal"
)

// unitFigures are the reliability figures of one unit. Times are in hours.
type unitFigures struct {
	Schema   int                `json:"schema"`
	Site     string             `json:"site"`
	Unit     string             `json:"unit"`
	From     time.Time          `json:"from"`
	To       time.Time          `json:"to"`
	TimeUnit string             `json:"time_unit"`
	Machines []reliability.Life `json:"machines"`
	Pairs    []reliability.Pair `json:"pairs"`
	// Whole is the failures of the unit that are of no machine, over the time
	// that was watched.
	Whole   reliability.Life `json:"unit_itself"`
	Caution []string         `json:"cautions,omitempty"`
}

// gatherFigures gathers the figures of a unit from history, over the part of the
// span that the record covers. What a person has rejected is no failure; what
// nobody has confirmed is counted beside.
func gatherFigures(ctx context.Context, store *history.Reader, unit *configs.Unit, span timeSpan, given reliability.Assumed) (*unitFigures, error) {
	f := &unitFigures{Schema: rules.Schema, Site: unit.Rules.Site, Unit: unit.Rules.Unit, TimeUnit: "h"}
	covered, err := coveredSpan(ctx, store, f.Unit, span)
	if err != nil {
		return nil, err
	}
	f.From, f.To = covered.From, covered.To
	g := newGathering(unit, covered)
	if err := g.failures(ctx, store); err != nil {
		return nil, err
	}
	// All of them: what nobody watched may have begun before and ended after.
	kinds := []rules.Kind{rules.GapEvent, rules.AlarmEvent, rules.CommandEvent}
	if err := store.Events(ctx, f.Unit, kinds, time.Time{}, time.Time{}, g.event); err != nil {
		return nil, err
	}
	g.records()
	err = store.Runs(ctx, f.Unit, covered.From, time.Time{}, func(r *rules.NumberedRun) error {
		if record := g.record[r.Position]; record != nil {
			record.Run(r.Start, r.End, r.Seconds, r.Doubt, r.StartSeen)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	for _, m := range machinesOf(unit) {
		f.Machines = append(f.Machines, g.record[m.Position].Life(given.Confidence))
	}
	for i := 0; i < len(f.Machines); i += 2 {
		f.Pairs = append(f.Pairs, reliability.PairOf(g.record[f.Machines[i].Position], g.record[f.Machines[i+1].Position], given))
	}
	f.Whole = g.record[unitItself].Life(given.Confidence)
	f.Caution = g.cautions()
	return f, nil
}

// coveredSpan is the part of a span that the record of a unit covers.
func coveredSpan(ctx context.Context, store *history.Reader, unit string, span timeSpan) (reliability.Span, error) {
	first, last, err := store.Extent(ctx, unit)
	if err != nil {
		return reliability.Span{}, err
	}
	covered := reliability.Span{From: first, To: last}
	if span.from.After(covered.From) {
		covered.From = span.from
	}
	if !span.to.IsZero() && span.to.Before(covered.To) {
		covered.To = span.to
	}
	if covered.To.Before(covered.From) {
		covered.To = covered.From
	}
	return covered, nil
}

// unitItself is the position of what concerns no single machine.
const unitItself = "unit"

// gathering collects what is known of each position beside its runs.
type gathering struct {
	unit     *configs.Unit
	span     reliability.Span
	machine  map[string]*reliability.Machine
	record   map[string]*reliability.Record
	blinds   map[string][]string  // positions that an alarm at a source says are not seen
	since    map[string]time.Time // such alarms that stand
	unknown  int                  // gaps of unknown length
	unsettle int                  // failures that nobody has confirmed or rejected
}

func newGathering(unit *configs.Unit, span reliability.Span) *gathering {
	g := &gathering{unit: unit, span: span, machine: map[string]*reliability.Machine{}, record: map[string]*reliability.Record{},
		blinds: map[string][]string{}, since: map[string]time.Time{}}
	for _, m := range machinesOf(unit) {
		g.machine[m.Position] = &reliability.Machine{Position: m.Position}
		running := signal.Of(m.Position, signal.Running)
		for _, p := range unit.Points {
			if p.ID == running {
				for _, source := range []signal.ID{running, signal.OfLink(p.Link)} {
					g.blinds[string(source)] = append(g.blinds[string(source)], m.Position)
				}
			}
		}
	}
	g.machine[unitItself] = &reliability.Machine{Position: unitItself}
	return g
}

// failures takes in those that are not rejected.
func (g *gathering) failures(ctx context.Context, store *history.Reader) error {
	all, err := store.Failures(ctx, g.unit.Rules.Unit)
	if err != nil {
		return err
	}
	for i := range all {
		f := &all[i]
		m := g.machine[f.Position]
		if m == nil || f.State == rules.Rejected {
			continue
		}
		failed := reliability.Failed{Time: f.Time(), Mode: f.Mode(), Confirmed: f.State == rules.Confirmed,
			OnDemand: f.Impact() == rules.Critical && f.Mode() != "STP", Down: float64(signal.Unknown())}
		if f.Repair != nil {
			failed.Restored, failed.Down = f.Repair.Time, float64(f.Repair.Down)
		}
		if !failed.Confirmed {
			g.unsettle++
		}
		m.Failures = append(m.Failures, failed)
	}
	return nil
}

// event takes in exchanges, and the times that nobody watched.
func (g *gathering) event(e *rules.Entry) error {
	switch {
	case e.Kind == rules.GapEvent:
		from, err := time.Parse(time.RFC3339, e.From)
		if err != nil || len(e.Values) == 0 || !e.Values[0].Value.Known() {
			g.unknown++
			return nil
		}
		for _, m := range g.machine {
			m.Blind = append(m.Blind, reliability.Span{From: from, To: e.Time})
		}
	case e.Kind == rules.CommandEvent && e.Name == string(rules.ExchangeMachine):
		if m := g.machine[e.Source]; m != nil {
			m.Exchanges = append(m.Exchanges, e.Time)
		}
	case e.Kind == rules.AlarmEvent && (e.Name == alarm.LinkLost || e.Name == alarm.TransmitterFailed) && g.blinds[e.Source] != nil:
		g.unseen(e.Source, alarm.State(e.To), e.Time)
	}
	return nil
}

// unseen follows the alarm of a signal or link that is gone.
func (g *gathering) unseen(source string, state alarm.State, at time.Time) {
	since, stands := g.since[source]
	switch {
	case state.Active() && !stands:
		g.since[source] = at
	case stands && (state == alarm.Normal || state == alarm.Returned || state == alarm.Latched):
		delete(g.since, source)
		for _, position := range g.blinds[source] {
			m := g.machine[position]
			m.Blind = append(m.Blind, reliability.Span{From: since, To: at})
		}
	}
}

// records begins the records, once all is known that they stand on.
func (g *gathering) records() {
	for source := range g.since { // that still stand
		g.unseen(source, alarm.Normal, g.span.To)
	}
	for position, m := range g.machine {
		g.record[position] = reliability.NewRecord(g.span, *m)
	}
	// The unit is in operation for as long as it is watched.
	watched := g.record[unitItself].Life(0.9).Observed
	g.record[unitItself].Run(g.span.From, g.span.To, watched*3600, 0, false)
}

// cautions says what the figures do not show.
func (g *gathering) cautions() (list []string) {
	if g.unsettle > 0 {
		list = append(list, fmt.Sprintf("%d failure(s) that nobody has confirmed or rejected: they count only in what is marked so", g.unsettle))
	}
	if g.unknown > 0 {
		list = append(list, fmt.Sprintf("%d time(s) that nobody watched are of unknown length, because the clock could not be trusted: they count as watched", g.unknown))
	}
	if !g.span.To.After(g.span.From) {
		list = append(list, "the record does not cover the time that is asked for")
	}
	return list
}
