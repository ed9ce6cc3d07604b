package service

import (
	"testing"
	"time"

	"strokebank/sensors/signal"
)

var began = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

func TestWhicheverComesFirst(t *testing.T) {
	task := Task{Source: "pump1", Name: "oil", Run: 100, Starts: 50, Every: 30 * 24 * time.Hour}
	for _, c := range []struct {
		name        string
		run, starts float64
		days        int
		want, by    string
	}{
		{"fresh", 1, 0, 0, Well, "run"},
		{"run hours coming", 92, 3, 3, Coming, "run"},
		{"run hours over", 100, 3, 3, Due, "run"},
		{"starts over", 10, 51, 3, Due, "starts"},
		{"date coming", 10, 3, 28, Coming, "date"},
		{"date over", 10, 3, 31, Due, "date"},
	} {
		t.Run(c.name, func(t *testing.T) {
			b, err := NewBook([]Task{task}, nil)
			if err != nil {
				t.Fatal(err)
			}
			now := Use{Time: began, Trusted: true, Run: 1000, Starts: 2000}
			use := func(string) Use { return now }
			b.Look(use)
			now.Run, now.Starts, now.Time = 1000+c.run, 2000+c.starts, began.AddDate(0, 0, c.days)
			s := b.Look(use)[0]
			if s.State != c.want || s.Nearest != c.by {
				t.Errorf("%+v, want %s by %s", s, c.want, c.by)
			}
			if !s.Last.Assumed {
				t.Error("nobody has said that it was ever done")
			}
			if _, err := b.Done("pump1", "oil", "M. Ferrant", "drained 4 L", now); err != nil {
				t.Fatal(err)
			}
			again, err := NewBook([]Task{task}, b.Save())
			if err != nil {
				t.Fatal(err)
			}
			if s := again.Look(use)[0]; s.State != Well || s.Used != 0 || s.Last.By != "M. Ferrant" || s.Last.Assumed {
				t.Errorf("done, and restored: %+v", s)
			}
		})
	}
}

