package main

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"strokebank/agent/internal/history"
	"strokebank/agent/internal/simulator"
	"strokebank/configs"
	"strokebank/configs/quantity"
	"strokebank/rules"
	"strokebank/sensors/signal"
)

// life is a simulated unit whose events, runs, states and trends go into a
// history, as the agent would write them.
type life struct {
	*rig
	archive *archive
	display quantity.System
	rows    map[string]*rules.Trend
}

// newLife begins one of an example that a history is kept of.
func newLife(tb testing.TB, example string, build simulator.Build) *life {
	tb.Helper()
	l := &life{rig: newRig(tb, example, build, 5, idle, func(c *rules.Config) { c.ReserveEvery = 10 * time.Minute }), rows: map[string]*rules.Trend{}}
	text, err := configs.Example(example)
	if err != nil {
		tb.Fatal(err)
	}
	cfg, err := configs.Parse(strings.NewReader(string(text)))
	if err != nil {
		tb.Fatal(err)
	}
	l.display = cfg.Units[0].Display
	l.archive = &archive{tb: tb, dir: filepath.Join(tb.TempDir(), "history"), begin: l.plant.Truth().Wall}
	l.archive.config = filepath.Join(tb.TempDir(), "site.yaml")
	changed := strings.Replace(string(text), "/var/lib/strokebank", l.archive.dir, 1)
	if err := os.WriteFile(l.archive.config, []byte(changed), 0o600); err != nil {
		tb.Fatal(err)
	}
	l.archive.store, err = history.Open(tb.Context(), history.Options{Dir: l.archive.dir, Agent: "gateway-1", Now: l.now})
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() {
		if err := l.archive.store.Verify(context.Background()); err != nil {
			tb.Error(err)
		}
		l.archive.store.Close()
	})
	return l
}

func (l *life) now() time.Time { return l.plant.Truth().Wall }

// lives lets the unit live until so many days since its beginning: a scan every
// ten seconds and, while a machine runs, as often as the example asks.
func (l *life) lives(days float64) {
	l.tb.Helper()
	for busy := time.Duration(0); l.scan.Elapsed < time.Duration(days*float64(aDay)); {
		l.period = idle
		if busy > 0 {
			l.period = l.own
		}
		a := l.step()
		busy -= l.period
		for i := range a.Machines {
			if a.Machines[i].State == "running" {
				busy = 2 * time.Minute
			}
		}
		if l.plant.Severity("mains_lost") > 0 {
			busy = 2 * time.Minute
		}
		l.record(a.Events...)
		l.trend(a)
	}
	l.save()
}

func (l *life) record(events ...rules.Event) {
	l.tb.Helper()
	if len(events)+len(l.last.Runs) == 0 {
		return
	}
	if _, err := l.archive.store.Record(l.tb.Context(), l.cfg.Unit, events, l.last.Runs, nil); err != nil {
		l.tb.Fatal(err)
	}
	l.last.Runs = nil
}

func (l *life) save() {
	l.tb.Helper()
	state, err := l.unit.Save()
	if err != nil {
		l.tb.Fatal(err)
	}
	if _, err := l.archive.store.Record(l.tb.Context(), l.cfg.Unit, nil, nil, state); err != nil {
		l.tb.Fatal(err)
	}
}

// trend gathers rows of ten minutes.
func (l *life) trend(a *rules.Assessment) {
	start := a.Time.Truncate(10 * time.Minute)
	values := map[string]signal.Number{"level": a.Level.Number(), "oil_volume": a.OilVolume.Number(), "air_ratio": a.Gas.AirRatio,
		"oil_inventory": a.Leaks.Inventory}
	for _, r := range a.Readings {
		if r.ID == signal.Pressure {
			values["pressure"] = r.Reading.Number()
		}
	}
	if a.Reserve.Known {
		values["reserve_at_least"], values["reserve_expected"] = a.Reserve.AtLeast, a.Reserve.Expected
	}
	for name, n := range values {
		r := l.rows[name]
		if r != nil && r.Start != start {
			r.Mean /= float64(r.Count)
			if err := l.archive.store.Trend(l.tb.Context(), l.cfg.Unit, []rules.Trend{*r}); err != nil {
				l.tb.Fatal(err)
			}
			r = nil
		}
		if v := float64(n); n.Known() {
			if r == nil {
				r = &rules.Trend{Name: name, Start: start, Seconds: 600, Min: v, Max: v}
			}
			r.Count++
			r.Mean += v
			r.Min, r.Max = math.Min(r.Min, v), math.Max(r.Max, v)
		}
		l.rows[name] = r
	}
}

// does lets a person command.
func (l *life) does(c rules.Command) {
	l.tb.Helper()
	c.Unit, c.By, c.Role, c.Via, c.ID = l.cfg.Unit, "E. Marsh", rules.Act, "command line", "1"
	events, err := l.unit.Apply(&c, &l.scan)
	if err != nil {
		l.tb.Fatalf("%s: %v", c.Order, err)
	}
	l.record(events...)
}

// away lets nobody watch for a time.
func (l *life) away(d time.Duration) {
	l.tb.Helper()
	state, err := l.unit.Save()
	if err != nil {
		l.tb.Fatal(err)
	}
	l.plant.Step(d)
	l.scan.Elapsed += d
	l.restart(state, nil)
}

func (l *life) breaks(f simulator.Fault, severity float64) {
	l.tb.Helper()
	if err := l.plant.Set(f, severity); err != nil {
		l.tb.Fatal(err)
	}
}

// hardTimes lives ten days of trouble: a loss of the mains, a proof test, a
// pump that wears, an overload, a time that nobody watched, a failure.
func hardTimes(tb testing.TB, example string, build simulator.Build) *life {
	tb.Helper()
	build.Routine.Strokes *= 3 // so that there is something to tell of
	l := newLife(tb, example, build)
	l.lives(1)
	l.does(rules.Command{Order: rules.ServiceDone, Source: "unit", Task: "condensate", Reason: "drained, <2 L> & clean"})
	l.lives(1.5)
	l.breaks("mains_lost", 1)
	l.plant.Shutdown()
	l.lives(1.55)
	l.breaks("mains_lost", 0)
	l.plant.Restore()
	l.lives(2.5)
	l.does(rules.Command{Order: rules.AnnounceTest, Reason: "half-yearly test", Until: l.scan.Time.Add(3 * time.Hour)})
	l.plant.Shutdown()
	l.lives(2.54)
	l.plant.Restore()
	l.lives(2.6)
	l.does(rules.Command{Order: rules.EndTest})
	for day := 3.0; day <= 9; day += 0.5 {
		l.breaks("pump2.weak", (day-3)/6*0.4)
		l.lives(day)
	}
	l.away(5 * time.Hour)
	l.lives(9.5)
	l.breaks("pump1.overload", 1)
	l.lives(9.52)
	l.breaks("pump1.overload", 0)
	l.does(rules.Command{Order: rules.RecordFailure, Source: "compressor2", Mode: "ELP", Reason: "hose weeps"})
	l.lives(9.8)
	l.breaks("compressor2.overload", 1)
	l.lives(9.85)
	return l
}
