package history

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"

	sqlite3 "modernc.org/sqlite/lib"
)

// readOnlyDisk is a folder that can be made unwritable and writable again. For
// root it is a file system of its own, mounted anew as read-only, for others a
// folder without the permission to write.
func readOnlyDisk(t *testing.T) (dir string, readOnly func(bool)) {
	t.Helper()
	dir = t.TempDir()
	if os.Geteuid() != 0 {
		t.Cleanup(func() { allow(t, dir, 0o700, 0o600) })
		return dir, func(yes bool) {
			t.Helper()
			if yes {
				allow(t, dir, 0o500, 0o400)
			} else {
				allow(t, dir, 0o700, 0o600)
			}
		}
	}
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=64m"); err != nil {
		t.Fatalf("root cannot mount a file system here; run the tests where it can, or as another user: %v", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, 0); err != nil {
			t.Error(err)
		}
	})
	return dir, func(yes bool) {
		t.Helper()
		var flags uintptr = syscall.MS_REMOUNT
		if yes {
			flags |= syscall.MS_RDONLY
		}
		if err := syscall.Mount("tmpfs", dir, "tmpfs", flags, ""); err != nil {
			t.Fatal(err)
		}
	}
}

// allow sets the permissions of a folder and of the files in it.
func allow(t *testing.T, dir string, folder, files os.FileMode) {
	t.Helper()
	if err := os.Chmod(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	all, err := filepath.Glob(filepath.Join(dir, "*"))
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range all {
		if err := os.Chmod(path, files); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Chmod(dir, folder); err != nil {
		t.Fatal(err)
	}
}

// A disk that is read-only when the agent starts: what stands on it is known,
// what comes is kept and goes there once that is possible.
func TestOpenOnAReadOnlyDisk(t *testing.T) {
	dir, readOnly := readOnlyDisk(t)
	o := Options{Dir: dir, Agent: "gw1", Reserve: -1, Now: atEpoch}
	s := openStore(t, o)
	if _, err := s.Record(t.Context(), "AU-7", []rules.Event{alarmEvent("low_reserve", alarm.Unacknowledged), machineEvent(2)}, nil, []byte("state")); err != nil {
		t.Fatal(err)
	}
	s.SaveCursor("uplink", 1)
	beat(t, s, "pulse")
	installation := s.Installation()
	verifyAndClose(t, s)

	readOnly(true)
	s = openStore(t, o)
	if state, err := s.State(t.Context(), "AU-7"); err != nil || string(state) != "state" || s.Installation() != installation {
		t.Errorf("state %q of %s, %v", state, s.Installation(), err)
	}
	wantBeat(t, s, "pulse")
	if seq, err := s.Cursor(t.Context(), "uplink"); err != nil || seq != 1 {
		t.Errorf("cursor %d, %v", seq, err)
	}
	if s.Health().Durable || !s.Stats().Failing || s.Stats().LastError == "" {
		t.Errorf("%+v", s.Stats())
	}
	out := record(t, s, machineEvent(3))
	s.SaveCursor("uplink", 2)
	s.recover(t.Context()) // the disk is not back yet
	out = append(out, record(t, s, alarmEvent("low_reserve", alarm.Normal))...)
	wantNumbers(t, entriesAfter(t, s, 0), "1 durable, 2 durable, 3, 4")
	if err := s.Beat("AU-7", nil); !errors.Is(err, syscall.EROFS) && !errors.Is(err, syscall.EACCES) {
		t.Errorf("a heartbeat on a read-only disk: %v", err)
	}
	if err := s.Trend(t.Context(), "AU-7", []rules.Trend{{Name: "pressure", Start: epoch}}); err == nil {
		t.Error("a trend on a read-only disk")
	}

	readOnly(false)
	s.recover(t.Context())
	wantNumbers(t, entriesAfter(t, s, 0), "1 durable, 2 durable, 3 durable, 4 durable")
	if !s.Health().Durable || s.Stats().Failing {
		t.Errorf("%+v", s.Stats())
	}
	beat(t, s, "new pulse")
	verifyAndClose(t, s)

	s = openStore(t, o)
	all := entriesAfter(t, s, 2)
	if len(all) != 2 || all[0].ID != out[0].ID || all[1].ID != out[1].ID {
		t.Errorf("went out as %v, stored as %v", ids(out), ids(all))
	}
	if seq, err := s.Cursor(t.Context(), "uplink"); err != nil || seq != 2 {
		t.Errorf("cursor %d, %v", seq, err)
	}
}

func ids(entries []rules.Entry) (list []string) {
	for _, e := range entries {
		list = append(list, e.ID)
	}
	return list
}

// A place that cannot even be read, as a disk that is not there yet: nobody
// knows how far the numbers had come, so new ones are provisional, and every
// id stays what it was.
func TestOpenWhereNothingCanBeRead(t *testing.T) {
	parent := t.TempDir()
	there, away := filepath.Join(parent, "disk"), filepath.Join(parent, "away")
	o := Options{Dir: filepath.Join(there, "history"), Agent: "gw1", Reserve: -1}
	s := openStore(t, o)
	record(t, s, machineEvent(1), machineEvent(2), machineEvent(3))
	s.SaveCursor("uplink", 2)
	installation := s.Installation()
	verifyAndClose(t, s)
	seen := map[string]bool{}
	for round := range 2 {
		if err := errors.Join(os.Rename(there, away), os.WriteFile(there, nil, 0o600)); err != nil {
			t.Fatal(err)
		}
		s = openStore(t, o)
		if s.Installation() == installation {
			t.Error("ids of the store that cannot be read")
		}
		start := s.Newest()
		if seq, err := s.Cursor(t.Context(), "uplink"); err != nil || seq != start || start < provisional {
			t.Errorf("cursor %d, newest %d, %v", seq, start, err)
		}
		out := record(t, s, machineEvent(4), machineEvent(5))
		if got := entriesAfter(t, s, start); len(got) != 2 || got[0].Seq != start+1 || got[0].Durable {
			t.Errorf("%+v", got)
		}
		s.SaveCursor("uplink", start+2)
		woken := make(chan error, 1)
		go func() { woken <- s.Wait(t.Context(), start+2) }()

		if err := errors.Join(os.Remove(there), os.Rename(away, there)); err != nil {
			t.Fatal(err)
		}
		s.recover(t.Context())
		if err := <-woken; err != nil {
			t.Error(err)
		}
		s.SaveCursor("uplink", start+2) // from a reader that has not noticed yet
		if seq, err := s.Cursor(t.Context(), "uplink"); err != nil || seq != 2 || s.Installation() != installation {
			t.Errorf("cursor %d of %s, %v", seq, s.Installation(), err)
		}
		var want []string
		for n := 1; n <= 5+2*round; n++ {
			want = append(want, fmt.Sprint(n, " durable"))
		}
		all := entriesAfter(t, s, 0)
		wantNumbers(t, all, strings.Join(want, ", "))
		for i, e := range all[len(all)-2:] {
			if e.ID != out[i].ID || seen[e.ID] {
				t.Errorf("went out as %s, stored as %s", out[i].ID, e.ID)
			}
			seen[e.ID] = true
		}
		verifyAndClose(t, s)
	}
}

// What the disk never took before the end is lost, and the end says so.
func TestCloseWithoutADisk(t *testing.T) {
	there := filepath.Join(t.TempDir(), "disk")
	if err := os.WriteFile(there, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := Open(t.Context(), Options{Dir: filepath.Join(there, "history")})
	if err != nil {
		t.Fatal(err)
	}
	record(t, s, machineEvent(1))
	if err := s.Close(); err == nil || !strings.Contains(err.Error(), "1 records are lost") {
		t.Errorf("Close says %v", err)
	}
}

// A damaged database on a disk that does not let it be put aside.
func TestDamageThatCannotBePutAside(t *testing.T) {
	dir, readOnly := readOnlyDisk(t)
	fillAndDamage(t, dir, func([]byte) []byte { return bytes.Repeat([]byte("no database "), 1000) })
	readOnly(true)
	s := openStore(t, Options{Dir: dir})
	out := record(t, s, machineEvent(1))
	readOnly(false)
	s.recover(t.Context())
	if s.Stats().Damage == "" || !s.Health().Durable {
		t.Errorf("%+v", s.Stats())
	}
	if all := entriesAfter(t, s, 0); len(all) == 0 || all[len(all)-1].ID != out[0].ID || !all[len(all)-1].Durable {
		t.Errorf("%v does not end with %s", ids(all), out[0].ID)
	}
	verifyAndClose(t, s)
}

// A page that turns out spoiled when it is read must neither keep the agent
// from starting nor the uplink from going on.
func TestDamageFoundByAReader(t *testing.T) {
	for _, table := range []string{"units", "events"} {
		t.Run(table, func(t *testing.T) {
			dir := t.TempDir()
			fillAndDamage(t, dir, spoilTable(t, table))
			s := openStore(t, Options{Dir: dir})
			if _, err := s.State(t.Context(), "AU-7"); err != nil {
				t.Error(err)
			}
			entries, err := s.Entries(t.Context(), 0, 1000)
			if err != nil {
				t.Error(err)
			}
			if s.Stats().Damage == "" {
				t.Errorf("%d entries and no damage found", len(entries))
			}
			out := record(t, s, machineEvent(1))
			if all := entriesAfter(t, s, out[0].Seq-1); len(all) != 1 || !all[0].Durable {
				t.Errorf("%+v", all)
			}
			verifyAndClose(t, s)
		})
	}
}

// An event whose words are spoiled, in a database that is otherwise sound.
func TestSpoiledEventHoldsUpNobody(t *testing.T) {
	s := openStore(t, Options{Dir: t.TempDir()})
	record(t, s, machineEvent(1), machineEvent(2), machineEvent(3))
	if _, err := s.db.w.ExecContext(t.Context(), "UPDATE events SET payload = '{' WHERE seq = 2"); err != nil {
		t.Fatal(err)
	}
	all := entriesAfter(t, s, 0)
	wantNumbers(t, all, "1 durable, 2 durable, 3 durable")
	if e := all[1]; e.Name != "unreadable" || e.Reason == "" || e.Unit != "AU-7" || e.Time.IsZero() {
		t.Errorf("%+v", e)
	}
	if s.Verify(t.Context()) == nil {
		t.Error("the check of the store finds nothing")
	}
	if _, err := s.db.w.ExecContext(t.Context(), "DELETE FROM events WHERE seq = 2"); err != nil {
		t.Fatal(err)
	}
}

// A trend is not kept when the disk refuses it, so nothing waits; that the
// disk is back is found out all the same.
func TestRefusedTrendIsNotRememberedForEver(t *testing.T) {
	d := newDisk(t)
	s := openDisk(t, d)
	d.setRefuse(refuseDatabase(sqlite3.SQLITE_IOERR_WRITE))
	if err := s.Trend(t.Context(), "AU-7", []rules.Trend{{Name: "pressure", Start: epoch}}); err == nil || s.Health().Durable {
		t.Errorf("%v, %+v", err, s.Health())
	}
	s.recover(t.Context())
	if s.Health().Durable {
		t.Error("the disk was asked nothing")
	}
	d.setRefuse(nil)
	s.recover(t.Context())
	if !s.Health().Durable {
		t.Errorf("%+v", s.Stats())
	}
}

// A write that does not come back is a disk that does not take it.
func TestHealthOfADiskThatHangs(t *testing.T) {
	s := openStore(t, Options{Dir: t.TempDir()})
	s.writing.Store(1)
	if !s.Health().Durable {
		t.Error("a write that has just begun")
	}
	s.opened = s.opened.Add(-stuck - time.Second)
	if s.Health().Durable {
		t.Error("a write that hangs")
	}
	s.writing.Store(0)
	if !s.Health().Durable {
		t.Error("no write under way")
	}
}

// A gateway that starts without a clock records under the year 1970. Nothing
// of that is old when the clock has been set.
func TestRetentionOfRecordsWithoutAClock(t *testing.T) {
	now := time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)
	s := openStore(t, Options{Dir: t.TempDir(), Now: func() time.Time { return now }})
	at := func(when time.Time, name string) rules.Event {
		e := alarmEvent(name, alarm.Unacknowledged)
		e.Time = when
		return e
	}
	record(t, s, at(time.Unix(60, 0), "boot"), at(now, "set"), at(time.Unix(120, 0), "again"), at(now.Add(time.Hour), "last"))
	if err := s.Trend(t.Context(), "AU-7", []rules.Trend{{Name: "pressure", Start: time.Unix(60, 0), Count: 1}}); err != nil {
		t.Fatal(err)
	}
	for _, step := range []struct {
		after time.Duration
		want  int
	}{{0, 4}, {24 * time.Hour, 4}, {-48 * time.Hour, 4}, {11 * 365 * day, 1}} {
		now = now.Add(step.after)
		if err := s.prune(t.Context()); err != nil {
			t.Fatal(err)
		}
		if got := len(entriesAfter(t, s, 0)); got != step.want {
			t.Errorf("at %v %d events, want %d", now, got, step.want)
		}
	}
}

// Damage that is found at work, while no new database can be made either: what
// happens is kept in memory under the numbers that follow.
func TestDamageFoundWhileNothingCanBeMade(t *testing.T) {
	dir := t.TempDir()
	fillAndDamage(t, dir, spoilTable(t, "units"))
	s := openStore(t, Options{Dir: dir, Reserve: -1})
	newest := s.Newest()
	s.opts.vfs = "no such layer"
	for n := range uint64(2) {
		entries, err := s.Record(t.Context(), "AU-7", []rules.Event{machineEvent(1)}, nil, []byte("new"))
		if err != nil || entries[0].Durable || entries[0].Seq != newest+1+n {
			t.Fatalf("%+v, %v", entries, err)
		}
	}
	if state, err := s.State(t.Context(), "AU-7"); err != nil || string(state) != "new" || s.Health().Durable {
		t.Errorf("state %q, %v, %+v", state, err, s.Health())
	}
	s.opts.vfs = ""
	s.recover(t.Context())
	all := entriesAfter(t, s, newest)
	if len(all) != 2 || !all[0].Durable || all[0].Seq != newest+1 || !s.Health().Durable {
		t.Errorf("%+v, %+v", all, s.Stats())
	}
	if seq, err := s.Cursor(t.Context(), "uplink"); err != nil || seq != 190 {
		t.Errorf("cursor %d, %v", seq, err)
	}
	verifyAndClose(t, s)
}
