package main

import (
	"testing"
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
)

// A pump that loses 0.7 % of its first flow each day, linearly, is announced at
// least 14 days before it falls under 70 %, and the date that is forecast then
// is right within 7 days.
func TestFallingPumpIsAnnounced(t *testing.T) {
	const day = 24 * time.Hour
	for name, of := range units() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			build := of()
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
