package history

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	sqlite3 "modernc.org/sqlite/lib"

	"strokebank/rules"
	"strokebank/rules/alarm"
)

// refuseDatabase makes SQLite's files unwritable with the code; the
// preallocated files can still be overwritten, as on a full disk.
func refuseDatabase(code int32) func(diskStep) int32 {
	return func(s diskStep) int32 {
		if s.isDatabase() && s.kind == stepWrite {
			return code
		}
		return 0
	}
}

// refuseAll is a disk on which no change at all succeeds.
func refuseAll(code int32) func(diskStep) int32 {
	return func(s diskStep) int32 {
		if s.kind == stepAcknowledged {
			return 0
		}
		return code
	}
}

func openDisk(t testing.TB, d *emulatedDisk) *Store {
	t.Helper()
	return openStore(t, d.options())
}

func TestDiskThatTakesNothingStopsNobody(t *testing.T) {
	for name, code := range map[string]int32{
		"full": sqlite3.SQLITE_FULL, "read only": sqlite3.SQLITE_READONLY,
		"write error": sqlite3.SQLITE_IOERR_WRITE, "no access": sqlite3.SQLITE_CANTOPEN,
	} {
		t.Run(name, func(t *testing.T) {
			d := newDisk(t)
			s := openDisk(t, d)
			record(t, s, machineEvent(1))
			d.setRefuse(refuseDatabase(code))
			entries, err := s.Record(t.Context(), "AU-7", []rules.Event{alarmEvent("low_reserve", alarm.Unacknowledged)}, nil, []byte("newer"))
			if err != nil || len(entries) != 1 || entries[0].Durable || entries[0].Seq != 2 {
				t.Fatalf("%+v, %v", entries, err)
			}
			record(t, s, machineEvent(3))
			wantNumbers(t, entriesAfter(t, s, 0), "1 durable, 2, 3")
			if state, err := s.State(t.Context(), "AU-7"); err != nil || string(state) != "newer" {
				t.Errorf("state %q, %v", state, err)
			}
			if st := s.Stats(); !st.Failing || st.LastError == "" || st.Pending != 2 || st.NotDurable != 2 || st.Newest != 3 {
				t.Errorf("%+v", st)
			}
			if err := s.Verify(t.Context()); err != nil {
				t.Error(err)
			}
			d.setRefuse(nil)
			s.recover(t.Context())
			wantNumbers(t, entriesAfter(t, s, 0), "1 durable, 2 durable, 3 durable")
			if st := s.Stats(); st.Failing || st.LastError != "" || st.Pending != 0 || st.LastErrorAt.IsZero() {
				t.Errorf("%+v", st)
			}
			verifyAndClose(t, s)
			wantNumbers(t, entriesAfter(t, openDisk(t, d), 0), "1 durable, 2 durable, 3 durable")
		})
	}
}

func wantNumbers(t testing.TB, entries []rules.Entry, want string) {
	t.Helper()
	var words []string
	for _, e := range entries {
		w := fmt.Sprint(e.Seq)
		if e.Durable {
			w += " durable"
		}
		words = append(words, w)
	}
	if got := strings.Join(words, ", "); got != want {
		t.Errorf("entries %s, want %s", got, want)
	}
}

// A commit that fails at its sync may have landed or not; trying again must
// not double anything.
func TestFailedSyncDoublesNothing(t *testing.T) {
	d := newDisk(t)
	s := openDisk(t, d)
	run := rules.Event{Kind: rules.MachineEvent, Time: epoch, Unit: "AU-7", Source: "pump1", Name: "stopped"}
	d.setRefuse(func(s diskStep) int32 {
		if s.isDatabase() && s.kind == stepSync {
			return sqlite3.SQLITE_IOERR_FSYNC
		}
		return 0
	})
	if _, err := s.Record(t.Context(), "AU-7", []rules.Event{run}, testRuns(1), nil); err != nil {
		t.Fatal(err)
	}
	wantNumbers(t, entriesAfter(t, s, 0), "1")
	d.setRefuse(nil)
	record(t, s, machineEvent(2))
	wantNumbers(t, entriesAfter(t, s, 0), "1 durable, 2 durable")
	if runs, err := s.Runs(t.Context(), "AU-7", epoch, epoch.Add(time.Hour)); err != nil || len(runs) != 1 {
		t.Errorf("%d runs, %v", len(runs), err)
	}
}

