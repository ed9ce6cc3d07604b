package history

import (
	"context"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/rules/machine"
)

var epoch = time.Date(2026, 3, 1, 6, 30, 0, 123456789, time.UTC)

// openStore opens a store that is verified and closed when the test ends.
func openStore(t testing.TB, o Options) *Store {
	t.Helper()
	if o.Agent == "" {
		o.Agent = "gw1"
	}
	if o.Reserve == 0 {
		o.Reserve = 64 << 10
	}
	s, err := Open(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { verifyAndClose(t, s) })
	return s
}

// verifyAndClose does nothing to a store that is closed already.
func verifyAndClose(t testing.TB, s *Store) {
	t.Helper()
	if s.closed.Load() {
		return
	}
	if err := s.Verify(context.Background()); err != nil {
		t.Error(err)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}

func alarmEvent(name string, to alarm.State) rules.Event {
	return rules.Event{
		Kind: rules.AlarmEvent, Time: epoch, ClockTrusted: true, Site: "Quillen Reach", Unit: "AU-7",
		Source: "unit", Name: name, To: string(to), Priority: alarm.High, Reason: "pressure fell",
		Values: []rules.Value{{Name: "pressure", Value: 812345.5, Unit: "Pa"}},
	}
}

func machineEvent(n int) rules.Event {
	return rules.Event{Kind: rules.MachineEvent, Time: epoch.Add(time.Duration(n) * time.Second), Unit: "AU-7",
		Source: "pump1", Name: fmt.Sprintf("event %d", n)}
}

func record(t testing.TB, s *Store, events ...rules.Event) []rules.Entry {
	t.Helper()
	entries, err := s.Record(t.Context(), "AU-7", events, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	return entries
}

func entriesAfter(t testing.TB, s *Store, after uint64) []rules.Entry {
	t.Helper()
	entries, err := s.Entries(t.Context(), after, math.MaxInt32)
	if err != nil {
		t.Fatal(err)
	}
	return entries
}

func TestRecordComesBackAfterReopening(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "a dir?with#odd%name")
	s := openStore(t, Options{Dir: dir})
	events := []rules.Event{alarmEvent("low_reserve", alarm.Unacknowledged), machineEvent(1)}
	runs := []machine.Run{{Position: "pump1", Serial: "P-1", Start: epoch, End: epoch.Add(90 * time.Second),
		Seconds: 90, Lead: true, StartSeen: true, Doubt: 2}}
	want, err := s.Record(t.Context(), "AU-7", events, runs, []byte("state 1"))
	if err != nil {
		t.Fatal(err)
	}
	if got := want[1].ID; got != s.Installation()+"-2" || !want[1].Durable || want[1].Seq != 2 {
		t.Errorf("second entry: %+v", want[1])
	}
	installation := s.Installation()
	verifyAndClose(t, s)

	s = openStore(t, Options{Dir: dir})
	if s.Installation() != installation || !strings.HasPrefix(installation, "gw1-") || len(installation) != len("gw1-")+8 {
		t.Errorf("installation %q, before %q", s.Installation(), installation)
	}
	if got := entriesAfter(t, s, 0); !reflect.DeepEqual(got, want) {
		t.Errorf("entries\n got %+v\nwant %+v", got, want)
	}
	if state, err := s.State(t.Context(), "AU-7"); err != nil || string(state) != "state 1" {
		t.Errorf("state %q, %v", state, err)
	}
	if got, err := s.Runs(t.Context(), "AU-7", epoch, epoch.Add(time.Hour)); err != nil || !reflect.DeepEqual(got, runs) {
		t.Errorf("runs %+v, %v", got, err)
	}
	if next := record(t, s, machineEvent(2)); next[0].Seq != 3 {
		t.Errorf("numbering goes on at %d", next[0].Seq)
	}
	info, err := os.Stat(dir)
	if err != nil || info.Mode().Perm() != 0o700 {
		t.Errorf("directory mode %v, %v", info.Mode(), err)
	}
}

func TestLastEventOfAnAlarmIsItsState(t *testing.T) {
	s := openStore(t, Options{Dir: t.TempDir()})
	record(t, s, alarmEvent("low_reserve", alarm.Unacknowledged), alarmEvent("low_level", alarm.Unacknowledged))
	record(t, s, alarmEvent("low_reserve", alarm.Acknowledged))
	got, err := s.Alarms(t.Context(), "AU-7")
	if err != nil || len(got) != 2 {
		t.Fatalf("%+v, %v", got, err)
	}
	if got[0].Name != "low_level" || got[0].State != alarm.Unacknowledged ||
		got[1].Name != "low_reserve" || got[1].State != alarm.Acknowledged {
		t.Errorf("%+v", got)
	}
	if got[0].Value.Known() || !got[0].Since.Equal(epoch) {
		t.Errorf("value or time invented: %+v", got[0])
	}
}

func TestNilStateKeepsTheOldOne(t *testing.T) {
	s := openStore(t, Options{Dir: t.TempDir()})
	for _, state := range [][]byte{[]byte("one"), nil} {
		if _, err := s.Record(t.Context(), "AU-7", []rules.Event{machineEvent(1)}, nil, state); err != nil {
			t.Fatal(err)
		}
	}
	if got, err := s.State(t.Context(), "AU-7"); err != nil || string(got) != "one" {
		t.Errorf("state %q, %v", got, err)
	}
	if got, err := s.State(t.Context(), "other"); err != nil || got != nil {
		t.Errorf("state of a unit never seen: %q, %v", got, err)
	}
}

func TestNothingHappenedNothingWritten(t *testing.T) {
	dir := t.TempDir()
	s := openStore(t, Options{Dir: dir})
	record(t, s, machineEvent(1))
	before := modified(t, dir)
	if entries := record(t, s); entries != nil {
		t.Errorf("entries %v", entries)
	}
	if err := s.Trend(t.Context(), "AU-7", nil); err != nil {
		t.Error(err)
	}
	s.SaveCursor("uplink", s.cursors["uplink"])
	s.saveCursors(t.Context())
	s.recover(t.Context())
	if after := modified(t, dir); !reflect.DeepEqual(before, after) {
		t.Errorf("files changed: before %v, after %v", before, after)
	}
}

// modified is the size and time of change of every file of the store.
func modified(t *testing.T, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || strings.HasSuffix(path, "-shm") {
			return err
		}
		info, err := d.Info()
		out[d.Name()] = fmt.Sprint(info.Size(), info.ModTime().UnixNano())
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func TestConnectionsAreAsTheCrashModelNeeds(t *testing.T) {
	s := openStore(t, Options{Dir: t.TempDir()})
	for pragma, want := range map[string]string{
		"synchronous": "2", "journal_mode": "wal", "page_size": "4096", "application_id": fmt.Sprint(applicationID),
		"user_version": fmt.Sprint(len(migrations)),
	} {
		var got string
		if err := s.db.w.QueryRowContext(t.Context(), "PRAGMA "+pragma).Scan(&got); err != nil || got != want {
			t.Errorf("%s is %q, want %q (%v)", pragma, got, want, err)
		}
	}
	if _, err := s.db.readers.ExecContext(t.Context(), "DELETE FROM events"); err == nil {
		t.Error("a reader could write")
	}
}

func TestStoreOfANewerProgramIsRefused(t *testing.T) {
	dir := t.TempDir()
	s := openStore(t, Options{Dir: dir})
	if _, err := s.db.w.ExecContext(t.Context(), "PRAGMA user_version = 99"); err != nil {
		t.Fatal(err)
	}
	verifyAndClose(t, s)
	_, err := Open(t.Context(), Options{Dir: dir, Agent: "gw1"})
	if err == nil || !strings.Contains(err.Error(), "newer program") || !strings.Contains(err.Error(), dir) {
		t.Errorf("error %v", err)
	}
}

func TestClosedStoreAnswersSo(t *testing.T) {
	s := openStore(t, Options{Dir: t.TempDir()})
	verifyAndClose(t, s)
	_, recordErr := s.Record(t.Context(), "AU-7", []rules.Event{machineEvent(1)}, nil, nil)
	_, cursorErr := s.Cursor(t.Context(), "uplink")
	for name, err := range map[string]error{
		"Record": recordErr, "Cursor": cursorErr, "Wait": s.Wait(t.Context(), 0), "Beat": s.Beat("AU-7", nil),
		"Trend": s.Trend(t.Context(), "AU-7", []rules.Trend{{}}),
	} {
		if err != ErrClosed && !strings.Contains(fmt.Sprint(err), ErrClosed.Error()) {
			t.Errorf("%s: %v", name, err)
		}
	}
}
