package history

import (
	"context"
	"database/sql"
	"fmt"
	"math"
	"path/filepath"
	"testing"
	"time"

	sqlite3 "modernc.org/sqlite/lib"

	"strokebank/rules"
)

// minutes is n rows of one minute from a time on, values counting up, except
// where skip says so.
func minutes(name string, from time.Time, n int, skip func(i int) bool) []rules.Trend {
	var rows []rules.Trend
	for i := range n {
		if skip != nil && skip(i) {
			continue
		}
		v := float64(i)
		rows = append(rows, rules.Trend{Name: name, Start: from.Add(time.Duration(i) * time.Minute), Seconds: 60, Count: 60, Min: v - 0.25, Mean: v, Max: v + 0.25})
	}
	return rows
}

// clocked is a store whose clock can be moved.
func clocked(t testing.TB, now time.Time) (*Store, *time.Time) {
	t.Helper()
	clock := now
	return openStore(t, Options{Dir: t.TempDir(), Now: func() time.Time { return clock }}), &clock
}

func trend(t testing.TB, s *Store, rows ...rules.Trend) {
	t.Helper()
	if err := s.Trend(t.Context(), "AU-7", rows); err != nil {
		t.Fatal(err)
	}
}

func curve(t testing.TB, s *Store, name string, from, to time.Time, step time.Duration) []rules.Trend {
	t.Helper()
	rows, err := s.Curve(t.Context(), "AU-7", name, from, to, step)
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

func rowsOf(t testing.TB, s *Store, query string) (n int) {
	t.Helper()
	if err := s.db.readers.QueryRowContext(t.Context(), query).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

var march = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

func TestCoarseRowsKeepLeastMeanMostAndCount(t *testing.T) {
	s, _ := clocked(t, march.Add(day))
	rows := minutes("pressure", march, 120, func(i int) bool { return i >= 30 && i < 50 })
	rows[7].Max = 1000 // a spike of one minute
	trend(t, s, rows...)
	trend(t, s, rules.Trend{Name: "pressure", Start: march.Add(35 * time.Minute), Seconds: 60, Min: math.NaN(), Mean: math.NaN(), Max: math.NaN()})
	if err := s.coarsen(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name string
		step time.Duration
		at   int // row
		of   int // rows
		want rules.Trend
	}{
		{"ten minutes", 10 * time.Minute, 0, 10, rules.Trend{Start: march, Seconds: 600, Covered: 600, Count: 600, Min: -0.25, Mean: 4.5, Max: 1000}},
		{"ten minutes behind the gap", 10 * time.Minute, 3, 10, rules.Trend{Start: march.Add(50 * time.Minute), Seconds: 600, Covered: 600, Count: 600, Min: 49.75, Mean: 54.5, Max: 59.25}},
		{"an hour with a gap", time.Hour, 0, 2, rules.Trend{Start: march, Seconds: 3600, Covered: 2400, Count: 2400, Min: -0.25, Mean: 24.5, Max: 1000}},
		{"three hours", 3 * time.Hour, 0, 1, rules.Trend{Start: march, Seconds: 10800, Covered: 6000, Count: 6000, Min: -0.25, Mean: 63.5, Max: 1000}},
		{"twenty minutes", 20 * time.Minute, 3, 6, rules.Trend{Start: march.Add(60 * time.Minute), Seconds: 1200, Covered: 1200, Count: 1200, Min: 59.75, Mean: 69.5, Max: 79.25}},
		{"as it came", time.Minute, 30, 100, rules.Trend{Start: march.Add(50 * time.Minute), Seconds: 60, Covered: 60, Count: 60, Min: 49.75, Mean: 50, Max: 50.25}},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.want.Name = "pressure"
			got := curve(t, s, "pressure", march, march.Add(2*time.Hour), c.step)
			if len(got) != c.of {
				t.Fatalf("%d rows, want %d", len(got), c.of)
			}
			got[c.at].Mean = math.Round(got[c.at].Mean*1e9) / 1e9
			if got[c.at] != c.want {
				t.Errorf("got  %+v\nwant %+v", got[c.at], c.want)
			}
		})
	}
	if got := curve(t, s, "level", march, march.Add(day), time.Hour); got != nil {
		t.Errorf("a series that is not there has %v", got)
	}
}

