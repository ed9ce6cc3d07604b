package main

import (
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"strokebank/agent/internal/simulator"
)

var update = flag.Bool("update", false, "write the golden files anew")

const matrixFile = "../testdata/fault-matrix.txt"

const matrixHead = `# Every fault that must be found, tried on two simulated units: AU-7 with every
# signal wired and ACC-2 with pressure, level and running contacts alone; then
# ten pairs at once. Made by TestFaultMatrix with -update; never typed.
#
# severity   as the simulator takes it; a fault that is there or not has 1
# named      the alarm and its source; "explained" where another one explains it;
#            "not visible" where nothing that is wired can tell
# after      from the fault to the alarm, at the mildest use that the trial needs
# also       what else was raised until then, because it follows from the fault
`

// units are the two builds that the faults are tried on.
func units() map[string]func() simulator.Build {
	return map[string]func() simulator.Build{"quillen-reach": simulator.QuillenReach, "dunmorrow-flats": simulator.DunmorrowFlats}
}

// cell is one field of the matrix: a unit with one fault or two.
type cell struct {
	unit   string
	trials []trial
	step   int // of the severities
	plant  scenario
	also   []string
}

// cells is the whole matrix in its order.
func cells() []cell {
	var list []cell
	for _, unit := range []string{"quillen-reach", "dunmorrow-flats"} {
		add := func(plant scenario, also []string, trials ...trial) {
			steps := 0
			for _, t := range trials {
				steps = max(steps, len(t.severities))
			}
			for step := range steps {
				list = append(list, cell{unit, trials, step, plant, also})
			}
		}
		for _, t := range trials {
			add(t.plant, t.also, t)
		}
		for _, p := range pairs {
			first, second := trialOf(p.first), trialOf(p.second)
			add(p.plant, slices.Concat(first.also, second.also, p.also), first, second)
		}
	}
	return list
}

func trialOf(name string) trial {
	at := slices.IndexFunc(trials, func(t trial) bool { return t.name == name })
	return trials[at]
}

func (c *cell) severity(t trial) float64 { return t.severities[min(c.step, len(t.severities)-1)] }

// wanted is what has to be named, and never is what must not be.
func (c *cell) wanted() (wanted, never []string) {
	for _, t := range c.trials {
		name := t.all
		if c.unit == "dunmorrow-flats" {
			name = t.few
		}
		if name == "" {
			never = append(never, t.all)
		} else {
			wanted = append(wanted, name)
		}
	}
	return wanted, never
}

// key is what tells the cell's row from all others.
func (c *cell) key() string {
	var names, severities []string
	for _, t := range c.trials {
		names = append(names, t.name)
		severities = append(severities, fmt.Sprintf("%g", c.severity(t)))
	}
	return fmt.Sprintf("%-16s| %-50s| %-9s|", c.unit, strings.Join(names, " + "), strings.Join(severities, " "))
}

// run tries the cell and gives its row.
func (c *cell) run(t *testing.T) string {
	build := units()[c.unit]()
	if c.plant.build != nil {
		c.plant.build(&build)
	}
	w := newWatched(t, c.unit, build, 11, c.plant.change)
	var before, within time.Duration
	var strain bool
	also := slices.Concat(c.plant.also, c.also)
	for _, tr := range c.trials {
		before, within, strain = max(before, tr.before), max(within, tr.within), strain || tr.strain
	}
	w.until(before, nil)
	for _, tr := range c.trials {
		fault := strings.Replace(tr.fault, "valve.1", "valve."+build.Valves[0].Tag, 1)
		w.inject(simulator.Fault(fault), c.severity(tr))
	}
	wanted, never := c.wanted()
	next := w.begin
	w.until(within, func() bool {
		if strain && w.scan.Elapsed >= next {
			next += 90 * time.Minute
			w.strain()
		}
		return len(wanted) > 0 && len(w.missing(wanted)) == 0
	})
	for _, name := range w.missing(wanted) {
		t.Errorf("%s was not named within %v; raised: %v", name, within, w.others(nil))
	}
	others := w.others(wanted)
	for _, name := range others {
		if slices.Contains(never, name) || !slices.Contains(also, name) && !strings.HasSuffix(name, explained) {
			t.Errorf("%s was raised: is it a wrong name, or what follows?", name)
		}
	}
	return c.key() + c.told(w, wanted) + " " + strings.Join(others, ", ")
}

// told says how each wanted alarm was named and when.
func (c *cell) told(w *watched, wanted []string) string {
	named, after := []string{}, []string{}
	for _, name := range wanted {
		r := w.raised[name]
		if len(r.evidence) == 0 {
			w.tb.Errorf("%s came without the figures that led to it", name)
		}
		named, after = append(named, r.label(name)), append(after, coarse(r.after))
	}
	if len(wanted) < len(c.trials) {
		named = append(named, "not visible")
	}
	return fmt.Sprintf(" %-60s| %-16s|", strings.Join(named, " + "), strings.Join(after, " + "))
}

const explained = " (explained)"

func (r raise) label(name string) string {
	if r.explained {
		return name + explained
	}
	return name
}

// coarse is a time as it is worth being compared.
func coarse(d time.Duration) string {
	switch {
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min", (d+time.Minute-1)/time.Minute)
	case d < 2*aDay:
		return fmt.Sprintf("%.0f h", d.Hours())
	default:
		return fmt.Sprintf("%.1f d", d.Hours()/24)
	}
}

// missing are those of the names that were not raised.
func (w *watched) missing(names []string) []string {
	return slices.DeleteFunc(slices.Clone(names), func(n string) bool { _, ok := w.raised[n]; return ok })
}

// others are the alarms raised that are not among the names.
func (w *watched) others(names []string) []string {
	var list []string
	for name, r := range w.raised {
		if !slices.Contains(names, name) {
			list = append(list, r.label(name))
		}
	}
	slices.Sort(list)
	return list
}

// TestFaultMatrix tries every cell and holds the rows against the golden file.
func TestFaultMatrix(t *testing.T) {
	golden, err := os.ReadFile(matrixFile)
	if err != nil && !*update {
		t.Fatal(err)
	}
	list := cells()
	rows := make([]string, len(list))
	t.Run("cell", func(t *testing.T) {
		for i := range list {
			c := &list[i]
			t.Run(strings.Join(strings.Fields(c.key()), " "), func(t *testing.T) {
				t.Parallel()
				rows[i] = strings.TrimRight(c.run(t), " ")
				t.Log(rows[i])
				if !*update && !strings.Contains(string(golden), "\n"+rows[i]+"\n") {
					t.Errorf("the golden file has no row\n%s", rows[i])
				}
			})
		}
	})
	if slices.Contains(rows, "") {
		return // only some were asked for, or one has failed
	}
	text := matrixHead + strings.Join(rows, "\n") + "\n"
	if *update {
		if err := os.WriteFile(matrixFile, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	} else if text != string(golden) {
		t.Errorf("%s differs: go test ./agent -run 'TestFaultMatrix$' -update, and read the difference", matrixFile)
	}
}
