package history

import (
	"testing"
	"time"

	"strokebank/rules"
	"strokebank/rules/machine"
	ran "strokebank/rules/machine/work"
)

// workedFor fills a store with n runs of each of two pumps, one an hour by
// turns, 20 min each, a fill with every one.
func workedFor(t testing.TB, s *Store, n int) {
	t.Helper()
	for i := range 2 * n {
		position := []string{"pump1", "pump2"}[i%2]
		start := epoch.Add(time.Duration(i) * time.Hour)
		r := machine.Run{Position: position, Start: start, End: start.Add(20 * time.Minute), Seconds: 1200, StartSeen: true}
		e := rules.Event{Kind: rules.FillEvent, Time: r.End, Unit: "AU-7", Source: position, Name: "filled",
			Fill: &ran.Fill{Position: position, Start: r.Start, End: r.End, Corrected: 0.0004}}
		if _, err := s.Record(t.Context(), "AU-7", []rules.Event{e, machineEvent(i)}, []machine.Run{r}, nil); err != nil {
			t.Fatal(err)
		}
	}
}

func TestRunsAPageAtATime(t *testing.T) {
	s := openStore(t, Options{Dir: t.TempDir()})
	workedFor(t, s, 7)
	before, pages, last := uint64(0), 0, time.Time{}
	seen := 0
	for {
		page, err := s.RunsBefore(t.Context(), "AU-7", "pump2", before, 3)
		if err != nil {
			t.Fatal(err)
		}
		if len(page) == 0 || seen > 7 {
			break
		}
		pages++
		for _, r := range page {
			seen++
			if r.Position != "pump2" || !last.IsZero() && !r.Start.Before(last) {
				t.Errorf("%+v behind %v", r, last)
			}
			last, before = r.Start, r.Number
		}
	}
	if seen != 7 || pages != 3 {
		t.Errorf("%d runs on %d pages", seen, pages)
	}
	if page, err := s.RunsBefore(t.Context(), "AU-8", "pump2", 0, 3); err != nil || len(page) != 0 {
		t.Errorf("of another unit: %+v, %v", page, err)
	}
}

func TestEachRunThatLiesInATime(t *testing.T) {
	s := openStore(t, Options{Dir: t.TempDir()})
	workedFor(t, s, 600) // more than are read at once
	count := func(from, to time.Time, most int) (n int) {
		t.Helper()
		if err := s.EachRun(t.Context(), "AU-7", from, to, func(machineRun rules.NumberedRun) bool { n++; return n < most }); err != nil {
			t.Fatal(err)
		}
		return n
	}
	for _, c := range []struct {
		name     string
		from, to time.Duration
		most     int
		want     int
	}{
		{"all", 0, 2000 * time.Hour, 9999, 1200},
		{"in part at both ends", 10 * time.Minute, time.Hour + time.Minute, 9999, 2},
		{"between two", 21 * time.Minute, 59 * time.Minute, 9999, 0},
		{"until enough", 0, 2000 * time.Hour, 5, 5},
	} {
		t.Run(c.name, func(t *testing.T) {
			if n := count(epoch.Add(c.from), epoch.Add(c.to), c.most); n != c.want {
				t.Errorf("%d, want %d", n, c.want)
			}
		})
	}
}

func TestEachEventOfAKind(t *testing.T) {
	s := openStore(t, Options{Dir: t.TempDir()})
	workedFor(t, s, 5)
	q := rules.Search{Unit: "AU-7", Source: "pump1", Kinds: []rules.Kind{rules.FillEvent}, From: epoch.Add(time.Hour), To: epoch.Add(100 * time.Hour)}
	var got []rules.Entry
	if err := s.Each(t.Context(), q, func(e rules.Entry) bool { got = append(got, e); return true }); err != nil {
		t.Fatal(err)
	}
	if len(got) != 4 {
		t.Fatalf("%d fills", len(got))
	}
	for i, e := range got {
		if e.Fill == nil || e.Source != "pump1" || i > 0 && e.Seq < got[i-1].Seq {
			t.Errorf("%+v", e)
		}
	}
	got = nil
	if err := s.Each(t.Context(), q, func(e rules.Entry) bool { got = append(got, e); return false }); err != nil || len(got) != 1 {
		t.Errorf("%d after enough, %v", len(got), err)
	}
}