// Rows that are not condensed yet are part of every step all the same, and
// what comes late is taken in.
func TestCurveIsUpToDate(t *testing.T) {
	s, _ := clocked(t, march.Add(day))
	trend(t, s, minutes("level", march, 90, nil)...)
	if err := s.coarsen(t.Context()); err != nil {
		t.Fatal(err)
	}
	all := minutes("level", march, 200, nil)
	trend(t, s, all[90:]...)
	check := func(when string) {
		t.Helper()
		got := curve(t, s, "level", march, march.Add(day), time.Hour)
		if len(got) != 4 || got[1].Count != 3600 || got[3].Count != 1200 || got[3].Max != 199.25 {
			t.Errorf("%s: %+v", when, got)
		}
	}
	check("before they are condensed")
	for range 2 {
		if err := s.coarsen(t.Context()); err != nil {
			t.Fatal(err)
		}
		check("after")
	}
	if n := rowsOf(t, s, "SELECT count(*) FROM coarse"); n != 20+4 {
		t.Errorf("%d coarse rows", n)
	}
}

func TestThinKeepsWhatCoarserStepsHold(t *testing.T) {
	s, now := clocked(t, march)
	for d := range 12 { // twelve days, an hour each
		trend(t, s, minutes("pressure", march.Add(time.Duration(d)*day), 60, nil)...)
	}
	trend(t, s, rules.Trend{Name: "pressure", Start: time.Unix(0, 0).Add(time.Hour), Seconds: 60, Count: 60, Min: 5, Mean: 5, Max: 5}) // before the clock was set
	count := func() [3]int {
		return [3]int{rowsOf(t, s, "SELECT count(*) FROM trends"), rowsOf(t, s, "SELECT count(*) FROM coarse WHERE seconds = 600"),
			rowsOf(t, s, "SELECT count(*) FROM coarse WHERE seconds = 3600")}
	}
	for _, c := range []struct {
		name string
		at   time.Duration
		want [3]int
	}{
		{"a clock that went back", -400 * day, [3]int{720, 72, 13}},
		{"young", 7 * day, [3]int{720, 72, 13}},
		{"the first four days and half an hour are old", 12*day + 30*time.Minute, [3]int{480 - 30, 72, 13}},
		{"sixty-one days", 61*day + 10*time.Minute, [3]int{0, 72 - 6 - 1, 13}},
		{"a year", 365 * day, [3]int{0, 0, 13}},
	} {
		t.Run(c.name, func(t *testing.T) {
			*now = march.Add(c.at)
			if err := s.thin(t.Context()); err != nil {
				t.Fatal(err)
			}
			if got := count(); got != c.want {
				t.Errorf("fine, tens, hours: %v, want %v", got, c.want)
			}
			hours := curve(t, s, "pressure", march, march.Add(400*day), time.Hour)
			if len(hours) != 12 {
				t.Fatalf("%d hours are left", len(hours))
			}
			for i, h := range hours {
				if h.Count != 3600 || h.Min != -0.25 || h.Max != 59.25 || !h.Start.Equal(march.Add(time.Duration(i)*day)) {
					t.Errorf("hour %d: %+v", i, h)
				}
			}
			// Where the border runs through a stretch, nothing is missing and
			// nothing stands twice.
			n := 0
			for _, r := range curve(t, s, "pressure", march, march.Add(400*day), time.Minute) {
				n += r.Count
			}
			if n != 12*3600 {
				t.Errorf("at the finest step there are %d readings, want %d", n, 12*3600)
			}
		})
	}
}

// A clock that is years ahead for a day costs detail of three days at most.
func TestThinIsBounded(t *testing.T) {
	s, now := clocked(t, march.Add(400*day))
	for d := range 5 {
		trend(t, s, minutes("pressure", march.Add(time.Duration(d)*day), 1440, nil)...)
	}
	_ = now
	if err := s.thin(t.Context()); err != nil {
		t.Fatal(err)
	}
	if n := rowsOf(t, s, "SELECT count(*) FROM trends"); n != 2*1440 {
		t.Errorf("%d fine rows are left, want two days", n)
	}
}

