package main

import (
	"bytes"
	"database/sql"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"strokebank/agent/internal/history"
)

// atShell runs a command of the program in this process.
func atShell(t *testing.T, args ...string) (said string, code int) {
	t.Helper()
	var out bytes.Buffer
	code = dispatch(t.Context(), shell{nil, &out, &out}, args)
	return out.String(), code
}

// The agent as a process of its own, its history copied, checked and put back
// from outside: while it runs a restore is refused, and afterwards no event's
// id is one that was given before.
func TestBackupAndRestoreOfARunningAgent(t *testing.T) {
	a := newRecordedAgent(t)
	a.start()
	eventually(t, "it has begun", func() bool { return a.newest() > 0 })
	a.fault("pump2.overload", 1)
	to := filepath.Join(t.TempDir(), "history-backup.db")
	if said, code := atShell(t, "backup", a.config, to); code != exitOK || !strings.Contains(said, "copied: ") {
		t.Fatalf("exit code %d: %s", code, said)
	}
	if said, code := atShell(t, "backup", a.config, to); code != exitFailed || !strings.Contains(said, "-replace writes over it") {
		t.Errorf("a second time: exit code %d: %s", code, said)
	}
	a.fault("pump2.overload", 0)
	if said, code := atShell(t, "verify", a.config); code != exitOK || !strings.Contains(said, "sound: ") {
		t.Errorf("verify beside the agent: exit code %d: %s", code, said)
	}
	if said, code := atShell(t, "verify", "-backup", to); code != exitOK || !strings.Contains(said, "sound: ") {
		t.Errorf("verify of the backup: exit code %d: %s", code, said)
	}
	if said, code := atShell(t, "restore", "-replace", a.config, to); code != exitFailed || !strings.Contains(said, "stop it first") {
		t.Fatalf("restore beside the agent: exit code %d: %s", code, said)
	}
	before := a.newest()
	if code := a.process.stop(); code != exitOK {
		t.Fatalf("stopped with exit code %d", code)
	}
	given := a.entries()
	if uint64(len(given)) < before {
		t.Fatalf("%d events, %d were there", len(given), before)
	}
	if said, code := atShell(t, "restore", a.config, to); code != exitFailed || !strings.Contains(said, "-replace puts it aside") {
		t.Errorf("restore without being told: exit code %d: %s", code, said)
	}
	said, code := atShell(t, "restore", "-replace", a.config, to)
	if code != exitOK || !strings.Contains(said, "put aside: ") || !strings.Contains(said, "restored: ") {
		t.Fatalf("restore: exit code %d: %s", code, said)
	}
	restored := a.entries()
	if len(restored) == 0 || len(restored) >= len(given) || strings.Join(restored, "\n") != strings.Join(given[:len(restored)], "\n") {
		t.Errorf("%d events restored of %d, not as they were", len(restored), len(given))
	}
	a.start()
	a.fault("pump2.overload", 1)
	if code := a.process.stop(); code != exitOK {
		t.Fatalf("stopped with exit code %d", code)
	}
	now := a.entries()
	ids := map[string]bool{}
	for _, e := range append(given, now[len(restored):]...) {
		id, _, _ := strings.Cut(strings.SplitN(e, `"id":"`, 2)[1], `"`)
		if ids[id] {
			t.Fatalf("the id %s is given twice", id)
		}
		ids[id] = true
	}
	spoil(t, history.Path(a.store))
	if said, code := atShell(t, "verify", a.config); code != exitFailed {
		t.Errorf("verify of a spoiled store: exit code %d: %s", code, said)
	}
}

// spoil overwrites a page of a history that is in use: the root of its trends.
// One in the middle of the file may hold nothing any more, and nobody misses it.
func spoil(t *testing.T, path string) {
	t.Helper()
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	var root int64
	err = db.QueryRow("SELECT rootpage FROM sqlite_master WHERE name = 'trends'").Scan(&root)
	if err := errors.Join(err, db.Close()); err != nil {
		t.Fatal(err)
	}
	file, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := file.WriteAt(bytes.Repeat([]byte{0xff}, 4096), (root-1)*4096); err != nil {
		t.Fatal(err)
	}
	if err := file.Close(); err != nil {
		t.Fatal(err)
	}
}
