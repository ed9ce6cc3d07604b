package main

import (
	"slices"
	"testing"
	"time"

	"strokebank/agent/internal/simulator"
	"strokebank/rules"
	"strokebank/rules/alarm"
)

// machineAlarms are those that a sound pair of machines never raises.
var machineAlarms = []string{
	alarm.NoDelivery, alarm.LowOutput, alarm.OutputFalling, alarm.RunsInHand, alarm.RunsUncalled, alarm.FailedToStop,
	alarm.SpuriousStop, alarm.MissedTurns, alarm.TooManyStarts, alarm.AlternationStuck, alarm.StandbyHelped,
	alarm.ShortCycling, alarm.AirBeforeOil, alarm.SumpLow, alarm.FilterClogged,
	alarm.PairNoAnswer, alarm.FailedToStart, alarm.Overload, alarm.NotInAutomatic,
}

// quiet fails for every machine alarm among what was raised.
func (w *watched) quiet() {
	w.tb.Helper()
	for _, e := range w.events {
		raised := e.To == string(alarm.Unacknowledged) || e.To == string(alarm.Suppressed)
		if raised && slices.Contains(machineAlarms, e.Name) {
			w.tb.Errorf("%v: %s of %s %s: %+v", e.Time.Format(time.DateTime), e.Name, e.Source, e.To, e.Values)
		}
	}
}

// A quarter of normal operation: days ±8 K in a season that warms by 15 K,
// noise, slosh, random draws, a mains failure of an hour. Once scanned every
// ten seconds throughout, and once faster while something runs, so that fills
// are measured well enough to count.
func TestQuietQuarter(t *testing.T) {
	const quarter = 90 * 24 * time.Hour
	for name, build := range map[string]simulator.Build{"quillen-reach": simulator.QuillenReach(), "dunmorrow-flats": simulator.DunmorrowFlats()} {
		build.Weather.Wander = 2
		for _, pace := range []string{"every 10 s", "faster while it runs"} {
			t.Run(name+"/"+pace, func(t *testing.T) {
				t.Parallel()
				w := newWatched(t, name, build, 5, nil)
				w.slow = pace == "every 10 s"
				for n := range 3 {
					w.until(quarter/3, nil)
					if n == 1 {
						if err := w.plant.Set("mains_lost", 1); err != nil {
							t.Fatal(err)
						}
						w.until(time.Hour, nil)
						if err := w.plant.Set("mains_lost", 0); err != nil {
							t.Fatal(err)
						}
					}
				}
				w.quiet()
				if w.fills[0]+w.fills[1] < 20 || !w.slow && min(w.counted[0], w.counted[1]) < 8 {
					t.Errorf("fills %v, of them %v counted: too quiet to prove anything", w.fills, w.counted)
				}
			})
		}
	}
}

// A pump that loses 0.7 % of its first flow each day, linearly, is announced at
// least 14 days before it falls under 70 %, and the date that is forecast then
// is right within 7 days.
func TestFallingPumpIsAnnounced(t *testing.T) {
	const day = 24 * time.Hour
	for name, build := range map[string]simulator.Build{"quillen-reach": simulator.QuillenReach(), "dunmorrow-flats": simulator.DunmorrowFlats()} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			build.Routine.Strokes *= 5 // some fills a day
			w := newWatched(t, name, build, 21, nil)
			w.until(10*day, nil)
			start := w.scan.Elapsed
			under := w.scan.Time.Add(300 * day / 7) // 0.30 / 0.007 days
			var announced *rules.Event
			w.until(43*day, func() bool {
				lost := 0.007 * (w.scan.Elapsed - start).Hours() / 24
				if err := w.plant.Set("pump1.weak", min(lost, 1)); err != nil {
					t.Fatal(err)
				}
				for i := range w.events {
					if e := &w.events[i]; e.Name == alarm.OutputFalling && e.To == string(alarm.Unacknowledged) {
						if e.Source != "pump1" {
							t.Fatalf("%s is announced to fall", e.Source)
						}
						announced = e
						return true
					}
				}
				return false
			})
			if announced == nil {
				t.Fatalf("not announced within 43 days: %+v", w.last.Outputs[0])
			}
			f := w.last.Outputs[0].Trend.Forecast
			ahead, off := under.Sub(announced.Time), f.At.Sub(under)
			t.Logf("announced %.1f days before, forecast %+.1f days off, between %s and %s", ahead.Hours()/24, off.Hours()/24,
				f.Early.Format(time.DateOnly), f.Late.Format(time.DateOnly))
			if !f.Known || ahead < 14*day || off.Abs() > 7*day {
				t.Errorf("announced %v before it falls under 70 %%, forecast %v off", ahead, off)
			}
		})
	}
}
