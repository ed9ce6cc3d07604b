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

	"strokebank/configs"
	"strokebank/rules"
)

const replayUsage = `replay [flags] FILE RECORDING...

Judges a recorded run again by the rules and the settings of FILE, a site's
configuration, as fast as it can. A RECORDING is a directory that
"strokebank run -record" wrote, a file of it, or a table as CSV (also
compressed, .gz; - for standard input):

  time,pressure [bar],level [m],pump1.running,pump2.running,compressor1.running,compressor2.running
  2026-03-01T06:30:00Z,8.52,1.155,0,0,0,0
  2026-03-01T06:30:10Z,8.51,,1,0,0,0

The first column is the time (RFC 3339), rising. The others have the names of
the points, or those that column: of the configuration gives them; numbers are
in the unit of the header, or in that of the configuration. A contact is 0 or
1. An empty cell is a reading that is missing.

Events go to standard output as JSON lines, in the form in which the agent
publishes them; what came of it stands on standard error. Nothing is read from
a device.
`

// replaying is the command line of replay.
type replaying struct {
	unit, against string
	scan          time.Duration
	progress      bool
}

func replay(ctx context.Context, sh shell, args []string) int {
	fs := flag.NewFlagSet("replay", flag.ContinueOnError)
	var r replaying
	fs.StringVar(&r.unit, "unit", "", "the unit's `name`, where FILE has several")
	fs.StringVar(&r.against, "against", "", "a second configuration `file`: print what would have been different with it, instead of events")
	fs.DurationVar(&r.scan, "scan", 0, "`time` between two scans (default: that of FILE; of a table, the usual one between its rows)")
	fs.BoolVar(&r.progress, "progress", terminal(sh.err), "tell on standard error how far it is (default: where that is a terminal)")
	if code, done := parse(fs, sh, args, replayUsage, -1); done {
		return code
	}
	if fs.NArg() < 2 {
		fmt.Fprintf(sh.err, "strokebank: replay wants a configuration FILE and a RECORDING behind its flags, got %d words; `strokebank replay -h` shows the forms\n", fs.NArg())
		return exitUsage
	}
	cfg, code := load(sh, fs.Arg(0))
	if cfg == nil {
		return code
	}
	one, other, code := r.units(sh, cfg)
	if one == nil {
		return code
	}
	err := r.run(ctx, sh, cfg, one, other, fs.Args()[1:])
	if err != nil {
		fmt.Fprintln(sh.err, "strokebank:", err)
		return exitFailed
	}
	return exitOK
}

// units chooses the unit of the configuration, and the same of the second one
// where there is one.
func (r *replaying) units(sh shell, cfg *configs.Config) (one, other *configs.Unit, code int) {
	var f faults
	if one = (&wish{unit: r.unit}).choose(cfg, &f); one == nil {
		return nil, nil, f.tell(sh)
	}
	if r.against == "" {
		return one, nil, exitOK
	}
	second, code := load(sh, r.against)
	if second == nil {
		return nil, nil, code
	}
	if other = (&wish{unit: one.Rules.Unit}).choose(second, &f); other == nil {
		return nil, nil, f.tell(sh)
	}
	return one, other, exitOK
}

// run replays the paths.
func (r *replaying) run(ctx context.Context, sh shell, cfg *configs.Config, one, other *configs.Unit, paths []string) error {
	note := func(format string, args ...any) { fmt.Fprintf(sh.err, format+"\n", args...) }
	in, period, closing, err := r.open(sh, one, paths, note)
	if err != nil {
		return err
	}
	defer closing()
	if r.scan > 0 {
		period = r.scan
	}
	judge := func(u *configs.Unit) rules.Config {
		c := u.Rules
		if period > 0 {
			c.ScanPeriod = period
		}
		return c
	}
	p := &replayed{in: in, note: note, settings: settingsOf(cfg, one.Rules.Unit)}
	if r.progress {
		p.progress = sh.err
	}
	_, isTape := in.(*tapes)
	out := newJournalOut(sh.out, isTape)
	if other != nil {
		d := newDiffer(judge(one), judge(other), sh.out)
		p.lanes = []*lane{d.a.lane, d.b.lane}
		if err := p.run(ctx); err != nil {
			return err
		}
		p.tell(sh.err)
		return d.tell(r.against)
	}
	p.out = out
	p.lanes = []*lane{newLane(judge(one), out.put)}
	err = p.run(ctx)
	if err := errors.Join(err, out.end(), out.flush()); err != nil {
		return err
	}
	p.tell(sh.err)
	fmt.Fprintln(sh.err, out.verdict())
	return nil
}

// open opens what is replayed. period is the table's; 0: the configuration's.
func (r *replaying) open(sh shell, unit *configs.Unit, paths []string, note func(string, ...any)) (in feed, period time.Duration, closing func(), err error) {
	isTape := func(path string) bool {
		info, err := os.Stat(path)
		return err == nil && info.IsDir() || filepath.Ext(path) == ".recording"
	}
	if slices.ContainsFunc(paths, isTape) {
		files, err := recorded(paths, unit.Rules.Unit)
		if err != nil {
			return nil, 0, nil, err
		}
		t, err := newTapes(files, unit.Rules.Unit, note)
		return t, 0, func() {}, err
	}
	if len(paths) > 1 {
		return nil, 0, nil, badInput("there are %d tables: replay one at a time, %s first", len(paths), paths[0])
	}
	var from io.Reader = sh.in
	closing = func() {}
	m := new(meter)
	name := "standard input"
	if paths[0] != "-" {
		file, err := os.Open(paths[0])
		if err != nil {
			return nil, 0, nil, err
		}
		if info, err := file.Stat(); err == nil && info.Mode().IsRegular() {
			m.total = info.Size()
		}
		from, name, closing = file, paths[0], func() { file.Close() }
	}
	t, err := newTable(name, from, m, unit)
	if err != nil {
		closing()
		return nil, 0, nil, err
	}
	return t, t.period, closing, nil
}

// terminal reports whether a person sees what is written to w.
func terminal(w io.Writer) bool {
	file, ok := w.(*os.File)
	if !ok {
		return false
	}
	info, err := file.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0 && !strings.HasSuffix(file.Name(), "null")
}
