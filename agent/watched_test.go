package main

import (
	"testing"
	"time"

	"strokebank/agent/internal/simulator"
	"strokebank/rules"
	"strokebank/rules/alarm"
)

// watched is a simulated unit whose alarms are looked at: it is scanned every
// second while something moves or runs and for a while after, and every ten
// seconds else, so that weeks pass quickly. It keeps the alarms that were
// raised, by name and source.
type watched struct {
	*rig
	raised map[string]raise // the first of each since the fault
	events []rules.Event
	busy   int
	begin  time.Duration
}

// raise is an alarm as it was raised.
type raise struct {
	after     time.Duration
	explained bool // by another alarm
	evidence  []rules.Value
}

func newWatched(tb testing.TB, example string, build simulator.Build, seed uint64, change func(*rules.Config)) *watched {
	return &watched{raised: map[string]raise{}, rig: newRig(tb, example, build, seed, 10*time.Second, change)}
}

// lively is one step at the pace that the plant needs.
func (w *watched) lively() *rules.Assessment {
	w.period = 10 * time.Second
	if w.busy > 0 {
		w.busy--
		w.period = time.Second
	}
	a := w.step()
	for i := range a.Machines {
		if a.Machines[i].State == "running" {
			w.busy = 60
		}
	}
	for _, e := range a.Events {
		if e.Kind == rules.AlarmEvent {
			w.keep(e)
		}
	}
	return a
}

// keep notes an alarm event.
func (w *watched) keep(e rules.Event) {
	w.events = append(w.events, e)
	explained := e.To == string(alarm.Suppressed)
	if e.To != string(alarm.Unacknowledged) && !explained {
		return
	}
	key := e.Name + " " + e.Source
	if _, twice := w.raised[key]; !twice {
		w.raised[key] = raise{w.scan.Elapsed - w.begin, explained, e.Values}
	}
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

// strain draws the tank down by two shutdowns with their restorations, one
// right after the other.
func (w *watched) strain() {
	for range 2 {
		w.plant.Shutdown()
		w.until(2*time.Minute, nil)
		w.plant.Restore()
		w.until(2*time.Minute, nil)
	}
}

// inject begins a fault; what was raised before the first one is forgotten.
func (w *watched) inject(f simulator.Fault, severity float64) {
	w.tb.Helper()
	if err := w.plant.Set(f, severity); err != nil {
		w.tb.Fatal(err)
	}
	if w.begin != w.scan.Elapsed {
		w.begin = w.scan.Elapsed
		w.raised, w.events = map[string]raise{}, nil
	}
}
