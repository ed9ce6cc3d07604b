package main

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"strokebank/agent/internal/history"
	"strokebank/agent/internal/report"
	"strokebank/configs"
	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/rules/reserve"
	"strokebank/sensors/signal"
)

// reportGathering reads what is told of one unit. What it holds grows with the
// length of the time asked for, never with what happened in it.
type reportGathering struct {
	*reporting
	store *history.Reader
	cfg   *configs.Config
	unit  *configs.Unit
	place map[string]int // of a machine, by its position
	out   report.Unit
}

func newReportGathering(r *reporting, store *history.Reader, cfg *configs.Config, unit *configs.Unit) *reportGathering {
	g := &reportGathering{reporting: r, store: store, cfg: cfg, unit: unit, place: map[string]int{}}
	g.out = unitOfReport(unit)
	for i, m := range g.out.Machines {
		g.place[m.Position] = i
	}
	return g
}

// unitOfReport is what the configuration tells.
func unitOfReport(unit *configs.Unit) report.Unit {
	u := report.Unit{Site: unit.Rules.Site, Name: unit.Rules.Unit, Show: siteUnits(unit.Display), Machines: machinesOf(unit),
		Required: unit.Rules.Reserve.Required, FullCharge: fullCharge(&unit.Rules)}
	for _, p := range unit.Points {
		if p.Spec.Unit != signal.Boolean && p.Spec.Unit != signal.Count {
			u.Points = append(u.Points, p.ID)
		}
	}
	return u
}

// fullCharge is what the unit gives at its set points, settled.
func fullCharge(c *rules.Config) signal.Number {
	engine, err := reserve.New(c.Reserve)
	if err != nil { // the configuration was checked
		return signal.Unknown()
	}
	now := time.Time{}
	var f reserve.Figures
	engine.Evaluate(reserve.Input{Pressure: signal.Measured(c.Reserve.SetPressure+c.Atmosphere, signal.Pascal, now),
		Level: signal.Measured(c.Reserve.SetLevel, signal.Metre, now), Atmosphere: c.Atmosphere}, &f)
	return f.FullCharge
}

// all reads everything.
func (g *reportGathering) all(ctx context.Context) error {
	covered, err := coveredSpan(ctx, g.store, g.out.Name, g.span)
	if err != nil {
		return err
	}
	g.out.Span = report.Span(covered)
	g.out.Load = report.NewLoad(g.out.Span)
	for i := range g.out.Outputs {
		g.out.Outputs[i].Runs = report.NewBins(g.out.Span)
	}
	for i := range g.out.Duty {
		g.out.Duty[i] = report.NewDuty(g.out.Span, time.Local)
	}
	for _, part := range []func(context.Context) error{g.state, g.trends, g.newest, g.runs, g.events, g.failures, g.figures} {
		if err := part(ctx); err != nil {
			return err
		}
	}
	return nil
}

// state is the unit as it was saved, and when it was last watched.
func (g *reportGathering) state(ctx context.Context) error {
	a, saved, err := judgedUnit(ctx, g.store, g.cfg, *g.unit, clockOf(g.cfg, g.made), g.made.UTC())
	if err != nil || a == nil {
		return err
	}
	g.out.State, g.out.Watched = a, saved
	if _, beat, err := g.store.LastBeat(g.out.Name); err == nil && beat.After(saved) {
		g.out.Watched = beat
	}
	stored, err := g.store.Alarms(ctx, g.out.Name)
	if err != nil {
		return err
	}
	// What stands is in the order of the catalogue, the most urgent first; what
	// the file no longer has is left out.
	for _, s := range a.Alarms {
		i := slices.IndexFunc(stored, func(o alarm.Status) bool { return o.Source == s.Source && o.Name == s.Name })
		if i >= 0 && stored[i].State != alarm.Normal {
			s.State, s.Since, s.Reason = stored[i].State, stored[i].Since, stored[i].Reason
			s.Stale = s.State.Active() && g.made.Sub(s.Since) > 24*time.Hour
			g.out.Standing = append(g.out.Standing, s)
		}
	}
	rank := map[alarm.Priority]int{alarm.High: 0, alarm.Medium: 1, alarm.Low: 2}
	slices.SortStableFunc(g.out.Standing, func(a, b alarm.Status) int { return cmp.Compare(rank[a.Priority], rank[b.Priority]) })
	return nil
}

