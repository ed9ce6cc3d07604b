package history

import (
	"fmt"
	"math"
	"testing"
	"time"

	"strokebank/rules"
)

// trended are the figures of which trends are kept.
var trended = []string{"pressure", "level", "oil_volume", "reserve_at_least", "reserve_expected", "air_ratio"}

// noisy is a row whose figures do not compress: as many bytes as a real one.
func noisy(name string, at time.Time, seconds float64) rules.Trend {
	v := 8e5 + 1e4*math.Sin(float64(at.Unix())/3333)
	return rules.Trend{Name: name, Start: at, Seconds: seconds, Covered: seconds, Count: int(seconds), Min: v - 1.37, Mean: v, Max: v + 1.41}
}

// fillCoarse writes coarse rows as years of condensing would have left them.
func fillCoarse(b testing.TB, s *Store, seconds int, from, to time.Time) {
	b.Helper()
	step := time.Duration(seconds) * time.Second
	for at := from; at.Before(to); {
		err := s.db.update(b.Context(), func() error {
			for range 2000 {
				for _, name := range trended {
					number, err := s.db.seriesNumber(b.Context(), seriesKey{"AU-7", name})
					if err != nil {
						return err
					}
					t := noisy(name, at, float64(seconds))
					if _, err := s.db.exec(b.Context(), "INSERT INTO coarse VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
						seconds, number, at.UnixNano(), t.Covered, t.Count, t.Min, t.Mean, t.Max); err != nil {
						return err
					}
				}
				if at = at.Add(step); !at.Before(to) {
					return nil
				}
			}
			return nil
		})
		if err != nil {
			b.Fatal(err)
		}
	}
}

// tenYears is a store of one unit after ten years: trends in their steps, a
// run of a machine an hour, a hundred events a day for three years of which
// ten are alarms, and the alarms of ten.
func tenYears(b testing.TB) (*Store, time.Time) {
	b.Helper()
	now := march.Add(3650 * day)
	s := openStore(b, Options{Dir: b.TempDir(), Now: func() time.Time { return now }})
	fillCoarse(b, s, hours, march, now)
	fillCoarse(b, s, tens, now.Add(-tensFor), now)
	for at := now.Add(-fineFor); at.Before(now); at = at.Add(time.Hour) {
		var rows []rules.Trend
		for i := range 60 {
			for _, name := range trended {
				rows = append(rows, noisy(name, at.Add(time.Duration(i)*time.Minute), 60))
			}
		}
		trend(b, s, rows...)
	}
	for d := range 3650 {
		at := march.Add(time.Duration(d) * day)
		n := 10
		if d > 2*3650/3 {
			n = 100
		}
		var events []rules.Event
		for i := range n {
			e := machineEvent(i)
			if i < 10 {
				e = alarmEvent("low_reserve", "unacknowledged")
				e.Title, e.Action = "Low reserve", "Do not start any valve movement that can wait. See which machine should be filling and start it by hand."
			}
			e.Time = at.Add(time.Duration(i) * time.Minute)
			events = append(events, e)
		}
		runs := testRuns(24)
		for i := range runs {
			runs[i].Start = at.Add(time.Duration(i) * time.Hour)
			runs[i].End = runs[i].Start.Add(2 * time.Minute)
		}
		if _, err := s.Record(b.Context(), "AU-7", events, runs, nil); err != nil {
			b.Fatal(err)
		}
	}
	return s, now
}

// BenchmarkTenYears measures what ten years of one unit take, and what a
// person who looks at them waits for.
func BenchmarkTenYears(b *testing.B) {
	s, now := tenYears(b)
	used, _, err := s.space(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	for _, c := range []struct {
		name string
		back time.Duration
		step time.Duration
	}{{"hour", time.Hour, time.Minute}, {"day", day, 2 * time.Minute}, {"week", 7 * day, 20 * time.Minute},
		{"month", 30 * day, time.Hour}, {"year", 365 * day, 12 * time.Hour}, {"ten years", 3650 * day, 5 * day}} {
		b.Run(fmt.Sprintf("curve=%s/step=%s", c.name, c.step), func(b *testing.B) {
			for b.Loop() {
				if rows := curve(b, s, "pressure", now.Add(-c.back), now, c.step); len(rows) < 60 {
					b.Fatalf("%d rows", len(rows))
				}
			}
			b.ReportMetric(float64(used)/1e6, "MB")
		})
	}
	b.Run("events=year", func(b *testing.B) {
		n := 0
		for b.Loop() {
			n = 0
			if err := s.Between(b.Context(), "AU-7", now.Add(-365*day), now, func(rules.Entry) bool { n++; return true }); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric(float64(n), "events")
	})
}

// BenchmarkTrendDay measures what a day of trends writes once the store is in
// its steady state: batches every ten minutes, condensing four times, thinning
// once.
func BenchmarkTrendDay(b *testing.B) {
	now := march.Add(70 * day)
	s := openStore(b, Options{Dir: b.TempDir(), Now: func() time.Time { return now }})
	fillCoarse(b, s, hours, march, now)
	fillCoarse(b, s, tens, now.Add(-tensFor), now)
	ten := func(at time.Time) {
		var rows []rules.Trend
		for _, name := range trended {
			for i := range 10 {
				rows = append(rows, noisy(name, at.Add(time.Duration(i)*time.Minute), 60))
			}
		}
		trend(b, s, rows...)
	}
	for at := now.Add(-fineFor); at.Before(now); at = at.Add(10 * time.Minute) {
		ten(at)
	}
	reportWrites(b, s, 144*60, func() {
		for b.Loop() {
			for i := range 144 {
				ten(now)
				now = now.Add(10 * time.Minute)
				if i%36 == 35 {
					if err := s.coarsen(b.Context()); err != nil {
						b.Fatal(err)
					}
				}
			}
			if err := s.thin(b.Context()); err != nil {
				b.Fatal(err)
			}
		}
	})
}
