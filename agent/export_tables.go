package main

import (
	"context"
	"fmt"
	"io"
	"time"

	"strokebank/agent/internal/export"
	"strokebank/agent/internal/history"
	"strokebank/configs"
	"strokebank/rules"
	"strokebank/rules/machine"
)

// quarry is where the rows of an export come from.
type quarry struct {
	store *history.Reader
	units []*configs.Unit
	*exporting
}

// table writes one table.
func (q *quarry) table(ctx context.Context, w io.Writer, name string) error {
	switch name {
	case export.Runs.Name:
		return sheet(q, w, export.Runs, func(unit *configs.Unit, put func(*rules.NumberedRun) error) error {
			return q.store.Runs(ctx, unit.Rules.Unit, q.span.from, q.span.to, put)
		})
	case export.Failures.Name:
		return sheet(q, w, export.Failures, func(unit *configs.Unit, put func(*rules.Failure) error) error {
			return q.failures(ctx, unit, put)
		})
	case export.Counters.Name:
		return sheet(q, w, export.Counters, func(unit *configs.Unit, put func(*export.Counter) error) error {
			return q.counters(ctx, unit, put)
		})
	case export.Readings.Name:
		return sheet(q, w, export.Readings, func(unit *configs.Unit, put func(*rules.Trend) error) error {
			return q.readings(ctx, unit, put)
		})
	case export.Fills.Name:
		return q.events(ctx, w, export.Fills, rules.FillEvent)
	case export.Charges.Name:
		return q.events(ctx, w, export.Charges, rules.ChargeEvent)
	case export.Draws.Name:
		return q.events(ctx, w, export.Draws, rules.DrawEvent)
	case export.Alarms.Name:
		return q.events(ctx, w, export.Alarms, rules.AlarmEvent)
	case export.Service.Name:
		return q.events(ctx, w, export.Service, rules.CommandEvent)
	case export.Unobserved.Name:
		return q.events(ctx, w, export.Unobserved, rules.GapEvent)
	}
	return fmt.Errorf("there is no such table")
}

// sheet writes a table unit by unit.
func sheet[T any](q *quarry, w io.Writer, table *export.Table[T], rows func(*configs.Unit, func(*T) error) error) error {
	s, err := export.NewSheet(w, export.Form(q.form), table)
	if err != nil {
		return err
	}
	for _, unit := range q.units {
		place := &export.Place{Unit: unit.Rules.Unit, Tags: map[string]string{}}
		for _, m := range machinesOf(unit) {
			place.Tags[m.Position] = m.Tag
		}
		if err := rows(unit, func(row *T) error { return s.Put(place, row) }); err != nil {
			return err
		}
	}
	return s.Flush()
}

// events writes a table of events of one kind.
func (q *quarry) events(ctx context.Context, w io.Writer, table *export.Table[rules.Entry], kind rules.Kind) error {
	return sheet(q, w, table, func(unit *configs.Unit, put func(*rules.Entry) error) error {
		return q.store.Events(ctx, unit.Rules.Unit, []rules.Kind{kind}, q.span.from, q.span.to, func(e *rules.Entry) error {
			if kind == rules.CommandEvent && !export.IsService(e) {
				return nil
			}
			return put(e)
		})
	})
}

func (q *quarry) failures(ctx context.Context, unit *configs.Unit, put func(*rules.Failure) error) error {
	all, err := q.store.Failures(ctx, unit.Rules.Unit)
	if err != nil {
		return err
	}
	for i := range all {
		if !q.span.within(all[i].Time()) {
			continue
		}
		if err := put(&all[i]); err != nil {
			return err
		}
	}
	return nil
}

func (q *quarry) counters(ctx context.Context, unit *configs.Unit, put func(*export.Counter) error) error {
	state, _, err := q.store.State(ctx, unit.Rules.Unit)
	if err != nil {
		return err
	}
	all, at, err := rules.Lifetimes(&unit.Rules, state)
	if err != nil {
		return err
	}
	for _, m := range all {
		if err := put(&export.Counter{Lifetime: m, Time: at}); err != nil {
			return err
		}
	}
	return nil
}

// readingsAtOnce is how much of a series is read at once: whole days, so that
// no step lies in two; the more of them, the longer a step is.
func readingsAtOnce(step time.Duration) time.Duration {
	const day = 24 * time.Hour
	return min(max(7*day, (1000*step).Truncate(day)), 91*day)
}

func (q *quarry) readings(ctx context.Context, unit *configs.Unit, put func(*rules.Trend) error) error {
	name := unit.Rules.Unit
	covered, err := coveredSpan(ctx, q.store, name, q.span)
	if err != nil || covered.From.IsZero() {
		return err
	}
	series, err := q.store.Series(ctx, name)
	if err != nil {
		return err
	}
	end := covered.To.Add(time.Nanosecond) // what bears the last time is within
	if !q.span.to.IsZero() && q.span.to.Before(end) {
		end = q.span.to
	}
	for _, point := range series {
		if err := eachStep(ctx, q.store, name, point, covered.From, end, q.step, put); err != nil {
			return err
		}
	}
	return nil
}

// eachStep hands the course of a point within [from, to) over, a few days in
// memory at a time.
func eachStep(ctx context.Context, store *history.Reader, unit, point string, from, to time.Time, step time.Duration, put func(*rules.Trend) error) error {
	for at := from; at.Before(to); {
		end := at.Truncate(24 * time.Hour).Add(readingsAtOnce(step))
		if end.After(to) {
			end = to
		}
		rows, err := store.Curve(ctx, unit, point, at, end, step)
		if err != nil {
			return err
		}
		for i := range rows {
			if err := put(&rows[i]); err != nil {
				return err
			}
		}
		at = end
	}
	return nil
}

// machinesOf are the four machines of a unit.
func machinesOf(unit *configs.Unit) []machine.Config {
	return append(append([]machine.Config{}, unit.Rules.Pumps.Machines[:]...), unit.Rules.Compressors.Machines[:]...)
}
