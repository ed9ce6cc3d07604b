package history

import (
	"context"
	"errors"
	"math"
	"testing"
	"time"

	"strokebank/rules"
	"strokebank/rules/machine"
)

func testRuns(n int) []machine.Run {
	runs := make([]machine.Run, n)
	for i := range runs {
		start := epoch.Add(time.Duration(i) * time.Minute)
		runs[i] = machine.Run{Position: "pump1", Start: start, End: start.Add(20 * time.Second), Seconds: 20}
	}
	return runs
}

func TestEntriesInOrderFromACursorOn(t *testing.T) {
	s := openStore(t, Options{Dir: t.TempDir()})
	for i := range 10 {
		record(t, s, machineEvent(i))
	}
	for _, tc := range []struct {
		name  string
		after uint64
		limit int
		want  string
	}{
		{"from the start", 0, 2, "1 durable, 2 durable"},
		{"from the middle", 7, 100, "8 durable, 9 durable, 10 durable"},
		{"at the end", 10, 100, ""},
		{"beyond the end", math.MaxUint64, 100, ""},
		{"no limit left", 3, 0, ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, err := s.Entries(t.Context(), tc.after, tc.limit)
			if err != nil {
				t.Fatal(err)
			}
			wantNumbers(t, got, tc.want)
		})
	}
}

func TestMemoryFollowsTheDiskWithoutAGap(t *testing.T) {
	numbered := func(durable bool, seqs ...uint64) (entries []rules.Entry) {
		for _, seq := range seqs {
			entries = append(entries, rules.Entry{Seq: seq, Durable: durable})
		}
		return entries
	}
	for _, tc := range []struct {
		name           string
		stored, memory []rules.Entry
		limit          int
		want           string
	}{
		{"one after the other", numbered(true, 1, 2), numbered(false, 3, 4), 10, "1 durable, 2 durable, 3, 4"},
		{"moved to the disk meanwhile", numbered(true, 1, 2, 3, 4), numbered(false, 3, 4, 5), 10, "1 durable, 2 durable, 3 durable, 4 durable, 5"},
		{"the limit cuts the disk's part", numbered(true, 1, 2), numbered(false, 3), 2, "1 durable, 2 durable"},
		{"the limit cuts memory's part", numbered(true, 1), numbered(false, 2, 3), 2, "1 durable, 2"},
		{"nothing on the disk", nil, numbered(false, 7), 10, "7"},
	} {
		t.Run(tc.name, func(t *testing.T) { wantNumbers(t, join(tc.stored, tc.memory, tc.limit), tc.want) })
	}
}

func TestCursorIsSavedLazily(t *testing.T) {
	dir := t.TempDir()
	s := openStore(t, Options{Dir: dir})
	record(t, s, machineEvent(1))
	onDisk := func() uint64 {
		t.Helper()
		cursors, err := s.db.loadCursors(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return cursors["uplink"]
	}
	before := modified(t, dir)
	s.SaveCursor("uplink", 1)
	if got, err := s.Cursor(t.Context(), "uplink"); got != 1 || err != nil {
		t.Errorf("cursor %d, %v", got, err)
	}
	if after := modified(t, dir); onDisk() != 0 || before["history.db-wal"] != after["history.db-wal"] {
		t.Error("saving a cursor wrote to the disk")
	}
	record(t, s, machineEvent(2))
	if onDisk() != 1 {
		t.Error("the next record did not take the cursor along")
	}
	s.SaveCursor("uplink", 2)
	s.saveCursors(t.Context())
	if onDisk() != 2 {
		t.Error("the minute's care did not save the cursor")
	}
	record(t, s, machineEvent(3))
	s.SaveCursor("uplink", 3)
	verifyAndClose(t, s)
	s = openStore(t, Options{Dir: dir})
	if got, err := s.Cursor(t.Context(), "uplink"); got != 3 || err != nil {
		t.Errorf("after Close: cursor %d, %v", got, err)
	}
	if got, err := s.Cursor(t.Context(), "nobody"); got != 0 || err != nil {
		t.Errorf("cursor of nobody %d, %v", got, err)
	}
}

func TestSeveralWaitersWake(t *testing.T) {
	s := openStore(t, Options{Dir: t.TempDir()})
	const waiters = 3
	done := make(chan error, waiters)
	changed := s.Appended()
	for range waiters {
		go func() { done <- s.Wait(t.Context(), 0) }()
	}
	record(t, s, machineEvent(1))
	<-changed
	for range waiters {
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
}

func TestWaitEndsWithItsContextAndWithTheStore(t *testing.T) {
	s := openStore(t, Options{Dir: t.TempDir()})
	record(t, s, machineEvent(1))
	ctx, stop := context.WithCancel(t.Context())
	stop()
	if err := s.Wait(ctx, 1); !errors.Is(err, context.Canceled) {
		t.Errorf("with a context that has ended: %v", err)
	}
	done := make(chan error, 1)
	go func() { done <- s.Wait(context.Background(), 1) }()
	verifyAndClose(t, s)
	if err := <-done; !errors.Is(err, ErrClosed) {
		t.Errorf("with a store that closes: %v", err)
	}
}

func TestRunsByTheirEnd(t *testing.T) {
	s := openStore(t, Options{Dir: t.TempDir()})
	if _, err := s.Record(t.Context(), "AU-7", nil, testRuns(5), nil); err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		name     string
		unit     string
		from, to time.Duration
		want     int
	}{
		{"all", "AU-7", 0, time.Hour, 5},
		{"the end counts", "AU-7", 20 * time.Second, 80 * time.Second, 1},
		{"another unit", "ACC-2", 0, time.Hour, 0},
		{"before all", "AU-7", -time.Hour, 0, 0},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, err := s.Runs(t.Context(), tc.unit, epoch.Add(tc.from), epoch.Add(tc.to))
			if err != nil || len(got) != tc.want {
				t.Errorf("%d runs, %v; want %d", len(got), err, tc.want)
			}
		})
	}
}