// The same for a commit that landed although it reported a failure.
func TestLandedBatchTriedAgainDoublesNothing(t *testing.T) {
	s := openStore(t, Options{Dir: t.TempDir()})
	b, err := s.number("AU-7", []rules.Event{alarmEvent("low_reserve", alarm.Normal)}, testRuns(2), []byte("state"))
	if err != nil {
		t.Fatal(err)
	}
	s.last++
	if err := s.tryFlush(t.Context(), &b, false); err != nil {
		t.Fatal(err)
	}
	s.keep(b)
	if err := s.flush(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	wantNumbers(t, entriesAfter(t, s, 0), "1 durable")
	if runs, err := s.Runs(t.Context(), "AU-7", epoch, epoch.Add(time.Hour)); err != nil || len(runs) != 2 {
		t.Errorf("%d runs, %v", len(runs), err)
	}
}

func TestNumbersGivenOutAreNeverGivenAgain(t *testing.T) {
	for name, tc := range map[string]struct {
		refuse  func(diskStep) int32
		sameIDs bool // numbers may be given again, if the ids differ
	}{
		"disk full":          {refuseDatabase(sqlite3.SQLITE_FULL), false},
		"nothing can change": {refuseAll(sqlite3.SQLITE_IOERR), true},
	} {
		t.Run(name, func(t *testing.T) {
			d := newDisk(t)
			s := openDisk(t, d)
			record(t, s, machineEvent(1))
			d.setRefuse(tc.refuse)
			lost := record(t, s, machineEvent(2), machineEvent(3))
			if err := s.Close(); err == nil || !strings.Contains(err.Error(), "2 records are lost") {
				t.Errorf("Close says %v", err)
			}
			d.setRefuse(nil)
			s = openDisk(t, d)
			if s.Newest() != 1 {
				t.Errorf("newest %d: a reader would wait for an entry that is not there", s.Newest())
			}
			next := record(t, s, machineEvent(4))
			if !tc.sameIDs && next[0].Seq <= lost[1].Seq {
				t.Errorf("number %d given again", next[0].Seq)
			}
			for _, e := range lost {
				if e.ID == next[0].ID {
					t.Errorf("id %s given again", e.ID)
				}
			}
		})
	}
}

func TestIDOfAnEventThatWentOutFirstStays(t *testing.T) {
	d := newDisk(t)
	s := openDisk(t, d)
	d.setRefuse(refuseAll(sqlite3.SQLITE_IOERR))
	out := record(t, s, machineEvent(1))
	d.setRefuse(nil)
	s.recover(t.Context())
	got := entriesAfter(t, s, 0)
	if len(got) != 1 || got[0].ID != out[0].ID || !got[0].Durable {
		t.Errorf("went out as %s, stored as %+v", out[0].ID, got)
	}
}

func TestMemoryIsBoundedAndKeepsAlarms(t *testing.T) {
	d := newDisk(t)
	s := openDisk(t, d)
	d.setRefuse(refuseDatabase(sqlite3.SQLITE_FULL))
	record(t, s, alarmEvent("low_reserve", alarm.Unacknowledged))
	events := make([]rules.Event, 1000)
	for i := range events {
		events[i] = machineEvent(i)
	}
	for i := range 9 {
		var state []byte
		if i == 0 {
			state = []byte("in the batch that is dropped")
		}
		if _, err := s.Record(t.Context(), "AU-7", events, nil, state); err != nil {
			t.Fatal(err)
		}
	}
	st := s.Stats()
	if st.Pending > maxPending || st.Dropped != 1000 {
		t.Errorf("pending %d, dropped %d", st.Pending, st.Dropped)
	}
	d.setRefuse(nil)
	s.recover(t.Context())
	if state, err := s.State(t.Context(), "AU-7"); err != nil || string(state) != "in the batch that is dropped" {
		t.Errorf("state %q, %v", state, err)
	}
	entries := entriesAfter(t, s, 0)
	if entries[0].Kind != rules.AlarmEvent || entries[1].Seq != 1002 || len(entries) != 8001 {
		t.Errorf("%d entries, first %+v then %+v", len(entries), entries[0], entries[1])
	}
}

// The ballast is real space: on the emulated disk the database may only grow
// while the ballast's file is gone.
func TestBallastGoesToEventsAndComesBack(t *testing.T) {
	d := newDisk(t)
	o := d.options()
	o.Reserve = 128 << 10
	s := openStore(t, o)
	path := filepath.Join(d.dir, "reserve.bin")
	if fileSize(path) != o.Reserve || !s.Stats().ReserveHeld {
		t.Fatalf("ballast of %d bytes", fileSize(path))
	}
	d.setRefuse(func(st diskStep) int32 {
		if _, err := os.Stat(path); st.isDatabase() && st.kind == stepWrite && err == nil {
			return sqlite3.SQLITE_FULL
		}
		return 0
	})
	if entries := record(t, s, alarmEvent("low_reserve", alarm.Unacknowledged)); !entries[0].Durable {
		t.Error("the ballast did not help")
	}
	if st := s.Stats(); st.ReserveHeld || st.Failing {
		t.Errorf("%+v", st)
	}
	wantLogPages(t, s, logPagesShort)
	if err := s.Trend(t.Context(), "AU-7", []rules.Trend{{Name: "pressure", Start: epoch}}); !errors.Is(err, errSpaceForEvents) {
		t.Errorf("a trend took the space: %v", err)
	}
	d.setRefuse(nil)
	s.recover(t.Context())
	if !s.Stats().ReserveHeld {
		t.Error("the ballast was not taken back")
	}
	wantLogPages(t, s, logPages)
	if err := s.Trend(t.Context(), "AU-7", []rules.Trend{{Name: "pressure", Start: epoch}}); err != nil {
		t.Error(err)
	}
}

func TestBallastLeavesTheDiskAsMuchAgain(t *testing.T) {
	dir := t.TempDir()
	free, err := freeBytes(dir)
	if err != nil {
		t.Fatal(err)
	}
	b := ballast{path: filepath.Join(dir, "reserve.bin"), size: free / 3 * 2}
	if err := b.restore(dir); err != nil || b.held {
		t.Errorf("held %v, %v", b.held, err)
	}
}

func TestLogTellsChangesOnly(t *testing.T) {
	d := newDisk(t)
	o := d.options()
	var lines strings.Builder
	o.Log = slog.New(slog.NewTextHandler(&lines, nil))
	s := openStore(t, o)
	d.setRefuse(refuseDatabase(sqlite3.SQLITE_FULL))
	for i := range 3 {
		record(t, s, machineEvent(i))
	}
	d.setRefuse(nil)
	for i := range 3 {
		record(t, s, machineEvent(i))
	}
	for line, want := range map[string]int{"level=ERROR": 1, "history is durable again": 1, "level=": 2} {
		if got := strings.Count(lines.String(), line); got != want {
			t.Errorf("%q stands %d times, want %d, in\n%s", line, got, want, &lines)
		}
	}
}

func wantLogPages(t testing.TB, s *Store, want int) {
	t.Helper()
	var got int
	if err := s.db.w.QueryRowContext(t.Context(), "PRAGMA wal_autocheckpoint").Scan(&got); err != nil || got != want {
		t.Errorf("the log is folded in after %d pages, want %d (%v)", got, want, err)
	}
}

func TestRunWritesLaterWhatTheDiskDidNotTake(t *testing.T) {
	d := newDisk(t)
	s := openDisk(t, d)
	d.setRefuse(refuseDatabase(sqlite3.SQLITE_FULL))
	record(t, s, machineEvent(1))
	d.setRefuse(nil)
	synctest.Test(t, func(t *testing.T) {
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- s.Run(ctx) }()
		time.Sleep(retryEvery + time.Second) // the bubble's clock
		synctest.Wait()
		s.SaveCursor("uplink", 1)
		time.Sleep(cursorEvery)
		synctest.Wait()
		stop()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	wantNumbers(t, entriesAfter(t, s, 0), "1 durable")
	if got, err := s.db.loadCursors(t.Context()); err != nil || got["uplink"] != 1 {
		t.Errorf("cursors on the disk %v, %v", got, err)
	}
}
