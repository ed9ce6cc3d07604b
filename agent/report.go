package main

import (
	"cmp"
	"context"
	"flag"
	"fmt"
	"io"
	"strings"
	"time"

	"strokebank/agent/internal/history"
	"strokebank/agent/internal/report"
	"strokebank/agent/internal/watch"
	"strokebank/configs"
	"strokebank/configs/quantity"
)

const reportUsage = `report [flags] FILE

Writes a report on the units of FILE, a site's configuration, from their
history: what to do next and why, the state, the reserve, duty, health, leaks,
alarms, proof, service, failures and the figures of reliability. With -test it
writes the record of a proof test instead, with room for signatures. It is one
HTML page with all that it needs in it, to be kept, sent, or printed on A4 or
Letter. Times are those of this machine's zone. The agent may run meanwhile.
`

// reporting is the command line of report.
type reporting struct {
	unit, test, to string
	span           timeSpan
	assuming
	made time.Time
}

func writeReport(ctx context.Context, sh shell, args []string) int {
	fs := flag.NewFlagSet("report", flag.ContinueOnError)
	r := reporting{made: time.Now().Truncate(time.Second)}
	fs.StringVar(&r.unit, "unit", "", "one unit's `name` (default: all of FILE)")
	fs.StringVar(&r.test, "test", "", "write the record of a proof test instead: its `number`, as the report lists it, or last")
	fs.StringVar(&r.to, "o", "-", "write to this `file`; - is standard output")
	r.assuming.flags(fs)
	r.span.flags(fs)
	if code, done := parse(fs, sh, args, reportUsage, 1); done {
		return code
	}
	if err := r.check(); err != nil {
		fmt.Fprintln(sh.err, "strokebank:", err)
		return exitUsage
	}
	cfg, code := load(sh, fs.Arg(0))
	if cfg == nil {
		return code
	}
	units, err := someUnits(cfg, r.unit)
	if err == nil && r.test != "" && len(units) > 1 {
		err = fmt.Errorf("-test: name the unit with -unit: %s", strings.Join(unitNames(cfg), ", "))
	}
	if err != nil {
		fmt.Fprintln(sh.err, "strokebank:", err)
		return exitUsage
	}
	if err := r.run(ctx, sh, cfg, units); err != nil {
		fmt.Fprintln(sh.err, "strokebank: report:", err)
		return exitFailed
	}
	return exitOK
}

func (r *reporting) check() error {
	if _, err := testNumber(r.test); r.test != "" && err != nil {
		return err
	}
	return cmp.Or(r.assuming.check(), r.span.check())
}

func (r *reporting) run(ctx context.Context, sh shell, cfg *configs.Config, units []*configs.Unit) error {
	store, err := history.OpenReader(ctx, cfg.History.Dir)
	if err != nil {
		return err
	}
	defer store.Close()
	var write func(io.Writer) error
	if r.test != "" {
		record, err := r.record(ctx, store, units[0])
		if err != nil {
			return err
		}
		write = func(w io.Writer) error { return report.WriteRecord(w, record) }
	} else {
		all, err := r.gather(ctx, store, cfg, units)
		if err != nil {
			return err
		}
		write = func(w io.Writer) error { return report.Write(w, all) }
	}
	to, err := newSink(r.to, sh.out)
	if err != nil {
		return err
	}
	return to.end(write(to))
}

// gather reads all that a report tells.
func (r *reporting) gather(ctx context.Context, store *history.Reader, cfg *configs.Config, units []*configs.Unit) (*report.Report, error) {
	all := &report.Report{Made: r.made, Zone: time.Local, Program: programName(), Installation: store.Installation()}
	for _, unit := range units {
		g := newReportGathering(r, store, cfg, unit)
		if err := g.all(ctx); err != nil {
			return nil, err
		}
		all.Units = append(all.Units, g.out)
	}
	return all, nil
}

func programName() string { return fmt.Sprintf("%s (%s)", release, commit()) }

// siteUnits writes values in a site's units.
type siteUnits quantity.System

// reported are the dimensions of what a report shows, and the units of its
// axes, metric and US.
var reported = map[report.Quantity]struct {
	dimension quantity.Dimension
	axis      [2]string
}{
	report.Pressure: {quantity.Pressure, [2]string{"bar", "psi"}},
	report.Length:   {quantity.Length, [2]string{"m", "in"}},
	report.Volume:   {quantity.Volume, [2]string{"L", "gal"}},
	report.OilFlow:  {quantity.Flow, [2]string{"L/min", "gpm"}},
	report.AirFlow:  {quantity.AirFlow, [2]string{"L/min", "cfm"}},
	report.Duration: {quantity.Duration, [2]string{"h", "h"}},
}

func (s siteUnits) Text(v float64, of report.Quantity) string {
	return quantity.Format(v, reported[of].dimension, quantity.System(s))
}

func (s siteUnits) Scale(of report.Quantity) (symbol string, one float64) {
	r := reported[of]
	symbol = r.axis[s]
	one, _, err := quantity.Unit(symbol, r.dimension)
	if err != nil {
		panic(fmt.Sprintf("the axis of a report: %v", err)) // a mistake in the table above
	}
	return symbol, one
}

// clockOf is a clock for readings that are not read.
func clockOf(cfg *configs.Config, now time.Time) *watch.Clock {
	return watch.NewClock(watch.SystemClock, now, cfg.Clock.RequireSync)
}
