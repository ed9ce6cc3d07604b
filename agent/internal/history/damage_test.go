package history

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"strokebank/rules"
	"strokebank/rules/alarm"
)

// fillAndDamage makes a store with some content and spoils its file.
func fillAndDamage(t *testing.T, dir string, spoil func([]byte) []byte) (installation string) {
	t.Helper()
	s := openStore(t, Options{Dir: dir})
	for i := range 200 {
		record(t, s, machineEvent(i))
	}
	if _, err := s.Record(t.Context(), "AU-7", nil, testRuns(3), []byte("a life's counters")); err != nil {
		t.Fatal(err)
	}
	record(t, s, alarmEvent("low_reserve", alarm.Acknowledged))
	s.SaveCursor("uplink", 190)
	installation = s.Installation()
	verifyAndClose(t, s)
	path := filepath.Join(dir, "history.db")
	raw, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, spoil(raw), 0o600); err != nil {
		t.Fatal(err)
	}
	return installation
}

func TestDamagedDatabaseIsPutAside(t *testing.T) {
	for _, tc := range []struct {
		name    string
		spoil   func([]byte) []byte
		carried bool // saved state and runs come over
		events  bool // unsent events too
		number  uint64
	}{
		{"no database at all", func([]byte) []byte { return []byte(strings.Repeat("not a database, ", 4096)) }, false, false, 1},
		{"first page gone", func(b []byte) []byte { clear(b[100:pageSize]); return b }, false, false, 1},
		{"root of the cursors gone", spoilTable(t, "cursors"), true, true, 202},
		{"root of the events gone", spoilTable(t, "events"), true, false, 202},
	} {
		t.Run(tc.name, func(t *testing.T) {
			dir := t.TempDir()
			old := fillAndDamage(t, dir, tc.spoil)
			s := openStore(t, Options{Dir: dir})
			if s.Installation() == old {
				t.Error("the new store has the old one's installation")
			}
			if st := s.Stats(); !strings.Contains(st.Damage, dir) {
				t.Errorf("damage is reported as %q", st.Damage)
			}
			aside, err := filepath.Glob(filepath.Join(dir, "damaged-20*.db"))
			if err != nil || len(aside) != 1 {
				t.Errorf("put aside: %v, %v", aside, err)
			}
			next := record(t, s, machineEvent(1))
			if !strings.HasPrefix(next[0].ID, s.Installation()) || !next[0].Durable || next[0].Seq != tc.number {
				t.Errorf("%+v", next[0])
			}
			wantCarried(t, s, old, tc.carried, tc.events)
		})
	}
}

func wantCarried(t *testing.T, s *Store, old string, carried, events bool) {
	t.Helper()
	state, err := s.State(t.Context(), "AU-7")
	if err != nil || (string(state) == "a life's counters") != carried {
		t.Errorf("state %q, %v", state, err)
	}
	runs, err := s.Runs(t.Context(), "AU-7", epoch, epoch.AddDate(1, 0, 0))
	if err != nil || (len(runs) == 3) != carried {
		t.Errorf("%d runs, %v", len(runs), err)
	}
	if carried {
		record(t, s, alarmEvent("low_reserve", alarm.Normal))
		states, err := s.Alarms(t.Context(), "AU-7")
		if err != nil || len(states) != 1 || states[0].State != alarm.Normal {
			t.Errorf("alarm states %+v, %v: a new transition must count", states, err)
		}
	}
	if !events {
		return
	}
	entries := entriesAfter(t, s, 0)
	if e := entries[len(entries)-3]; e.ID != old+"-201" || e.Seq != 201 {
		t.Errorf("the last event came over as %s, number %d", e.ID, e.Seq)
	}
}

// spoilTable overwrites the root page of a table, found in a sound store.
func spoilTable(t *testing.T, table string) func([]byte) []byte {
	t.Helper()
	s := openStore(t, Options{Dir: t.TempDir()})
	var root int
	if err := s.db.w.QueryRowContext(t.Context(), "SELECT rootpage FROM sqlite_schema WHERE name = ?", table).Scan(&root); err != nil {
		t.Fatal(err)
	}
	return func(b []byte) []byte {
		for i := range pageSize {
			b[(root-1)*pageSize+i] = 0x5a
		}
		return b
	}
}

func TestDamageFoundWhileInUse(t *testing.T) {
	dir := t.TempDir()
	fillAndDamage(t, dir, spoilTable(t, "units"))
	s := openStore(t, Options{Dir: dir})
	record(t, s, machineEvent(1)) // does not touch the spoiled page
	old, newest := s.Installation(), s.Newest()
	entries, err := s.Record(t.Context(), "AU-7", []rules.Event{alarmEvent("low_reserve", alarm.Normal)}, nil, []byte("new"))
	if err != nil || !entries[0].Durable || entries[0].Seq != newest+1 {
		t.Errorf("%+v", entries[0])
	}
	if s.Installation() == old || s.Stats().Damage == "" {
		t.Errorf("installation %s, damage %q", s.Installation(), s.Stats().Damage)
	}
	if got, err := s.Cursor(t.Context(), "uplink"); err != nil || got != 190 {
		t.Errorf("cursor %d, %v", got, err)
	}
	// Everything unsent is there, once and in order.
	var numbers []string
	for n := 191; n <= 203; n++ {
		numbers = append(numbers, fmt.Sprint(n, " durable"))
	}
	wantNumbers(t, entriesAfter(t, s, 190), strings.Join(numbers, ", "))
}

func TestFilesPutAsideAreBounded(t *testing.T) {
	dir := t.TempDir()
	for range keptDamaged + 2 {
		if err := os.WriteFile(filepath.Join(dir, "history.db"), []byte(strings.Repeat("x", 8192)), 0o600); err != nil {
			t.Fatal(err)
		}
		verifyAndClose(t, openStore(t, Options{Dir: dir}))
	}
	aside, err := filepath.Glob(filepath.Join(dir, "damaged-*.db"))
	if err != nil || len(aside) != keptDamaged {
		t.Errorf("%v, %v", aside, err)
	}
}
