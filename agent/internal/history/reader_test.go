package history

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"strokebank/rules"
	"strokebank/rules/machine"
	"strokebank/sensors/signal"
)

func openReader(t testing.TB, dir string) *Reader {
	t.Helper()
	r, err := OpenReader(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	return r
}

// A reader that is slow sees the store as it was, and the writer neither waits
// for it nor finds its log held open.
func TestReaderBesideTheWriter(t *testing.T) {
	dir := t.TempDir()
	s := openStore(t, Options{Dir: dir})
	workedFor(t, s, 40)
	r := openReader(t, dir)
	runs, events := 0, 0
	err := r.Runs(t.Context(), "AU-7", time.Time{}, time.Time{}, func(run *rules.NumberedRun) error {
		runs++
		if runs == 1 { // between two pages nothing is held: the log is emptied
			more := machine.Run{Position: "pump1", Start: epoch.Add(999 * time.Hour), End: epoch.Add(1000 * time.Hour), Seconds: 3600}
			if _, err := s.Record(t.Context(), "AU-7", nil, []machine.Run{more}, nil); err != nil {
				t.Error(err)
			}
			if _, err := s.db.w.ExecContext(t.Context(), "PRAGMA wal_checkpoint(TRUNCATE)"); err != nil {
				t.Error(err)
			}
			if n := fileSize(s.db.path + "-wal"); n != 0 {
				t.Errorf("the log still holds %d bytes", n)
			}
		}
		return nil
	})
	if err != nil || runs != 80 {
		t.Errorf("%d runs, %v", runs, err)
	}
	from, to := epoch.Add(10*time.Hour), epoch.Add(20*time.Hour)
	err = r.Events(t.Context(), "AU-7", []rules.Kind{rules.FillEvent}, from, to, func(e *rules.Entry) error {
		events++
		if e.Kind != rules.FillEvent || e.Fill == nil || e.Time.Before(from) || !e.Time.Before(to) || e.ID == "" {
			t.Errorf("%+v", e)
		}
		return nil
	})
	if err != nil || events != 10 {
		t.Errorf("%d fills, %v", events, err)
	}
	stop := errors.New("enough")
	if err := r.Runs(t.Context(), "AU-7", from, to, func(*rules.NumberedRun) error { return stop }); !errors.Is(err, stop) {
		t.Errorf("the taker's error came back as %v", err)
	}
}

func TestReaderOfAClosedStore(t *testing.T) {
	dir := t.TempDir()
	s := openStore(t, Options{Dir: dir})
	workedFor(t, s, 4)
	if _, err := s.Record(t.Context(), "AU-7", nil, nil, []byte(`{"schema":1}`)); err != nil {
		t.Fatal(err)
	}
	verifyAndClose(t, s)
	r := openReader(t, dir)
	state, saved, err := r.State(t.Context(), "AU-7")
	if err != nil || string(state) != `{"schema":1}` || saved.IsZero() {
		t.Errorf("%s %v %v", state, saved, err)
	}
	first, last, err := r.Extent(t.Context(), "AU-7")
	if err != nil || !first.Equal(epoch) || last.Before(epoch.Add(7*time.Hour)) {
		t.Errorf("%v to %v, %v", first, last, err)
	}
	if _, err := OpenReader(context.Background(), filepath.Join(dir, "elsewhere")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("where nothing is: %v", err)
	}
}

func failureEvent(id string, state rules.FailureState, name, reason string) rules.Event {
	f := &rules.Failure{ID: id, Position: "pump1", State: state,
		Seen: &rules.FailureSeen{Time: epoch, Mode: "FTS", FailureUse: rules.FailureUse{Run: 1234.5678901234567, Starts: signal.Unknown()}}}
	if reason != "" {
		f.Said = &rules.FailureSaid{Time: epoch.Add(time.Hour), By: "M. Okoro", Reason: reason}
	}
	return rules.Event{Kind: rules.FailureEvent, Time: epoch, Unit: "AU-7", Source: "pump1", Name: name, Failure: f}
}

// A failure stands as its last event tells it; it outlives its events, and a
// database that was damaged.
func TestFailuresOutliveTheirEvents(t *testing.T) {
	dir := t.TempDir()
	now := epoch
	s := openStore(t, Options{Dir: dir, Now: func() time.Time { return now }})
	for _, e := range []rules.Event{failureEvent("F1-20260301", rules.Unconfirmed, "found", ""), failureEvent("F2-20260301", rules.Unconfirmed, "found", ""),
		failureEvent("F1-20260301", rules.Rejected, "rejected", `<it was> "a test" & more`)} {
		if _, err := s.Record(t.Context(), "AU-7", []rules.Event{e}, nil, nil); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Verify(t.Context()); err != nil {
		t.Error(err)
	}
	check := func(when string) {
		t.Helper()
		r := openReader(t, dir)
		all, err := r.Failures(t.Context(), "AU-7")
		if err != nil || len(all) != 2 || all[1].ID != "F1-20260301" || all[1].State != rules.Rejected ||
			all[1].Said.Reason != `<it was> "a test" & more` || all[1].Seen.Run != 1234.5678901234567 || all[1].Seen.Starts.Known() {
			t.Errorf("%s: %+v, %v", when, all, err)
		}
	}
	check("at once")
	now = now.Add(5 * 365 * day)
	late := machineEvent(1)
	late.Time = now
	if _, err := s.Record(t.Context(), "AU-7", []rules.Event{late}, nil, nil); err != nil {
		t.Fatal(err)
	}
	s.SaveCursor("uplink", s.Newest())
	if err := s.prune(t.Context()); err != nil {
		t.Fatal(err)
	}
	if left, err := s.Entries(t.Context(), 0, 10); err != nil || len(left) != 1 {
		t.Fatalf("%d events left after five years, %v", len(left), err)
	}
	check("after five years")
	s.write.Lock()
	err := s.replace(t.Context(), errors.New("for the test"))
	s.write.Unlock()
	if err != nil {
		t.Fatal(err)
	}
	check("in the replaced database")
}

// BenchmarkReadRuns is the reading alone, of all the runs of a unit.
func BenchmarkReadRuns(b *testing.B) {
	const n = 100_000
	dir := b.TempDir()
	s := openStore(b, Options{Dir: dir})
	runs := make([]machine.Run, 1000)
	for i := range n / len(runs) {
		for k := range runs {
			start := epoch.Add(time.Duration(i*len(runs)+k) * time.Minute)
			runs[k] = machine.Run{Position: "pump1", Serial: "P-1", Start: start, End: start.Add(30 * time.Second), Seconds: 30, StartSeen: true}
		}
		if _, err := s.Record(b.Context(), "AU-7", nil, runs, nil); err != nil {
			b.Fatal(err)
		}
	}
	r := openReader(b, dir)
	b.ReportAllocs()
	for b.Loop() {
		got := 0
		err := r.Runs(b.Context(), "AU-7", time.Time{}, time.Time{}, func(*rules.NumberedRun) error { got++; return nil })
		if err != nil || got != n {
			b.Fatal(got, err)
		}
	}
	b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "runs/s")
}
