package main

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"strokebank/agent/internal/simulator"
	"strokebank/rules"
	"strokebank/rules/alarm"
)

// watched is a simulated unit whose machines are looked at: it is scanned every
// second while something moves or runs and for a while after, and every ten
// seconds else, so that weeks pass quickly. It keeps the alarms that were
// raised, by name and source.
type watched struct {
	*rig
	raised  map[string]time.Duration // first raise, since the fault
	events  []rules.Event
	busy    int
	begin   time.Duration
	slow    bool // always every ten seconds
	fills   [2]int
	counted [2]int
}

// units are the two builds that the faults are tried on: one with everything
// wired, one with pressure, level and running contacts alone. Busier than the
// demo, so that weeks hold enough runs.
func units() map[string]func() simulator.Build {
	lively := func(b simulator.Build) simulator.Build {
		b.Routine.Strokes *= 3
		b.AirLoss = 0.06
		return b
	}
	return map[string]func() simulator.Build{
		"quillen-reach":   func() simulator.Build { return lively(simulator.QuillenReach()) },
		"dunmorrow-flats": func() simulator.Build { return lively(simulator.DunmorrowFlats()) },
	}
}

func newWatched(tb testing.TB, example string, build simulator.Build, seed uint64) *watched {
	w := &watched{raised: map[string]time.Duration{}}
	w.rig = newRig(tb, example, build, seed, 10*time.Second, func(c *rules.Config) {
		// The machines do not look at the reserve: a short cycle makes it cheap.
		c.Reserve.Cycle, c.Reserve.Required = c.Reserve.Cycle[:1], 1
	})
	return w
}

// lively is one step at the pace that the plant needs.
func (w *watched) lively() *rules.Assessment {
	w.period = 10 * time.Second
	if w.busy > 0 && !w.slow {
		w.busy--
		w.period = time.Second
	}
	a := w.step()
	for i := range a.Machines {
		if a.Machines[i].State == "running" {
			w.busy = 60
		}
	}
	for _, f := range a.Fills {
		i := 0
		if f.Position == "pump2" {
			i = 1
		}
		w.fills[i]++
		if f.Counts {
			w.counted[i]++
		}
	}
	for _, e := range a.Events {
		if e.Kind != rules.AlarmEvent {
			continue
		}
		w.events = append(w.events, e)
		if e.To == string(alarm.Unacknowledged) || e.To == string(alarm.Suppressed) {
			key := e.Name + " " + e.Source
			if _, twice := w.raised[key]; !twice {
				w.raised[key] = w.scan.Elapsed - w.begin
			}
		}
	}
	return a
}

// until lets time pass until found says so, and reports whether it did.
func (w *watched) until(most time.Duration, found func() bool) bool {
	for end := w.scan.Elapsed + most; w.scan.Elapsed < end; {
		w.lively()
		if found != nil && found() {
			return true
		}
	}
	return false
}

// drain draws the tank down by two shutdowns with their restorations, one right
// after the other.
func (w *watched) drain() {
	for range 2 {
		w.plant.Shutdown()
		w.until(2*time.Minute, nil)
		w.plant.Restore()
		w.until(2*time.Minute, nil)
	}
}

// inject begins a fault; what was raised before is forgotten.
func (w *watched) inject(f simulator.Fault, severity float64) {
	w.tb.Helper()
	if err := w.plant.Set(f, severity); err != nil {
		w.tb.Fatal(err)
	}
	w.begin = w.scan.Elapsed
	w.raised = map[string]time.Duration{}
	w.events = nil
}

// machineFault is one fault of the machines and what has to name it on either
// unit; an empty name: nothing there can tell, and nothing has to.
type machineFault struct {
	name       string
	fault      simulator.Fault
	severities []float64
	all, few   string        // the alarm and its source, with everything and with the least signals
	within     time.Duration // at the latest
	draw       bool          // a shutdown and its restoration help to show it
	days       int           // of health before
}