// When it is due, and when that will be at the present pace.
func TestDueAndForecast(t *testing.T) {
	const hour, day = 3600.0, 24 * time.Hour
	for _, c := range []struct {
		name     string
		task     Task
		use      Use // pace and what was done since the book was opened
		days     int
		run      signal.Number // left
		date     time.Time
		forecast time.Time
	}{
		{"by the calendar", Task{Every: 30 * day}, Use{}, 3, signal.Unknown(), began.Add(30 * day), began.Add(30 * day)},
		{"by run hours, pace unknown", Task{Run: 100 * hour}, Use{Run: 10 * hour}, 3, 90 * hour, time.Time{}, time.Time{}},
		{"by run hours", Task{Run: 100 * hour}, Use{Run: 10 * hour, RunPace: 0.125}, 3, 90 * hour, time.Time{}, began.Add(33 * day)},
		{"run hours before the calendar", Task{Run: 100 * hour, Every: 90 * day}, Use{Run: 10 * hour, RunPace: 0.125}, 3, 90 * hour, began.Add(90 * day), began.Add(33 * day)},
		{"calendar before run hours", Task{Run: 100 * hour, Every: 20 * day}, Use{Run: 10 * hour, RunPace: 0.125}, 3, 90 * hour, began.Add(20 * day), began.Add(20 * day)},
		{"by starts", Task{Starts: 50}, Use{Starts: 20, StartsPace: 30 / (10 * day.Seconds())}, 3, signal.Unknown(), time.Time{}, began.Add(13 * day)},
		{"due already", Task{Run: 100 * hour}, Use{Run: 104 * hour, RunPace: 0.125}, 3, -4 * hour, time.Time{}, time.Time{}},
		{"never within a century", Task{Run: 100 * hour}, Use{RunPace: 1e-6}, 0, 100 * hour, time.Time{}, time.Time{}},
		{"first on a day", Task{Every: 365 * day, FirstDate: began.Add(40 * day)}, Use{}, 3, signal.Unknown(), began.Add(40 * day), began.Add(40 * day)},
		{"first at a reading of the meter", Task{Run: 500 * hour, FirstRun: 1120 * hour}, Use{Run: 20 * hour}, 3, 100 * hour, time.Time{}, time.Time{}},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.task.Source, c.task.Name = "compressor1", "oil"
			b, err := NewBook([]Task{c.task}, nil)
			if err != nil {
				t.Fatal(err)
			}
			now := Use{Time: began, Trusted: true, Run: 1000 * hour, Starts: 2000}
			use := func(string) Use { return now }
			b.Look(use)
			now.Run, now.Starts, now.RunPace, now.StartsPace = now.Run+c.use.Run, now.Starts+c.use.Starts, c.use.RunPace, c.use.StartsPace
			now.Time = began.AddDate(0, 0, c.days)
			s := b.Look(use)[0]
			if c.run.Known() != s.RunLeft.Known() || c.run.Known() && s.RunLeft != c.run || !s.DueDate.Equal(c.date) || s.Forecast.Sub(c.forecast).Abs() > time.Second {
				t.Errorf("%v s left, due on %v, forecast %v\nwant %v s, %v, %v", s.RunLeft, s.DueDate, s.Forecast, c.run, c.date, c.forecast)
			}
			if c.run.Known() && s.DueRun != signal.Number(now.Run)+s.RunLeft {
				t.Errorf("due at %v s of %v, %v left", s.DueRun, now.Run, s.RunLeft)
			}
			if _, err := b.Done("compressor1", "oil", "M. Ferrant", "", now); err != nil {
				t.Fatal(err)
			}
			if s := b.Look(use)[0]; s.RunLeft.Known() && s.RunLeft != signal.Number(c.task.Run) || c.task.Every > 0 && !s.DueDate.Equal(now.Time.Add(c.task.Every)) {
				t.Errorf("once done, a first date no longer counts: %+v", s)
			}
		})
	}
}

func TestWhileTheClockIsNotTrustedNoDateCounts(t *testing.T) {
	b, err := NewBook([]Task{{Source: "unit", Name: "sample", Every: time.Hour}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	now := Use{Time: began}
	use := func(string) Use { return now }
	b.Look(use)
	now.Time = began.AddDate(30, 0, 0)
	if s := b.Look(use)[0]; s.State != Well {
		t.Errorf("%+v", s)
	}
	now.Trusted = true
	b.Look(use)
	now.Time = now.Time.Add(2 * time.Hour)
	if s := b.Look(use)[0]; s.State != Due {
		t.Errorf("%+v", s)
	}
}

func TestMistakes(t *testing.T) {
	for name, tasks := range map[string][]Task{
		"no interval":                         {{Source: "pump1", Name: "oil"}},
		"a first day without an interval":     {{Source: "pump1", Name: "oil", Run: 1, FirstDate: began}},
		"a first reading without an interval": {{Source: "pump1", Name: "oil", Starts: 1, FirstRun: 1}},
		"no name":                             {{Source: "pump1", Run: 1}},
		"twice":                               {{Source: "pump1", Name: "oil", Run: 1}, {Source: "pump1", Name: "oil", Starts: 1}},
	} {
		if _, err := NewBook(tasks, nil); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	b, _ := NewBook(Usual("pump", "pump1"), nil)
	if _, err := b.Done("pump1", "no_such_task", "x", "", Use{}); err == nil {
		t.Error("a task that does not exist was done")
	}
}

func TestLookDoesNotAllocate(t *testing.T) {
	b, err := NewBook(append(Usual("compressor", "compressor1"), Usual("unit", "unit")...), nil)
	if err != nil {
		t.Fatal(err)
	}
	use := func(string) Use { return Use{Time: began, Trusted: true} }
	if n := testing.AllocsPerRun(100, func() { b.Look(use) }); n != 0 {
		t.Errorf("%v allocations", n)
	}
}
