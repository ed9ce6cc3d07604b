package main

import (
	"cmp"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"time"

	"strokebank/agent/internal/history"
	"strokebank/configs"
	"strokebank/rules/reliability"
)

const figuresUsage = `figures [flags] FILE

Prints the reliability figures of the units of FILE, a site's configuration,
from their history: operating time, demands, failures by mode, failure rate and
MTBF with their limits, trend, life distribution, and the probability that a
pair does not answer a demand. The agent may run meanwhile. Only failures that
a person has confirmed count; what is found and not confirmed stands beside.
Each figure says what it stands on; where that is too little, it is a bound.
`

// assuming is what the figures take for given.
type assuming struct {
	given  reliability.Assumed
	repair time.Duration
}

func (a *assuming) flags(fs *flag.FlagSet) {
	fs.Float64Var(&a.given.Confidence, "confidence", 0.9, "of the limits, two-sided, and of a bound, one-sided: a `ratio` from 0.5 to 0.999")
	fs.Float64Var(&a.given.Beta, "beta", 0.1, "assumed `ratio` of failures with a common cause")
	fs.DurationVar(&a.repair, "repair", 8*time.Hour, "assumed `time` to repair, where no repair is recorded")
}

func (a *assuming) check() error {
	a.given.Repair = a.repair.Hours()
	switch {
	case !(a.given.Confidence >= 0.5 && a.given.Confidence <= 0.999):
		return fmt.Errorf("-confidence %v: use a ratio from 0.5 to 0.999, such as 0.9", a.given.Confidence)
	case !(a.given.Beta >= 0 && a.given.Beta <= 1):
		return fmt.Errorf("-beta %v: use a ratio from 0 to 1, such as 0.1", a.given.Beta)
	case a.repair < 0:
		return fmt.Errorf("-repair %v is no length", a.repair)
	}
	return nil
}

// wanted is the command line of figures.
type wanted struct {
	unit string
	span timeSpan
	assuming
	json bool
}

func figures(ctx context.Context, sh shell, args []string) int {
	fs := flag.NewFlagSet("figures", flag.ContinueOnError)
	var w wanted
	fs.StringVar(&w.unit, "unit", "", "one unit's `name` (default: all of FILE)")
	fs.BoolVar(&w.json, "json", false, "as JSON, one unit a line, hours throughout")
	w.assuming.flags(fs)
	w.span.flags(fs)
	if code, done := parse(fs, sh, args, figuresUsage, 1); done {
		return code
	}
	if err := w.check(); err != nil {
		fmt.Fprintln(sh.err, "strokebank:", err)
		return exitUsage
	}
	cfg, code := load(sh, fs.Arg(0))
	if cfg == nil {
		return code
	}
	units, err := someUnits(cfg, w.unit)
	if err != nil {
		fmt.Fprintln(sh.err, "strokebank:", err)
		return exitUsage
	}
	if err := w.run(ctx, sh, cfg, units); err != nil {
		fmt.Fprintln(sh.err, "strokebank: figures:", err)
		return exitFailed
	}
	return exitOK
}

func (w *wanted) check() error {
	return cmp.Or(w.assuming.check(), w.span.check())
}

func (w *wanted) run(ctx context.Context, sh shell, cfg *configs.Config, units []*configs.Unit) error {
	store, err := history.OpenReader(ctx, cfg.History.Dir)
	if err != nil {
		return err
	}
	defer store.Close()
	for _, unit := range units {
		f, err := gatherFigures(ctx, store, unit, w.span, w.given)
		if err != nil {
			return err
		}
		if w.json {
			err = json.NewEncoder(sh.out).Encode(f)
		} else {
			err = f.text(sh.out, unit)
		}
		if err != nil {
			return err
		}
	}
	return nil
}
