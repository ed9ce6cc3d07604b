package watch

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"strokebank/rules"
	"strokebank/rules/machine"
	"strokebank/sensors/signal"
)

// scans is a source that the test feeds one scan at a time.
type scans chan signal.Scan

func (s scans) Next(ctx context.Context) (signal.Scan, error) {
	select {
	case scan, ok := <-s:
		if !ok {
			return scan, errors.New("recording ended")
		}
		return scan, nil
	case <-ctx.Done():
		return signal.Scan{}, ctx.Err()
	}
}

// scripted judges a scan by its number: every scan in events has one event.
type scripted struct {
	events  map[uint64]string
	running bool
	a       rules.Assessment
	steps   int
}

func (j *scripted) Step(scan signal.Scan) *rules.Assessment {
	j.steps++
	j.a = rules.Assessment{Unit: "AU-7", Scan: scan.Number, Time: scan.Time, Events: j.a.Events[:0],
		Gas: rules.Gas{AirRatio: signal.Unknown()}, Leaks: noLeaks}
	if name, ok := j.events[scan.Number]; ok {
		j.a.Events = append(j.a.Events, rules.Event{Name: name})
	}
	if j.running {
		j.a.Machines = []machine.Status{{State: machine.Running}}
	}
	return &j.a
}
func (j *scripted) Apply(c *rules.Command, scan *signal.Scan) ([]rules.Event, error) {
	if c.Order != rules.Note {
		return nil, errors.New("only notes here")
	}
	return []rules.Event{{Name: c.Reason, Command: c.ID}}, nil
}
func (j *scripted) Save() ([]byte, error) { return []byte(strconv.FormatUint(j.a.Scan, 10)), nil }
func (j *scripted) Beat() ([]byte, error) { return []byte("beat"), nil }

// ledger is a recorder in memory that can be made to hang or fail.
type ledger struct {
	mu      sync.Mutex
	log     []string // what happened, in order, shows included
	beats   []time.Time
	commits int
	hang    chan struct{} // Record waits until it is closed
	fail    error
}

func (l *ledger) add(format string, args ...any) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.log = append(l.log, fmt.Sprintf(format, args...))
}

func (l *ledger) Record(_ context.Context, _ string, events []rules.Event, _ []machine.Run, state []byte) ([]rules.Entry, error) {
	if l.hang != nil {
		<-l.hang
	}
	l.mu.Lock()
	fail := l.fail
	l.commits++
	l.mu.Unlock()
	if fail != nil {
		return nil, fail
	}
	var entries []rules.Entry
	for i, e := range events {
		l.add("event %s", e.Name)
		entries = append(entries, rules.Entry{ID: fmt.Sprint("id-", l.commits, "-", i), Durable: true, Event: e})
	}
	if state != nil {
		l.add("state %s", state)
	}
	return entries, nil
}

func (l *ledger) Beat(string, []byte) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.beats = append(l.beats, time.Now())
	return nil
}

func (l *ledger) Trend(_ context.Context, _ string, rows []rules.Trend) error {
	l.add("trends %d", len(rows))
	return nil
}

func (l *ledger) Show(a *rules.Assessment) { l.add("show %d", a.Scan) }

func (l *ledger) entries() []string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return slices.Clone(l.log)
}

// begin runs a watch inside a synctest bubble; send hands it one scan a
// second and stop ends it.
func begin(t *testing.T, j *scripted, l *ledger) (send func(n int), stop func() error) {
	t.Helper()
	_, send, stop = beginWatch(t, j, l)
	return send, stop
}

func beginWatch(t *testing.T, j *scripted, l *ledger) (w *Watch, send func(n int), stop func() error) {
	t.Helper()
	source := make(scans)
	w = &Watch{Site: "Quillen Reach", Unit: "AU-7", Source: source, Judge: j, Recorder: l, Shower: l, Log: slog.New(slog.DiscardHandler)}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- w.Run(ctx) }()
	start, number := time.Now(), uint64(0)
	send = func(n int) {
		for range n {
			number++
			source <- signal.Scan{Number: number, Time: time.Now(), Elapsed: time.Since(start)}
			synctest.Wait()
			time.Sleep(time.Second)
		}
	}
	return w, send, func() error {
		cancel()
		return <-ended
	}
}

func TestEventIsRecordedBeforeItIsShown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &ledger{}
		send, stop := begin(t, &scripted{events: map[uint64]string{2: "low"}}, l)
		send(3)
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		want := []string{
			"event started", "state 1", "show 1",
			"event low", "state 2", "show 2",
			"show 3",
			"event stopped", "state 3", "trends 0",
		}
		got := slices.DeleteFunc(l.entries(), func(s string) bool { return s == "trends 0" })
		if want = want[:len(want)-1]; !slices.Equal(got, want) {
			t.Errorf("order:\n got %q\nwant %q", got, want)
		}
	})
}

