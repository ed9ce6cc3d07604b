package main

import (
	"context"
	"errors"
	"flag"
	"log/slog"
	"os"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"strokebank/agent/internal/history"
	"strokebank/agent/internal/simulator"
	"strokebank/agent/internal/watch"
	"strokebank/sensors/signal"
)

var wearDays = flag.Int("wear-days", 1, "how many days TestWearOfADay lets a unit run; it measures the last")

// mostWear is what a unit may write in a day of normal operation, bytes.
const mostWear = 20e6

var errOver = errors.New("the time is over")

// lived gives a plant's scans, one a second of the bubble's time.
type lived struct {
	r     *rig
	until time.Duration
	day   func() // called as the last day begins
}

func (l *lived) Next(ctx context.Context) (signal.Scan, error) {
	select {
	case <-time.After(l.r.period):
	case <-ctx.Done():
		return signal.Scan{}, ctx.Err()
	}
	switch {
	case l.r.scan.Elapsed >= l.until:
		return signal.Scan{}, errOver
	case l.r.scan.Elapsed == l.until-24*time.Hour:
		l.day()
	}
	l.r.look()
	scan := l.r.scan
	scan.Readings = append([]signal.Reading(nil), scan.Readings...)
	return scan, nil
}

// weighed is a store whose heartbeats are counted.
type weighed struct {
	*history.Store
	beats atomic.Int64
}

func (w *weighed) Beat(unit string, payload []byte) error {
	w.beats.Add(1)
	return w.Store.Beat(unit, payload)
}

// written is how much this process has handed to write calls, bytes.
func written(t *testing.T) int64 {
	t.Helper()
	text, err := os.ReadFile("/proc/self/io")
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(text)) {
		if rest, ok := strings.CutPrefix(line, "wchar: "); ok {
			n, err := strconv.ParseInt(strings.TrimSpace(rest), 10, 64)
			if err != nil {
				t.Fatal(err)
			}
			return n
		}
	}
	t.Fatal("/proc/self/io has no wchar")
	return 0
}

// What a unit in normal operation writes in a day, at a scan a second, all of
// it: the log, what is folded from it into the database, trends with their
// condensing, saved states, and heartbeats, which take a page of 4 kB each. The
// file system's own journal comes on top and is not ours to measure.
func TestWearOfADay(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, "quillen-reach", simulator.QuillenReach(), 3, time.Second, nil)
		store, err := history.Open(t.Context(), history.Options{Dir: dir, Agent: "gateway-1", Now: func() time.Time { return r.plant.Truth().Wall }})
		if err != nil {
			t.Fatal(err)
		}
		s := &weighed{Store: store}
		var before, beats, commits int64
		var events uint64
		l := &lived{r: r, until: time.Duration(*wearDays) * 24 * time.Hour, day: func() {
			before, beats, commits, events = written(t), s.beats.Load(), store.Stats().CommittedBytes, store.Newest()
		}}
		w := &watch.Watch{Site: r.cfg.Site, Unit: r.cfg.Unit, Source: l, Judge: r.unit, Recorder: s,
			Shower: watch.NewBoard([]string{r.cfg.Unit}), Log: slog.New(slog.DiscardHandler)}
		ctx, cancel := context.WithCancel(t.Context())
		cared := make(chan error, 1)
		go func() { cared <- store.Run(ctx) }()
		if err := w.Run(ctx); !errors.Is(err, errOver) {
			t.Error(err)
		}
		cancel()
		if err := errors.Join(<-cared, store.Verify(t.Context()), store.Close()); err != nil {
			t.Error(err)
		}
		beats = s.beats.Load() - beats
		wear := written(t) - before + beats*2048 // a beat writes half of its page
		t.Logf("day %d: %.1f MB written; %d heartbeats are %.1f MB of it, the log %.1f MB; %d events",
			*wearDays, float64(wear)/1e6, beats, float64(beats)*4096/1e6, float64(store.Stats().CommittedBytes-commits)/1e6, store.Newest()-events)
		if wear > mostWear || wear < 1e6 || beats < 1440 {
			t.Errorf("%.1f MB in a day with %d heartbeats; at most %.0f MB", float64(wear)/1e6, beats, mostWear/1e6)
		}
	})
}
