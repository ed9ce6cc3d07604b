package main

import (
	"bytes"
	"math"
	"testing"
	"time"

	"strokebank/agent/internal/simulator"
	"strokebank/configs"
	"strokebank/rules"
	"strokebank/sensors/signal"
)

// rig is a simulated plant judged by the rules in the test's own time: no
// wire, no clock, no sleeping. It reads what the transmitters show.
type rig struct {
	tb      testing.TB
	plant   *simulator.Plant
	unit    *rules.Unit
	cfg     rules.Config
	last    *rules.Assessment
	period  time.Duration
	own     time.Duration // the scan period that the example asks for
	samples []simulator.Sample
	place   []int // of each register's point among the unit's points
	points  []signal.Point
	scan    signal.Scan
}

// newRig joins a simulated unit with the example configuration that describes
// it, scanned every period. change, where not nil, may alter the configuration.
func newRig(tb testing.TB, example string, build simulator.Build, seed uint64, period time.Duration, change func(*rules.Config)) *rig {
	tb.Helper()
	text, err := configs.Example(example)
	if err != nil {
		tb.Fatal(err)
	}
	cfg, err := configs.Parse(bytes.NewReader(text))
	if err != nil {
		tb.Fatal(err)
	}
	plant, err := simulator.New(build, seed)
	if err != nil {
		tb.Fatal(err)
	}
	r := &rig{tb: tb, plant: plant, cfg: cfg.Units[0].Rules, period: period}
	r.own, r.cfg.ScanPeriod = r.cfg.ScanPeriod, period
	if change != nil {
		change(&r.cfg)
	}
	at := map[signal.ID]int{}
	for i, p := range cfg.Units[0].Points {
		r.points = append(r.points, signal.Point{ID: p.ID, Unit: p.Spec.Unit})
		at[p.ID] = i
	}
	r.points = append(r.points, signal.Point{ID: signal.OfLink("panel"), Unit: signal.Boolean})
	for _, reg := range plant.Registers() {
		i, ok := at[signal.ID(reg.Name)]
		if !ok {
			tb.Fatalf("the example %s does not read %s", example, reg.Name)
		}
		r.place = append(r.place, i)
	}
	r.scan = signal.Scan{ClockTrusted: true, Readings: make([]signal.Reading, len(r.points))}
	r.restart(nil, nil)
	return r
}

// restart makes the unit anew from what was saved.
func (r *rig) restart(state, beat []byte) {
	r.tb.Helper()
	unit, err := rules.New(r.cfg, r.points, state, beat)
	if err != nil {
		r.tb.Fatal(err)
	}
	r.unit = unit
}

// step lets one scan period pass at the plant and judges what it then shows.
func (r *rig) step() *rules.Assessment {
	r.look()
	r.last = r.unit.Step(r.scan)
	return r.last
}

// look lets one scan period pass and reads what the transmitters then show.
func (r *rig) look() {
	r.plant.Step(r.period)
	r.samples = r.plant.Measured(r.samples[:0])
	r.scan.Number++
	r.scan.Elapsed += r.period
	r.scan.Time = r.plant.Truth().Wall
	for i, s := range r.samples {
		at := r.place[i]
		if s.OK {
			r.scan.Readings[at] = signal.Measured(s.Value, r.points[at].Unit, r.scan.Time)
		} else {
			r.scan.Readings[at] = signal.Missing(r.points[at].Unit, signal.FailureLow, r.scan.Time)
		}
	}
	up := 1.0
	if r.plant.Severity("link_lost") > 0 {
		up = 0
		for i := range r.scan.Readings {
			r.scan.Readings[i] = signal.Missing(r.points[i].Unit, signal.LinkLost, r.scan.Time)
		}
	}
	r.scan.Readings[len(r.points)-1] = signal.Measured(up, signal.Boolean, r.scan.Time)
}

// pass lets some time pass and calls each with every assessment.
func (r *rig) pass(d time.Duration, each func(*rules.Assessment)) {
	for range int(d / r.period) {
		a := r.step()
		if each != nil {
			each(a)
		}
	}
}

func TestRigJudgesASoundPlant(t *testing.T) {
	for _, c := range []struct {
		example string
		build   simulator.Build
		days    int
		period  time.Duration
	}{
		{"quillen-reach", simulator.QuillenReach(), 1, time.Second},
		{"dunmorrow-flats", simulator.DunmorrowFlats(), 6, 5 * time.Second}, // it pumps every other day
	} {
		t.Run(c.example, func(t *testing.T) {
			r := newRig(t, c.example, c.build, 3, c.period, nil)
			r.pass(time.Duration(c.days)*24*time.Hour, func(a *rules.Assessment) {
				for _, e := range a.Events {
					if e.Kind == rules.AlarmEvent && e.To == "unacknowledged" {
						t.Errorf("%v %s of %s: %+v", e.Time, e.Name, e.Source, e.Values)
					}
				}
			})
			truth, starts := r.plant.Truth(), 0.0
			for i, m := range r.last.Machines {
				starts += m.LifetimeStarts
				if m.LifetimeStarts != float64(truth.Starts[i]) {
					t.Errorf("%s: %v starts, %d in truth", m.Position, m.LifetimeStarts, truth.Starts[i])
				}
				if off := math.Abs(m.LifetimeRunSeconds - truth.RunSeconds[i]); off > (m.LifetimeStarts+1)*c.period.Seconds() {
					t.Errorf("%s: %v s run, %v in truth", m.Position, m.LifetimeRunSeconds, truth.RunSeconds[i])
				}
			}
			if starts == 0 || !r.last.Reserve.Known {
				t.Errorf("%v starts in %d days, reserve known %v", starts, c.days, r.last.Reserve.Known)
			}
		})
	}
}
