package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"strokebank/rules"
)

// change alters a store's database behind its back.
func change(t *testing.T, path, query string, args ...any) {
	t.Helper()
	err := alter(t.Context(), path, func(tx *sql.Tx) error {
		_, err := tx.Exec(query, args...)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

// used is a store with events, runs, a state and a heartbeat in it.
func used(t *testing.T, dir string) *Store {
	t.Helper()
	s := openStore(t, Options{Dir: dir})
	record(t, s, machineEvent(1), alarmEvent("low_level", "unacknowledged"), machineEvent(2))
	if _, err := s.Record(t.Context(), "AU-7", []rules.Event{machineEvent(3)}, testRuns(2), []byte(`{"n":1}`)); err != nil {
		t.Fatal(err)
	}
	if err := s.Beat("AU-7", []byte(`{"beat":1}`)); err != nil {
		t.Fatal(err)
	}
	return s
}

func TestBackupWhileWriting(t *testing.T) {
	dir := t.TempDir()
	s := used(t, dir)
	stop, ended := make(chan struct{}), make(chan int)
	go func() {
		n := 0
		for ; ; n++ {
			select {
			case <-stop:
				ended <- n
				return
			default:
			}
			if _, err := s.Record(context.Background(), "AU-7", []rules.Event{machineEvent(n), machineEvent(n)}, nil, fmt.Appendf(nil, `{"n":%d}`, n)); err != nil {
				t.Error(err)
			}
		}
	}()
	to := filepath.Join(t.TempDir(), "backup.db")
	for i := range 5 {
		before := s.Newest()
		if err := Backup(t.Context(), dir, to, i > 0); err != nil {
			t.Fatal(err)
		}
		c, err := CheckFile(t.Context(), to)
		if err != nil {
			t.Fatal(err)
		}
		// Records come two at a time: a half one would be seen.
		if c.Newest < before || c.Events != int64(c.Newest) || c.Newest%2 != 0 || c.Runs != 2 || c.Installation != s.Installation() {
			t.Errorf("%+v, of a store that stood at %d", c, before)
		}
	}
	close(stop)
	if n := <-ended; n < 5 {
		t.Errorf("only %d records were written meanwhile", n)
	}
	if err := Backup(t.Context(), dir, to, false); !errors.Is(err, ErrExists) {
		t.Errorf("over an older backup: %v", err)
	}
	if info, err := os.Stat(to); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v, %v", info.Mode(), err)
	}
	if left, _ := filepath.Glob(to + ".*"); left != nil {
		t.Errorf("%v is left", left)
	}
	if err := Backup(t.Context(), filepath.Join(dir, "nowhere"), to, true); err == nil || !strings.Contains(err.Error(), "nowhere") {
		t.Errorf("of no store: %v", err)
	}
}

// After a restore the events that were in the backup keep their ids, and those
// to come have ids that the lost ones never had.
func TestRestoreNeverRepeatsAnID(t *testing.T) {
	dir, to := t.TempDir(), filepath.Join(t.TempDir(), "backup.db")
	s := used(t, dir)
	s.SaveCursor("broker", 2)
	record(t, s, machineEvent(4)) // and the cursor with it
	given := map[string]bool{}
	if err := Backup(t.Context(), dir, to, false); err != nil {
		t.Fatal(err)
	}
	inBackup := entriesAfter(t, s, 0)
	record(t, s, machineEvent(5), machineEvent(6)) // they have left the program
	for _, e := range entriesAfter(t, s, 0) {
		given[e.ID] = true
	}
	if _, err := Restore(t.Context(), dir, to, "gw1", true, epoch); !errors.Is(err, ErrInUse) {
		t.Fatalf("onto a store in use: %v", err)
	}
	verifyAndClose(t, s)
	if _, err := Restore(t.Context(), dir, to, "gw1", false, epoch); !errors.Is(err, ErrExists) {
		t.Fatalf("without being told: %v", err)
	}
	if err := os.WriteFile(filepath.Join(dir, "beat-AU-9.bin"), make([]byte, slotFileSize), 0o600); err != nil {
		t.Fatal(err)
	}
	r, err := Restore(t.Context(), dir, to, "gw1", true, epoch)
	if err != nil {
		t.Fatal(err)
	}
	if c, err := CheckFile(t.Context(), r.Aside); err != nil || c.Installation != r.Before || c.Newest != 7 {
		t.Errorf("put aside: %+v, %v", c, err)
	}
	s = openStore(t, Options{Dir: dir})
	if s.Installation() == r.Before || s.Installation() != r.Installation {
		t.Errorf("installation %s, before %s, told %s", s.Installation(), r.Before, r.Installation)
	}
	for i, e := range entriesAfter(t, s, 0) {
		if e.ID != inBackup[i].ID || e.Name != inBackup[i].Name {
			t.Errorf("event %d: %s %s, was %s %s", i, e.ID, e.Name, inBackup[i].ID, inBackup[i].Name)
		}
	}
	for _, e := range record(t, s, machineEvent(7), machineEvent(8)) {
		if given[e.ID] {
			t.Errorf("%s is given again", e.ID)
		}
	}
	if state, err := s.State(t.Context(), "AU-7"); err != nil || string(state) != `{"n":1}` {
		t.Errorf("state %s, %v", state, err)
	}
	if beat, _, err := s.LastBeat("AU-7"); err != nil || string(beat) != `{"beat":1}` {
		t.Errorf("beat %s, %v", beat, err)
	}
	if _, err := os.Stat(filepath.Join(dir, "beat-AU-9.bin")); err == nil {
		t.Error("a heartbeat of the store that was replaced is left")
	}
	if n, err := s.Cursor(t.Context(), "broker"); err != nil || n != 2 {
		t.Errorf("cursor %d, %v", n, err)
	}
}

func TestRestoreRefusesWhatIsNoBackup(t *testing.T) {
	dir := t.TempDir()
	store := t.TempDir()
	used(t, store).Close()
	whole := filepath.Join(dir, "whole.db")
	if err := Backup(t.Context(), store, whole, false); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(whole)
	if err != nil {
		t.Fatal(err)
	}
	write := func(name string, content []byte) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, content, 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	hole := write("hole.db", text)
	change(t, hole, "DELETE FROM events WHERE seq = 3")
	newer := write("newer.db", text)
	change(t, newer, "PRAGMA user_version = 99")
	for _, c := range []struct{ name, from, want string }{
		{"text", write("text.db", []byte("time,pressure\n")), "text.db"},
		{"cut off", write("cut.db", text[:len(text)/2]), "cut.db"},
		{"a store, not a backup", filepath.Join(store, filepath.Base(storeFile(t, store))), "no backup"},
		{"with a hole", hole, "events 3 to 3 are missing"},
		{"of a newer program", newer, "newer program"},
		{"nothing", filepath.Join(dir, "nothing.db"), "no such file"},
	} {
		t.Run(c.name, func(t *testing.T) {
			into := t.TempDir()
			if _, err := Restore(t.Context(), into, c.from, "gw1", false, epoch); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%v, want %q", err, c.want)
			}
			if left, _ := filepath.Glob(filepath.Join(into, "*")); left != nil {
				t.Errorf("%v is left", left)
			}
		})
	}
}

func storeFile(t *testing.T, dir string) string {
	t.Helper()
	path, err := (&Options{Dir: dir}).databasePath()
	if err != nil {
		t.Fatal(err)
	}
	return path
}

func TestCheckFile(t *testing.T) {
	for _, c := range []struct{ name, query, want string }{
		{"sound", "", ""},
		{"event lost", "DELETE FROM events WHERE seq = 3", "events 3 to 3 are missing"},
		{"event of an alarm's state lost", "DELETE FROM events WHERE seq = 2", "an alarm state whose event is missing"},
		{"retention took the oldest", "DELETE FROM events WHERE seq = 1", ""},
		{"numbers known to be unused", "DELETE FROM events WHERE seq = 3; INSERT INTO meta VALUES ('unused-3', '3')", ""},
		{"spoiled event", "UPDATE events SET payload = '{' WHERE seq = 1", "not JSON"},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			if err := used(t, dir).Close(); err != nil {
				t.Fatal(err)
			}
			if c.query != "" {
				change(t, storeFile(t, dir), c.query)
			}
			got, err := CheckFile(t.Context(), storeFile(t, dir))
			switch {
			case c.want == "" && (err != nil || got.Newest != 4):
				t.Errorf("%+v, %v", got, err)
			case c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)):
				t.Errorf("%v, want %q", err, c.want)
			}
		})
	}
}

// Numbers that were given out and never used are told from lost ones.
func TestUnusedNumbersAreNoHole(t *testing.T) {
	dir := t.TempDir()
	s := used(t, dir)
	if err := s.mark.set(500, time.Now()); err != nil { // as a cut on a full disk leaves it
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = openStore(t, Options{Dir: dir})
	if e := record(t, s, machineEvent(9)); e[0].Seq != 501 {
		t.Fatalf("the next number is %d", e[0].Seq)
	}
	if _, err := CheckFile(t.Context(), storeFile(t, dir)); err != nil { // beside the open store
		t.Error(err)
	}
}