func TestTrendsComeBackAndPartsOfAStretchJoin(t *testing.T) {
	s := openStore(t, Options{Dir: t.TempDir()})
	nan := math.NaN()
	ten := func(n int) time.Time { return epoch.Truncate(time.Minute).Add(time.Duration(n) * 10 * time.Minute) }
	store := func(unit string, trends ...rules.Trend) {
		t.Helper()
		if err := s.Trend(t.Context(), unit, trends); err != nil {
			t.Fatal(err)
		}
	}
	store("AU-7",
		rules.Trend{Name: "pressure", Start: ten(0), Seconds: 600, Count: 30, Min: 1, Mean: 2, Max: 3},
		rules.Trend{Name: "pressure", Start: ten(1), Seconds: 600, Count: 0, Min: nan, Mean: nan, Max: nan},
		rules.Trend{Name: "level", Start: ten(0), Seconds: 600, Count: 60, Min: 9, Mean: 9, Max: 9})
	store("ACC-2", rules.Trend{Name: "pressure", Start: ten(0), Seconds: 600, Count: 60, Min: 7, Mean: 7, Max: 7})
	store("AU-7",
		rules.Trend{Name: "pressure", Start: ten(0), Seconds: 600, Count: 10, Min: 0, Mean: 6, Max: 8},
		rules.Trend{Name: "pressure", Start: ten(2), Seconds: 600, Count: 60, Min: 4, Mean: 5, Max: 6})
	store("AU-7", rules.Trend{Name: "pressure", Start: ten(2), Seconds: 600, Count: 0, Min: nan, Mean: nan, Max: nan})
	store("AU-7", rules.Trend{Name: "pressure", Start: ten(3), Seconds: 600, Count: 0, Min: nan, Mean: nan, Max: nan})
	store("AU-7", rules.Trend{Name: "pressure", Start: ten(3), Seconds: 600, Count: 5, Min: 4, Mean: 5, Max: 6})
	got, err := s.Trends(t.Context(), "AU-7", "pressure", ten(0), ten(4))
	if err != nil || len(got) != 4 {
		t.Fatalf("%+v, %v", got, err)
	}
	// (2·30 + 6·10) / 40 = 3
	if g := got[0]; g.Count != 40 || g.Min != 0 || g.Mean != 3 || g.Max != 8 || !g.Start.Equal(ten(0)) || g.Seconds != 600 {
		t.Errorf("joined stretch %+v", g)
	}
	if g := got[1]; g.Count != 0 || !math.IsNaN(g.Min) || !math.IsNaN(g.Mean) || !math.IsNaN(g.Max) {
		t.Errorf("unknown stretch %+v", g)
	}
	if g := got[2]; g.Count != 60 || g.Min != 4 || g.Mean != 5 || g.Max != 6 {
		t.Errorf("stretch joined with an unknown part %+v", g)
	}
	if g := got[3]; g.Count != 5 || g.Min != 4 || g.Mean != 5 || g.Max != 6 {
		t.Errorf("unknown stretch joined with a known part %+v", g)
	}
	if got, err := s.Trends(t.Context(), "AU-7", "pressure", ten(1), ten(2)); err != nil || len(got) != 1 {
		t.Errorf("%d rows, %v: the end does not count", len(got), err)
	}
	if got, err := s.Trends(t.Context(), "AU-7", "no such", ten(0), ten(3)); err != nil || got != nil {
		t.Errorf("%v, %v", got, err)
	}
}

// A reader saves its cursor while events are recorded: the race detector looks
// at what the two share.
func TestCursorIsSavedWhileEventsAreRecorded(t *testing.T) {
	s, err := Open(t.Context(), Options{Dir: t.TempDir(), Agent: "gateway-1"})
	if err != nil {
		t.Fatal(err)
	}
	recorded, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		for {
			select {
			case <-recorded:
				return
			default:
				s.SaveCursor("uplink", s.Newest())
			}
		}
	}()
	for range 50 {
		if _, err := s.Record(t.Context(), "AU-7", []rules.Event{{Kind: rules.AgentEvent, Name: "started"}}, nil, nil); err != nil {
			t.Fatal(err)
		}
	}
	close(recorded)
	<-done
	if err := errors.Join(s.Verify(t.Context()), s.Close()); err != nil {
		t.Error(err)
	}
}