func TestCoarseRowsGoByAgeAndBySize(t *testing.T) {
	s, now := clocked(t, march)
	trend(t, s, minutes("pressure", march, 1440, nil)...)
	s.opts.Retain.Trends = 100 * day
	*now = march.Add(99 * day)
	if err := s.thin(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := s.prune(t.Context()); err != nil {
		t.Fatal(err)
	}
	if n := rowsOf(t, s, "SELECT count(*) FROM coarse"); n != 24 {
		t.Errorf("%d coarse rows, want 24 hours", n)
	}
	*now = march.Add(100*day + 12*time.Hour)
	if err := s.prune(t.Context()); err != nil {
		t.Fatal(err)
	}
	if n := rowsOf(t, s, "SELECT count(*) FROM coarse"); n != 12 {
		t.Errorf("%d coarse rows, want 12", n)
	}
	s.opts.Retain.Size = 1
	if err := s.prune(t.Context()); err != nil {
		t.Fatal(err)
	}
	if n := rowsOf(t, s, "SELECT count(*) FROM coarse"); n != 0 {
		t.Errorf("%d coarse rows in a store that is too large", n)
	}
}

func TestFullDiskKeepsFineRows(t *testing.T) {
	d := newDisk(t)
	o := d.options()
	o.Now = func() time.Time { return march.Add(30 * day) }
	s := openStore(t, o)
	trend(t, s, minutes("pressure", march, 60, nil)...)
	d.setRefuse(refuseDatabase(sqlite3.SQLITE_FULL))
	if err := s.thin(t.Context()); err == nil {
		t.Error("a full disk was not said")
	}
	d.setRefuse(nil)
	if got := curve(t, s, "pressure", march, march.Add(day), time.Minute); len(got) != 60 {
		t.Errorf("%d rows are left", len(got))
	}
	if err := s.thin(t.Context()); err != nil {
		t.Error(err)
	}
}

// A store of every released schema opens and goes on.
func TestSchemaGoesForward(t *testing.T) {
	for version := 1; version < len(migrations); version++ {
		t.Run(fmt.Sprintf("from version %d", version), func(t *testing.T) {
			dir := t.TempDir()
			older(t, filepath.Join(dir, "history.db"), version)
			s := openStore(t, Options{Dir: dir, Now: func() time.Time { return march.Add(20 * day) }})
			if s.Installation() != "gw1-0badcafe" {
				t.Errorf("installation %s", s.Installation())
			}
			if got := entriesAfter(t, s, 0); len(got) != 1 || got[0].Name != "started" || got[0].ID != "gw1-0badcafe-1" {
				t.Errorf("entries %+v", got)
			}
			if err := s.thin(t.Context()); err != nil {
				t.Fatal(err)
			}
			got := curve(t, s, "pressure", march, march.Add(day), time.Minute)
			if len(got) != 6 || got[0].Seconds != 600 || got[5].Max != 59 {
				t.Errorf("trends %+v", got)
			}
			record(t, s, machineEvent(1))
		})
	}
}

// older writes a store as a program of an earlier schema left it: the scripts
// themselves are never edited.
func older(t testing.TB, path string, version int) {
	t.Helper()
	ctx := context.Background()
	db, err := sql.Open("sqlite", dsn(path, "", "_pragma=journal_mode(WAL)"))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	scripts := append([]string{}, migrations[:version]...)
	scripts = append(scripts, fmt.Sprintf("PRAGMA application_id = %d; PRAGMA user_version = %d", applicationID, version),
		`INSERT INTO meta VALUES ('installation', 'gw1-0badcafe');
		 INSERT INTO events (seq, unit, time, kind, payload) VALUES (1, 'AU-7', 1772323200000000000, 'agent', '{"kind":"agent","name":"started","unit":"AU-7"}');
		 INSERT INTO series VALUES (1, 'AU-7', 'pressure')`)
	for i := range 60 {
		scripts = append(scripts, fmt.Sprintf("INSERT INTO trends VALUES (%d, 1, 60.0, 60, %d, %d, %d)", march.Add(time.Duration(i)*time.Minute).UnixNano(), i, i, i))
	}
	for _, script := range scripts {
		if _, err := db.ExecContext(ctx, script); err != nil {
			t.Fatal(err)
		}
	}
}

func TestBetween(t *testing.T) {
	s := openStore(t, Options{Dir: t.TempDir()})
	for i := range 10 {
		record(t, s, machineEvent(i))
	}
	other := machineEvent(3)
	other.Unit = "ACC-2"
	if _, err := s.Record(t.Context(), "ACC-2", []rules.Event{other}, nil, nil); err != nil {
		t.Fatal(err)
	}
	var got []string
	take := func(e rules.Entry) bool { got = append(got, e.Name); return len(got) < 4 }
	for _, c := range []struct {
		name     string
		from, to int
		want     string
	}{
		{"a few", 2, 4, "[event 2 event 3]"},
		{"as many as are taken", 2, 100, "[event 2 event 3 event 4 event 5]"},
		{"none", 50, 100, "[]"},
	} {
		t.Run(c.name, func(t *testing.T) {
			got = nil
			err := s.Between(t.Context(), "AU-7", epoch.Add(time.Duration(c.from)*time.Second), epoch.Add(time.Duration(c.to)*time.Second), take)
			if err != nil || fmt.Sprint(got) != c.want {
				t.Errorf("%v, %v; want %s", got, err, c.want)
			}
		})
	}
}
