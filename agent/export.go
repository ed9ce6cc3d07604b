package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"strokebank/agent/internal/export"
	"strokebank/agent/internal/history"
	"strokebank/configs"
)

const exportUsage = `export [flags] FILE [TABLE...]

Writes what the history of FILE, a site's configuration, holds as tables: %s;
none is all of them. One table goes to standard output, as JSON lines any
number; with -dir each goes to a file of its own. The agent may run meanwhile:
nothing is locked and nothing is changed. -columns describes every column.
`

// exporting is the command line of export.
type exporting struct {
	unit, form, dir string
	span            timeSpan
	step            time.Duration
	columns         bool
}

func exportTables(ctx context.Context, sh shell, args []string) int {
	fs := flag.NewFlagSet("export", flag.ContinueOnError)
	var x exporting
	fs.StringVar(&x.unit, "unit", "", "one unit's `name` (default: all of FILE)")
	fs.StringVar(&x.form, "form", string(export.CSV), "`csv or jsonl`: for spreadsheets, or JSON lines for programs")
	fs.StringVar(&x.dir, "dir", "", "write each table to a file in this `directory`, as runs.csv")
	fs.DurationVar(&x.step, "step", time.Hour, "of readings: the `length` of a row, a minute at least; what is old has coarser ones")
	fs.BoolVar(&x.columns, "columns", false, "describe all tables and columns, as Markdown, and do nothing else")
	x.span.flags(fs)
	if code, done := parse(fs, sh, args, fmt.Sprintf(exportUsage, strings.Join(export.Names(), ", ")), -1); done {
		return code
	}
	if x.columns {
		fmt.Fprint(sh.out, export.Reference())
		return exitOK
	}
	names, err := x.check(fs.Args())
	if err != nil {
		fmt.Fprintln(sh.err, "strokebank:", err)
		return exitUsage
	}
	cfg, code := load(sh, fs.Arg(0))
	if cfg == nil {
		return code
	}
	units, err := someUnits(cfg, x.unit)
	if err != nil {
		fmt.Fprintln(sh.err, "strokebank:", err)
		return exitUsage
	}
	if err := x.run(ctx, sh, cfg, units, names); err != nil {
		fmt.Fprintln(sh.err, "strokebank: export:", err)
		return exitFailed
	}
	return exitOK
}

// check looks at the words of the command line and gives the tables' names.
func (x *exporting) check(words []string) ([]string, error) {
	if len(words) == 0 {
		return nil, errors.New("export wants a configuration FILE behind its flags; `strokebank export -h` shows the form")
	}
	names := words[1:]
	if len(names) == 0 || slices.Equal(names, []string{"all"}) {
		names = export.Names()
	}
	for _, name := range names {
		if !slices.Contains(export.Names(), name) {
			return nil, fmt.Errorf("there is no table %q: use %s", name, strings.Join(export.Names(), ", "))
		}
	}
	switch form := export.Form(x.form); {
	case form != export.CSV && form != export.JSONLines:
		return nil, fmt.Errorf("-form %q: use %s or %s", x.form, export.CSV, export.JSONLines)
	case len(names) > 1 && x.dir == "" && form == export.CSV:
		return nil, errors.New("several tables do not fit into one CSV: name one, or give -dir, or -form jsonl")
	case x.step < time.Minute || (24*time.Hour)%x.step != 0:
		return nil, fmt.Errorf("-step %v: use a part of a day, a minute at least, such as 10m, 1h or 24h", x.step)
	}
	return names, x.span.check()
}

// someUnits are the units of a file that are meant: one by its name, or all.
func someUnits(cfg *configs.Config, name string) ([]*configs.Unit, error) {
	var units []*configs.Unit
	for i := range cfg.Units {
		if u := &cfg.Units[i]; name == "" || u.Rules.Unit == name {
			units = append(units, u)
		}
	}
	if units == nil {
		return nil, fmt.Errorf("-unit: the file has no unit %.40q, but %s", name, strings.Join(unitNames(cfg), ", "))
	}
	return units, nil
}

func (x *exporting) run(ctx context.Context, sh shell, cfg *configs.Config, units []*configs.Unit, names []string) error {
	store, err := history.OpenReader(ctx, cfg.History.Dir)
	if err != nil {
		return err
	}
	defer store.Close()
	q := &quarry{store: store, units: units, exporting: x}
	for _, name := range names {
		if err := x.file(sh, name, func(w io.Writer) error { return q.table(ctx, w, name) }); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
	}
	return nil
}

// file has a table written to standard output, or to its file, which is there
// only once it is whole.
func (x *exporting) file(sh shell, name string, write func(io.Writer) error) error {
	if x.dir == "" {
		return write(sh.out)
	}
	if err := os.MkdirAll(x.dir, 0o755); err != nil {
		return err
	}
	f, err := os.CreateTemp(x.dir, name+"-*.part")
	if err != nil {
		return err
	}
	err = errors.Join(write(f), f.Chmod(0o644), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), filepath.Join(x.dir, name+"."+x.form))
	}
	if err != nil {
		err = errors.Join(err, os.Remove(f.Name()))
	}
	return err
}

// timeSpan is a selection by time; zero: no bound.
type timeSpan struct {
	fromText, toText string
	from, to         time.Time
}

func (s *timeSpan) flags(fs *flag.FlagSet) {
	fs.StringVar(&s.fromText, "from", "", "leave out what is before this `time`: a local date (2026-03-01) or RFC 3339")
	fs.StringVar(&s.toText, "to", "", "leave out what is after this `time`: a local date, which is included, or RFC 3339, which is not")
}

// check reads the times.
func (s *timeSpan) check() (err error) {
	if s.from, err = dateOrTime(s.fromText, 0); err != nil {
		return fmt.Errorf("-from %w", err)
	}
	if s.to, err = dateOrTime(s.toText, 1); err != nil {
		return fmt.Errorf("-to %w", err)
	}
	if !s.from.IsZero() && !s.to.IsZero() && !s.from.Before(s.to) {
		return fmt.Errorf("-from %s is not before -to %s", s.fromText, s.toText)
	}
	return nil
}

// dateOrTime reads a time, or the beginning of a local date that so many days are
// added to.
func dateOrTime(text string, days int) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	if day, err := time.ParseInLocation(time.DateOnly, text, time.Local); err == nil {
		return day.AddDate(0, 0, days), nil
	}
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return t, fmt.Errorf("%.40q is neither a date such as 2026-03-01 nor a time such as 2026-03-01T06:30:00Z", text)
	}
	return t, nil
}

// within reports whether a time lies in the selection.
func (s *timeSpan) within(t time.Time) bool {
	return (s.from.IsZero() || !t.Before(s.from)) && (s.to.IsZero() || t.Before(s.to))
}
