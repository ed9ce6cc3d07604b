package history

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"strokebank/rules"
)

var update = flag.Bool("update", false, "write the store of the newest schema for testdata, where it is missing")

// olderStore is the store of one version of the schema in testdata.
func olderStore(version int) string {
	return filepath.Join("testdata", fmt.Sprintf("store-schema-%d.db.gz", version))
}

// Every version of the schema that ever was is opened, brought forward, and
// holds what it held. A file of testdata is what its version wrote: it is
// never written again.
func TestStoresOfEverySchema(t *testing.T) {
	newest := olderStore(len(migrations))
	if _, err := os.Stat(newest); err != nil && *update {
		if err := os.WriteFile(newest, filledStore(t, len(migrations)), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	for version := 1; version <= len(migrations); version++ {
		t.Run(fmt.Sprint(version), func(t *testing.T) {
			packed, err := os.ReadFile(olderStore(version))
			if err != nil {
				t.Fatalf("%v: go test ./agent/internal/history -run Schema -update makes the newest", err)
			}
			zip, err := gzip.NewReader(bytes.NewReader(packed))
			if err != nil {
				t.Fatal(err)
			}
			text, err := io.ReadAll(zip)
			if err != nil {
				t.Fatal(err)
			}
			dir := t.TempDir()
			if err := os.WriteFile(storeFile(t, dir), text, 0o600); err != nil {
				t.Fatal(err)
			}
			holdsAll(t, dir)
		})
	}
}

// holdsAll checks that a store has what filledStore put into it, and works.
func holdsAll(t *testing.T, dir string) {
	t.Helper()
	s := openStore(t, Options{Dir: dir})
	if s.Installation() != "gw1-00c0ffee" || s.Newest() != 20 || s.stats.Damage != "" {
		t.Errorf("installation %s, newest %d, damage %q", s.Installation(), s.Newest(), s.stats.Damage)
	}
	for i, e := range entriesAfter(t, s, 0) {
		if e.ID != fmt.Sprintf("gw1-00c0ffee-%d", i+1) || e.Time != epoch.Add(time.Duration(i)*time.Minute) || e.Unit != "AU-7" {
			t.Errorf("event %d: %+v", i+1, e)
		}
	}
	if runs, err := s.Runs(t.Context(), "AU-7", epoch, epoch.Add(day)); err != nil || len(runs) != 1 || runs[0].Position != "pump1" || runs[0].Seconds != 123.5 {
		t.Errorf("runs %+v, %v", runs, err)
	}
	if state, err := s.State(t.Context(), "AU-7"); err != nil || string(state) != `{"schema":1}` {
		t.Errorf("state %s, %v", state, err)
	}
	if states, err := s.Alarms(t.Context(), "AU-7"); err != nil || len(states) != 1 || states[0].Name != "low_level" || string(states[0].State) != "unacknowledged" {
		t.Errorf("alarms %+v, %v", states, err)
	}
	if n, err := s.Cursor(t.Context(), "broker"); err != nil || n != 7 {
		t.Errorf("cursor %d, %v", n, err)
	}
	if rows, err := s.Curve(t.Context(), "AU-7", "pressure", epoch, epoch.Add(time.Hour), time.Minute); err != nil || len(rows) != 1 || rows[0].Mean != 8.5e5 {
		t.Errorf("trend %+v, %v", rows, err)
	}
	if e := record(t, s, machineEvent(1)); e[0].ID != "gw1-00c0ffee-21" {
		t.Errorf("the next event is %s", e[0].ID)
	}
	if _, err := CheckFile(t.Context(), storeFile(t, dir)); err != nil {
		t.Error(err)
	}
}

// filledStore is a store of a version of the schema, compressed, written by
// statements that every version understands.
func filledStore(t *testing.T, version int) []byte {
	t.Helper()
	path := filepath.Join(t.TempDir(), "history.db")
	if err := fixPageSize(t.Context(), path, ""); err != nil {
		t.Fatal(err)
	}
	for i := range version {
		change(t, path, migrations[i]+fmt.Sprintf("PRAGMA application_id = %d; PRAGMA user_version = %d", applicationID, i+1))
	}
	change(t, path, "INSERT INTO meta VALUES ('installation', 'gw1-00c0ffee')")
	for i := range 20 {
		e := machineEvent(i)
		if i == 4 {
			e = alarmEvent("low_level", "unacknowledged")
		}
		e.Time, e.Unit = epoch.Add(time.Duration(i)*time.Minute), "AU-7"
		text, err := json.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		change(t, path, "INSERT INTO events (seq, unit, time, kind, payload) VALUES (?, 'AU-7', ?, ?, ?)", i+1, e.Time.UnixNano(), string(e.Kind), string(text))
		if e.Kind == rules.AlarmEvent {
			change(t, path, "INSERT INTO alarm_states VALUES ('AU-7', ?, ?, ?, ?, ?)", e.Source, e.Name, e.To, i+1, string(text))
		}
	}
	at := epoch.UnixNano()
	change(t, path, "INSERT INTO runs VALUES (1, 'AU-7', 'pump1', 'QR-4501', ?, ?, 123.5, 1, 1, 0, 0.5)", at, at+123_500_000_000)
	change(t, path, "INSERT INTO units VALUES ('AU-7', ?, ?)", at, []byte(`{"schema":1}`))
	change(t, path, "INSERT INTO cursors VALUES ('broker', 7)")
	change(t, path, "INSERT INTO series VALUES (1, 'AU-7', 'pressure')")
	change(t, path, "INSERT INTO trends VALUES (?, 1, 60, 60, 8.4e5, 8.5e5, 8.6e5)", at)
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var packed bytes.Buffer
	zip, err := gzip.NewWriterLevel(&packed, gzip.BestCompression)
	if err == nil {
		_, err = zip.Write(text)
	}
	if err == nil {
		err = zip.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
	return packed.Bytes()
}