// stepOfReport is the length of a row of a trend: a chart has room for some
// hundreds.
func stepOfReport(span report.Span) time.Duration {
	for _, step := range []time.Duration{10 * time.Minute, time.Hour, 2 * time.Hour, 4 * time.Hour, 12 * time.Hour} {
		if span.To.Sub(span.From)/step <= 400 {
			return step
		}
	}
	return 24 * time.Hour
}

func (g *reportGathering) trends(ctx context.Context) error {
	step := stepOfReport(g.out.Span)
	series, err := g.store.Series(ctx, g.out.Name)
	if err != nil {
		return err
	}
	for name, to := range map[string]*[]rules.Trend{
		"reserve_at_least": &g.out.AtLeast, "reserve_expected": &g.out.Expected, "pressure": &g.out.Pressure,
		"level": &g.out.Level, "oil_volume": &g.out.Oil, "oil_inventory": &g.out.Inventory, "air_ratio": &g.out.Air,
	} {
		if !slices.Contains(series, name) {
			continue
		}
		err := eachStep(ctx, g.store, g.out.Name, name, g.out.Span.From, g.out.Span.To.Add(1), step, func(t *rules.Trend) error {
			*to = append(*to, *t)
			return nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// freshest is how far back the newest row of a trend is looked for.
const freshest = 24 * time.Hour

// newest are the newest rows, as they came.
func (g *reportGathering) newest(ctx context.Context) error {
	to := g.out.Span.To.Add(1)
	for name, at := range map[string]**rules.Trend{"reserve_expected": &g.out.Newest.Expected, "pressure": &g.out.Newest.Pressure,
		"level": &g.out.Newest.Level, "oil_volume": &g.out.Newest.Oil, "air_ratio": &g.out.Newest.Air} {
		rows, err := g.store.Curve(ctx, g.out.Name, name, to.Add(-freshest), to, time.Minute)
		if err != nil {
			return err
		}
		if n := len(rows); n > 0 {
			*at = &rows[n-1]
		}
	}
	return nil
}

func (g *reportGathering) runs(ctx context.Context) error {
	return g.store.Runs(ctx, g.out.Name, g.out.Span.From, g.out.Span.To.Add(1), func(r *rules.NumberedRun) error {
		if i, known := g.place[r.Position]; known {
			g.out.Duty[i/2].Ran(i%2, r.Start, r.End, r.Seconds, r.Doubt, r.Lead, r.StartSeen)
		}
		return nil
	})
}

// failures are those of the time asked for, and all that are open.
func (g *reportGathering) failures(ctx context.Context) error {
	all, err := g.store.Failures(ctx, g.out.Name)
	for i := range all {
		f := &all[i]
		open := f.Repair == nil && f.State != rules.Rejected
		if open || g.reporting.span.within(f.Time()) {
			g.out.Failures = append(g.out.Failures, *f)
		}
	}
	slices.SortStableFunc(g.out.Failures, func(a, b rules.Failure) int { return a.Time().Compare(b.Time()) })
	return err
}

func (g *reportGathering) figures(ctx context.Context) error {
	f, err := gatherFigures(ctx, g.store, g.unit, g.span, g.given)
	if err != nil {
		return err
	}
	for _, s := range f.said() {
		g.out.Figures = append(g.out.Figures, report.Group{Title: s.about, Rows: s.rows})
	}
	g.out.Cautions = f.Caution
	return nil
}

// events reads what happened: alarms, what runs gave, tests, and what people did.
func (g *reportGathering) events(ctx context.Context) error {
	kinds := []rules.Kind{rules.AlarmEvent, rules.FillEvent, rules.ChargeEvent, rules.CommandEvent, rules.TestEvent, rules.GapEvent}
	span := g.out.Span
	return g.store.Events(ctx, g.out.Name, kinds, span.From, span.To.Add(1), g.event)
}

func (g *reportGathering) event(e *rules.Entry) error {
	switch {
	case e.Kind == rules.AlarmEvent:
		g.out.Load.Take(e)
	case e.Fill != nil:
		g.output(e.Fill.Position, e.Fill.End, e.Fill.Corrected, e.Fill.Counts)
	case e.Charge != nil:
		g.output(e.Charge.Position, e.Charge.End, e.Charge.Corrected, e.Charge.Counts)
	case e.Kind == rules.CommandEvent:
		g.done(e)
	case e.Kind == rules.TestEvent && e.Record != nil:
		g.out.Tests = append(g.out.Tests, report.Test{Number: e.Seq, Test: *e.Record})
		g.out.Tests = newest(g.out.Tests)
	case e.Kind == rules.GapEvent:
		g.gap(e)
	}
	return nil
}

// mostKept bounds what is kept of lists of which the newest are shown.
const mostKept = 500

// newest lets the oldest half go when a list grows too long.
func newest[T any](list []T) []T {
	if len(list) < 2*mostKept {
		return list
	}
	return append(list[:0], list[len(list)-mostKept:]...)
}

func (g *reportGathering) output(position string, at time.Time, flow signal.Number, counts bool) {
	i, known := g.place[position]
	if !known || !flow.Known() {
		return
	}
	o := &g.out.Outputs[i]
	o.Taken++
	if counts {
		o.Counted++
	}
	o.Runs.Add(at, float64(flow), counts)
}

// done keeps what a person did at a machine or the unit.
func (g *reportGathering) done(e *rules.Entry) {
	d := report.Done{Time: e.Time, Source: e.Source, By: e.By, Note: e.Reason}
	switch rules.Order(e.Name) {
	case rules.ServiceDone:
		d.What = g.task(e.Source, e.Title)
	case rules.ExchangeMachine:
		d.What = fmt.Sprintf("exchanged, %s for %s", cmp.Or(e.To, "another"), cmp.Or(e.From, "the one before"))
	case rules.SetBaseline:
		d.What = "baseline set anew"
	default:
		return
	}
	if i, known := g.place[e.Source]; known && rules.Order(e.Name) != rules.ServiceDone {
		g.out.Outputs[i].Anew = newest(append(g.out.Outputs[i].Anew, e.Time))
	}
	g.out.Serviced = newest(append(g.out.Serviced, d))
}

// task is the title of a service task.
func (g *reportGathering) task(source, name string) string {
	if g.out.State != nil {
		for _, s := range g.out.State.Service {
			if s.Source == source && s.Name == name {
				return s.Title
			}
		}
	}
	return name
}

// gap keeps a time that nobody watched. What a chart could not show apart
// becomes one.
func (g *reportGathering) gap(e *rules.Entry) {
	u := &g.out
	from, err := time.Parse(time.RFC3339, e.From)
	if err != nil || len(e.Values) == 0 || !e.Values[0].Value.Known() {
		u.Unknown++
		return
	}
	if from.Before(u.Span.From) {
		from = u.Span.From
	}
	u.Blind += max(e.Time.Sub(from), 0)
	u.Unwatched++
	if n := len(u.Gaps); n > 0 && from.Sub(u.Gaps[n-1].To) < u.Span.To.Sub(u.Span.From)/500 {
		u.Gaps[n-1].To = e.Time
		return
	}
	u.Gaps = append(u.Gaps, report.Span{From: from, To: e.Time})
}