func TestStepDoesNotWaitForTheDisk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &ledger{hang: make(chan struct{})}
		j := &scripted{events: map[uint64]string{2: "a", 5: "b", 9: "c"}}
		send, stop := begin(t, j, l)
		send(10)
		if j.steps != 10 {
			t.Fatalf("%d of 10 scans were judged while the disk hung", j.steps)
		}
		if shown := l.entries(); len(shown) != 0 {
			t.Fatalf("seen before it was durable: %q", shown)
		}
		close(l.hang)
		synctest.Wait()
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		want := []string{"event started", "state 1", "show 1", "event a", "event b", "event c", "state 9", "show 10", "event stopped", "state 10"}
		if got := l.entries(); !slices.Equal(got, want) {
			t.Errorf("after the disk came back:\n got %q\nwant %q", got, want)
		}
		if l.commits != 3 {
			t.Errorf("%d commits, want 3: what waited goes in one", l.commits)
		}
	})
}

func TestFailedRecordIsTriedAgainInOrder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &ledger{fail: errors.New("disk gone")}
		send, stop := begin(t, &scripted{events: map[uint64]string{1: "a", 2: "b"}}, l)
		send(3)
		if got := l.entries(); len(got) != 0 {
			t.Fatalf("nothing may be seen yet, got %q", got)
		}
		l.mu.Lock()
		l.fail = nil
		l.mu.Unlock()
		send(1)
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		want := []string{"event started", "event a", "event b", "state 2", "show 4"}
		if got := l.entries(); len(got) < len(want) || !slices.Equal(got[:len(want)], want) {
			t.Errorf("got %q, want it to begin with %q", got, want)
		}
	})
}

func TestBeatsKeepTheirPace(t *testing.T) {
	for _, c := range []struct {
		name    string
		running bool
		most    time.Duration // between two beats
		least   time.Duration
	}{
		{"a machine runs: never five seconds apart", true, 4 * time.Second, 4 * time.Second},
		{"idle: spare the flash", false, time.Minute, time.Minute},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				l := &ledger{}
				send, stop := begin(t, &scripted{running: c.running}, l)
				send(130)
				if err := stop(); err != nil {
					t.Fatal(err)
				}
				beats := l.beats[:len(l.beats)-1] // the last one is the farewell
				if len(beats) < 2 {
					t.Fatalf("%d beats in 130 s", len(beats))
				}
				for i := 1; i < len(beats); i++ {
					if gap := beats[i].Sub(beats[i-1]); gap > c.most || gap < c.least {
						t.Errorf("beat %d came %v after the one before", i, gap)
					}
				}
			})
		})
	}
}

func TestBeatFollowsAStartSoon(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, j := &ledger{}, &scripted{}
		send, stop := begin(t, j, l)
		send(10)
		j.running = true
		began := time.Now()
		send(6)
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if len(l.beats) < 3 || l.beats[1].Sub(began) > beatRunning {
			t.Errorf("beats %v; want one within %v of the start at %v", l.beats, beatRunning, began)
		}
	})
}

func TestSourceThatEndsIsAnError(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		source := make(scans)
		close(source)
		w := &Watch{Unit: "AU-7", Source: source, Judge: &scripted{}, Recorder: &ledger{}, Shower: &ledger{}, Log: slog.New(slog.DiscardHandler)}
		if err := w.Run(t.Context()); err == nil {
			t.Error("a watch whose source ended returned no error")
		}
	})
}

// A disk that takes nothing for a week is one line in the log, not one for
// every heartbeat.
func TestWhatIsNotWrittenIsSaidOnce(t *testing.T) {
	var lines strings.Builder
	w := &Watch{Unit: "AU-7", Log: slog.New(slog.NewTextHandler(&lines, nil))}
	for _, err := range []error{nil, errors.New("disk full"), errors.New("disk full"), nil, nil, errors.New("disk full")} {
		w.told("heartbeat", &w.noBeat, err)
	}
	if not, again := strings.Count(lines.String(), "not written"), strings.Count(lines.String(), "written again"); not != 2 || again != 1 {
		t.Errorf("said %d times and %d times:\n%s", not, again, &lines)
	}
}

func TestAgentsOwnStateComesWithTheScan(t *testing.T) {
	feed := make(scans, 1)
	durable, room := true, false
	s := Self{Source: feed, History: func() (bool, bool) { return durable, room }}
	feed <- signal.Scan{Readings: make([]signal.Reading, 2), ClockTrusted: true}
	scan, err := s.Next(t.Context())
	points := SelfPoints()
	if err != nil || len(scan.Readings) != 2+len(points) {
		t.Fatalf("%+v, %v", scan, err)
	}
	want := map[signal.ID]bool{signal.AgentHistory: true, signal.AgentRoom: false, signal.AgentClock: true}
	for i, p := range points {
		if r := scan.Readings[2+i]; r.On() != want[p.ID] || r.Quality != signal.Good || r.Unit != p.Unit {
			t.Errorf("%s: %+v", p.ID, r)
		}
	}
	close(feed)
	if _, err := s.Next(t.Context()); err == nil {
		t.Error("the end of the source is not handed on")
	}
}