func machineFaults() []machineFault {
	const day = 24 * time.Hour
	whole := []float64{1}
	return []machineFault{
		{"pump delivers nothing", "pump1.weak", []float64{0.9, 0.97, 1}, "no_delivery pump1", "no_delivery pump1", 4 * day, false, 1},
		{"pump delivers less", "pump1.weak", []float64{0.15, 0.3, 0.6}, "low_output pump1", "low_output pump1", 21 * day, false, 12},
		{"compressor weak", "compressor1.weak", []float64{0.3, 0.5, 0.7}, "low_output compressor1", "low_output compressor1", 30 * day, false, 12},
		{"compressor delivers nothing", "compressor1.weak", []float64{0.95, 0.98, 1}, "no_delivery compressor1", "no_delivery compressor1", 8 * day, false, 1},
		{"pair does not answer", "pumps.no_answer", whole, "pair_no_answer pumps", "pair_no_answer pumps", 4 * day, true, 1},
		{"fails to start", "pump1.no_start", whole, "failed_to_start pump1", "failed_to_start pump1", 4 * day, false, 1},
		{"compressor fails to start", "compressor1.no_start", whole, "failed_to_start compressor1", "failed_to_start compressor1", 14 * day, false, 1},
		{"fails to stop", "pump1.no_stop", whole, "failed_to_stop pump1", "failed_to_stop pump1", 4 * day, false, 1},
		{"compressor fails to stop", "compressor1.no_stop", whole, "failed_to_stop compressor1", "failed_to_stop compressor1", 8 * day, false, 1},
		{"runs by hand", "pump1.hand", whole, "runs_in_hand pump1", "runs_uncalled pump1", 2 * day, false, 1},
		{"contactor welded", "pump1.welded", whole, "runs_uncalled pump1", "runs_uncalled pump1", 2 * day, false, 1},
		{"compressor welded", "compressor2.welded", whole, "runs_uncalled compressor2", "runs_uncalled compressor2", 2 * day, false, 1},
		{"overload", "pump1.overload", whole, "overload pump1", "", time.Hour, false, 1},
		{"selector off", "pump1.off", whole, "not_in_automatic pump1", "", time.Hour, false, 1},
		{"sump low", "sump_low", []float64{0.6, 0.8, 1}, "sump_low unit", "", 2 * day, false, 1},
		{"filter clogged", "filter_clogged", []float64{0.4, 0.7, 1}, "filter_clogged unit", "", 3 * day, false, 1},
		{"alternation stuck", "pumps.alternation_stuck", whole, "alternation_stuck pumps", "alternation_stuck pumps", 8 * day, false, 1},
		{"standby had to help", "pump1.weak", []float64{0.97, 0.98, 1}, "standby_helped pumps", "standby_helped pumps", 8 * day, true, 1},
		{"machine missed its turns", "pump2.off", whole, "missed_turns pump2", "missed_turns pump2", 10 * day, false, 1},
		{"compressor before oil", "compressors.lockout_bypassed", whole, "air_before_oil compressors", "air_before_oil compressors", 14 * day, true, 1},
		{"short cycling", "pumps.short_cycling", []float64{0.5, 0.75, 1}, "short_cycling pumps", "short_cycling pumps", 8 * day, false, 1},
		{"spurious stop", "pump1.spurious_stop", whole, "spurious_stop pump1", "spurious_stop pump1", 12 * day, false, 1},
	}
}

// row is one line of the matrix of faults.
type row struct {
	unit, fault string
	severity    float64
	wanted      string
	found       bool
	after       time.Duration
	others      []string // what else was raised
}

func (r row) String() string {
	after := "not found"
	if r.found {
		after = r.after.Round(time.Minute).String()
	}
	return fmt.Sprintf("%-16s %-28s %4.2f  %-30s %-12s %s", r.unit, r.fault, r.severity, r.wanted, after, strings.Join(r.others, ", "))
}

// ripe is a unit that has been watched for some days.
func ripe(t testing.TB, example string, build simulator.Build, days int) *watched {
	w := newWatched(t, example, build, 11)
	w.until(time.Duration(days)*24*time.Hour, nil)
	return w
}

// machineFaultRows injects one fault at each of its severities and gives a row
// for each.
func machineFaultRows(t testing.TB, example string, build func() simulator.Build, f machineFault) []row {
	wanted := f.all
	if example == "dunmorrow-flats" {
		wanted = f.few
	}
	if wanted == "" {
		return nil
	}
	var rows []row
	for _, severity := range f.severities {
		w := ripe(t, example, build(), f.days)
		w.inject(f.fault, severity)
		r := row{unit: example, fault: f.name, severity: severity, wanted: wanted}
		next := w.begin
		r.found = w.until(f.within, func() bool {
			if f.draw && w.scan.Elapsed >= next {
				next += 90 * time.Minute
				w.drain()
			}
			_, ok := w.raised[wanted]
			return ok
		})
		r.after = w.raised[wanted]
		for key := range w.raised {
			if key != wanted {
				r.others = append(r.others, key)
			}
		}
		rows = append(rows, r)
	}
	return rows
}

func TestMachineFaultsAreNamed(t *testing.T) {
	for example, build := range units() {
		for _, f := range machineFaults() {
			if only := os.Getenv("FAULT"); only != "" && !strings.Contains(f.name, only) {
				continue
			}
			t.Run(example+"/"+f.name, func(t *testing.T) {
				for _, r := range machineFaultRows(t, example, build, f) {
					t.Log(r)
					if !r.found {
						t.Errorf("%s at %v was not named within %v; raised: %v", f.fault, r.severity, f.within, r.others)
					}
				}
			})
		}
	}
}
