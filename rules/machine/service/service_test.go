package service

import (
	"testing"
	"time"
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
			if err := b.Done("pump1", "oil", "M. Ferrant", "drained 4 L", now); err != nil {
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
		"no interval": {{Source: "pump1", Name: "oil"}},
		"no name":     {{Source: "pump1", Run: 1}},
		"twice":       {{Source: "pump1", Name: "oil", Run: 1}, {Source: "pump1", Name: "oil", Starts: 1}},
	} {
		if _, err := NewBook(tasks, nil); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	b, _ := NewBook(Usual("pump", "pump1"), nil)
	if err := b.Done("pump1", "no_such_task", "x", "", Use{}); err == nil {
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
