package history

import (
	"math"
	"testing"
	"time"

	sqlite3 "modernc.org/sqlite/lib"

	"strokebank/rules"
	"strokebank/rules/alarm"
)

// aged is a store whose rows of every kind are a day old and whose clock can
// be moved.
func aged(t *testing.T, o Options) (s *Store, now *time.Time) {
	t.Helper()
	clock := epoch.Add(day)
	o.Now = func() time.Time { return clock }
	s = openStore(t, o)
	for i := range 30 {
		record(t, s, machineEvent(i), alarmEvent("low_reserve", alarm.Unacknowledged))
	}
	if _, err := s.Record(t.Context(), "AU-7", nil, testRuns(30), []byte("state")); err != nil {
		t.Fatal(err)
	}
	var trends []rules.Trend
	for i := range 30 {
		trends = append(trends, rules.Trend{Name: "pressure", Start: epoch.Add(time.Duration(i) * time.Minute), Seconds: 60, Count: 1})
	}
	if err := s.Trend(t.Context(), "AU-7", trends); err != nil {
		t.Fatal(err)
	}
	return s, &clock
}

// kept counts what is left of trends, other events, runs and alarm events.
func kept(t *testing.T, s *Store) (n [4]int) {
	t.Helper()
	for i, query := range []string{
		"SELECT count(*) FROM trends", "SELECT count(*) FROM events WHERE kind <> 'alarm'",
		"SELECT count(*) FROM runs", "SELECT count(*) FROM events WHERE kind = 'alarm'",
	} {
		if err := s.db.readers.QueryRowContext(t.Context(), query).Scan(&n[i]); err != nil {
			t.Fatal(err)
		}
	}
	return n
}

func TestRetentionByAge(t *testing.T) {
	retain := Retain{Trends: 10 * day, Events: 20 * day, Runs: 30 * day, Alarms: 40 * day}
	for _, tc := range []struct {
		name   string
		after  time.Duration
		cursor uint64
		want   [4]int
	}{
		{"young", 5 * day, 60, [4]int{30, 30, 30, 30}},
		{"trends go first", 15 * day, 60, [4]int{0, 30, 30, 30}},
		{"then other events", 25 * day, 60, [4]int{0, 0, 30, 30}},
		{"then runs", 35 * day, 60, [4]int{0, 0, 0, 30}},
		{"alarms last, and the newest stays", 45 * day, 60, [4]int{0, 0, 0, 1}},
		{"unsent events stay", 45 * day, 40, [4]int{0, 10, 0, 10}},
		{"a clock that went back removes nothing", -400 * day, 60, [4]int{30, 30, 30, 30}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			s, now := aged(t, Options{Dir: t.TempDir(), Retain: retain})
			s.SaveCursor("uplink", tc.cursor)
			*now = now.Add(tc.after)
			if err := s.prune(t.Context()); err != nil {
				t.Fatal(err)
			}
			if got := kept(t, s); got != tc.want {
				t.Errorf("kept %v, want %v", got, tc.want)
			}
			if next := record(t, s, machineEvent(1)); next[0].Seq != 61 {
				t.Errorf("numbering goes on at %d", next[0].Seq)
			}
			if state, err := s.State(t.Context(), "AU-7"); err != nil || string(state) != "state" {
				t.Errorf("the saved state went: %q, %v", state, err)
			}
		})
	}
}

func TestRetentionBySizeRemovesAlarmsLast(t *testing.T) {
	s, _ := aged(t, Options{Dir: t.TempDir()})
	events := make([]rules.Event, 2000)
	for i := range events {
		events[i] = machineEvent(i)
	}
	record(t, s, events...)
	s.SaveCursor("uplink", s.Newest())
	used, _, err := s.space(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	s.opts.Retain.Size = used / 2
	if err := s.prune(t.Context()); err != nil {
		t.Fatal(err)
	}
	got := kept(t, s)
	if got[0] != 0 || got[1] == 0 || got[1] >= 2030 || got[2] != 30 || got[3] != 30 {
		t.Errorf("kept %v", got)
	}
	if now, _, err := s.space(t.Context()); err != nil || now > used/2 {
		t.Errorf("%d bytes in use, %v; limit %d", now, err, used/2)
	}
	s.opts.Retain.Size = 1 // cannot be met: everything goes but the newest
	if err := s.prune(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got := kept(t, s); got != [4]int{0, 1, 0, 0} {
		t.Errorf("kept %v", got)
	}
}

func TestSpaceIsMadeWhileTheBallastIsGone(t *testing.T) {
	d := newDisk(t)
	s, _ := aged(t, d.options())
	s.ballast.size = math.MaxInt64 / 4 // more than any disk has: it cannot be held
	s.SaveCursor("uplink", s.Newest())
	for _, want := range [][4]int{{0, 30, 30, 30}, {0, 0, 30, 30}, {0, 0, 30, 30}} {
		s.recover(t.Context())
		if got := kept(t, s); got != want {
			t.Errorf("kept %v, want %v", got, want)
		}
	}
	d.setRefuse(refuseDatabase(sqlite3.SQLITE_FULL))
	s.recover(t.Context()) // must not disturb what is there
	d.setRefuse(nil)
}
