package uplink

import (
	"context"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/rules/machine"
	"strokebank/rules/reserve"
	"strokebank/sensors/signal"
)

var noon = time.Date(2026, 3, 14, 12, 0, 0, 0, time.UTC)

// book is an outbox in memory.
type book struct {
	mu      sync.Mutex
	entries []rules.Entry
	wake    chan struct{}
	cursor  uint64
	fail    error // what Entries and Cursor answer while it is set
}

func newBook(n int) *book {
	b := &book{wake: make(chan struct{})}
	b.add(n)
	return b
}

// add appends n events, every second of them raising an alarm.
func (b *book) add(n int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for range n {
		seq := uint64(len(b.entries) + 1)
		e := rules.Event{Kind: rules.AlarmEvent, Time: noon.Add(time.Duration(seq) * time.Second), ClockTrusted: true,
			Site: "Quillen Reach", Unit: "AU-7", Source: "unit", Name: "low_pressure", Title: "Tank pressure low",
			From: string(alarm.Normal), To: string(alarm.Unacknowledged), Priority: alarm.High,
			Action: "Look at both compressors.", Values: []rules.Value{{Name: "pressure", Value: 6.1e5, Unit: "Pa"}}}
		if seq%2 == 0 {
			e.From, e.To = e.To, e.From
		}
		b.entries = append(b.entries, rules.Entry{Schema: rules.Schema, ID: fmt.Sprintf("inst-%d", seq), Seq: seq, Durable: true, Event: e})
	}
	close(b.wake)
	b.wake = make(chan struct{})
}

func (b *book) Entries(_ context.Context, after uint64, limit int) ([]rules.Entry, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.fail != nil {
		return nil, b.fail
	}
	for i, e := range b.entries {
		if e.Seq > after {
			return append([]rules.Entry(nil), b.entries[i:min(i+limit, len(b.entries))]...), nil
		}
	}
	return nil, nil
}

func (b *book) newest() uint64 {
	if len(b.entries) == 0 {
		return 0
	}
	return b.entries[len(b.entries)-1].Seq
}

func (b *book) Newest() uint64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.newest()
}

func (b *book) Wait(ctx context.Context, after uint64) error {
	for {
		b.mu.Lock()
		wake, newest := b.wake, b.newest()
		b.mu.Unlock()
		if newest != after {
			return nil
		}
		select {
		case <-wake:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

func (b *book) Cursor(context.Context, string) (uint64, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.cursor, b.fail
}

func (b *book) SaveCursor(_ string, seq uint64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.cursor = seq
}

func (b *book) saved() uint64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.cursor
}

// board shows assessments.
type board struct {
	mu      sync.Mutex
	all     []*rules.Assessment
	changed chan struct{}
}

func newBoard(all ...*rules.Assessment) *board {
	return &board{all: all, changed: make(chan struct{})}
}

func (b *board) show(all ...*rules.Assessment) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.all = all
	close(b.changed)
	b.changed = make(chan struct{})
}

func (b *board) Latest() []*rules.Assessment {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.all
}

func (b *board) Changed() <-chan struct{} {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.changed
}

// assessment is a unit in order, with every kind of thing in it.
func assessment(scan uint64) *rules.Assessment {
	at := noon.Add(time.Duration(scan) * time.Second)
	no := signal.Unknown()
	window := machine.Window{Length: "24h", RunSeconds: 600, Starts: 4, ShareOfRun: 0.5, ShareOfStarts: no}
	pump := machine.Status{Position: "pump1", Tag: "P-71", Kind: machine.Pump, Serial: "K-118", State: machine.Running,
		Quality: signal.Good, Since: noon, Lead: true, Available: true, AvailableKnown: true, LifetimeRunSeconds: 3600, LifetimeStarts: 12,
		ThisRunSeconds: 30, Windows: [3]machine.Window{window, window, window}}
	dark := machine.Status{Position: "compressor2", Tag: "C-72", Kind: machine.Compressor, State: machine.StateUnknown,
		Reason: "link lost", Blocked: "running contact is bad", Windows: pump.Windows}
	return &rules.Assessment{
		Schema: rules.Schema, Site: "Quillen Reach", Unit: "AU-7", Time: at, ClockTrusted: true, Scan: scan, Quality: signal.Good,
		Readings: []rules.NamedReading{
			{ID: signal.Pressure, Reading: signal.Measured(8e5, signal.Pascal, at)},
			{ID: signal.SumpLevel, Reading: signal.Missing(signal.Metre, signal.LinkLost, at)},
			{ID: signal.OilTemperature, Reading: signal.Measured(290, signal.Kelvin, at).Degrade(signal.Uncertain, signal.AboveRange)},
		},
		GasPressure: signal.Measured(9e5, signal.Pascal, at), Level: signal.Measured(1.5, signal.Metre, at),
		OilVolume: signal.Measured(2, signal.CubicMetre, at), GasVolume: signal.Measured(2.5, signal.CubicMetre, at), TankVolume: 4.5,
		Reserve: reserve.Figures{Known: true, Quality: signal.Good, Required: 2, AtLeast: 3, Expected: 3.4, FullCharge: 4.1,
			Limit: reserve.ByPressure, AtLeastLimit: reserve.ByOil, UsableOil: 0.6, UsableAtLeast: 0.5, HoldTime: 86400, TimeToFull: no, TimeToFullOne: no,
			Strokes: []reserve.AfterStroke{{Cycle: 1, Valve: "XV-1"}}},
		Machines: []machine.Status{pump, dark},
		Pairs:    []machine.PairStatus{{Kind: machine.Pump, Available: 2, Redundancy: "both", Imbalance: no, NextLead: "pump2"}},
		Alarms: []alarm.Status{
			{Name: "low_pressure", Source: "unit", Title: "Tank pressure low", State: alarm.Unacknowledged, Priority: alarm.High,
				Since: noon, Action: "Look at both compressors.", Respond: 1800, Note: "Call the control room first.",
				Value: 6.1e5, Limit: 6.5e5, Unit: signal.Pascal},
			{Name: "overload", Source: "pump1", Title: "Motor overload", State: alarm.Normal, Priority: alarm.Medium,
				Action: "Find out why before resetting.", Respond: 3600, Value: no, Limit: no},
			{Name: "failed_to_start", Source: "compressor2", Title: "Does not start", State: alarm.NotKnown, Reason: "link lost",
				Priority: alarm.Medium, Since: noon, Action: "Start it by hand.", Respond: 3600, Value: no, Limit: no},
		},
	}
}

// blind is the same unit with its reserve unknown.
func blind(scan uint64) *rules.Assessment {
	a := assessment(scan)
	a.Quality = signal.Bad
	a.GasPressure = signal.Missing(signal.Pascal, signal.FailureLow, a.Time)
	// Zeros on purpose: an unknown figure must not leave as 0.
	a.Reserve = reserve.Figures{Reason: "pressure: failure signal low", Required: 2}
	a.LastKnown = &rules.LastKnown{AtLeast: 3, Expected: 3.4, Time: noon, Age: 12.5}
	return a
}

// logbook collects log lines and lets a test wait for one.
type logbook struct {
	mu    sync.Mutex
	text  strings.Builder
	lines chan string
}

func newLogbook() (*logbook, *slog.Logger) {
	l := &logbook{lines: make(chan string, 10_000)}
	return l, slog.New(slog.NewTextHandler(l, &slog.HandlerOptions{Level: slog.LevelDebug}))
}

func (l *logbook) Write(line []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.text.Write(line)
	l.lines <- string(line)
	return len(line), nil
}

func (l *logbook) all() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

// wait returns the next line that contains part.
func (l *logbook) wait(t testing.TB, part string) string {
	t.Helper()
	deadline := time.After(patience)
	for {
		select {
		case line := <-l.lines:
			if strings.Contains(line, part) {
				return line
			}
		case <-deadline:
			t.Fatalf("waited in vain for a log line with %q, got:\n%s", part, l.all())
		}
	}
}

func config(url string) Config {
	return Config{Broker: url, Site: "Quillen Reach", Agent: "gate-1", Units: []string{"AU-7"}, Installation: "inst",
		Version: "1.2.3", LivePeriod: time.Nanosecond, KeepAlive: time.Second}
}

// quick is the timing of the tests: new attempts come at once, but nothing is
// given up that a slow machine only keeps waiting.
var quick = timing{firstRetry: 10 * time.Millisecond, lastRetry: 100 * time.Millisecond, settled: time.Minute,
	connect: patience, write: 2 * time.Second, handover: 200 * time.Millisecond, ping: patience, ack: patience,
	cursor: 20 * time.Millisecond, store: 10 * time.Millisecond, quiet: 200 * time.Millisecond, linger: 500 * time.Millisecond}

// hasty is for brokers that do not answer.
func hasty() timing {
	t := quick
	t.ping, t.ack = time.Second, 2*time.Second
	return t
}

// running is an uplink at work.
type running struct {
	*Uplink
	log  *logbook
	stop func() // ends it and waits
}

func start(t testing.TB, cfg Config, box outbox, now latest) *running {
	t.Helper()
	return startWith(t, cfg, box, now, quick)
}

func startWith(t testing.TB, cfg Config, box outbox, now latest, pace timing) *running {
	t.Helper()
	lines, log := newLogbook()
	u, err := New(cfg, box, now, log)
	if err != nil {
		t.Fatal(err)
	}
	u.timing = pace
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- u.Run(ctx) }()
	var once sync.Once
	stop := func() {
		once.Do(func() {
			cancel()
			select {
			case err := <-done:
				if err != nil {
					t.Errorf("Run: %v", err)
				}
			case <-time.After(patience):
				t.Error("Run does not end")
			}
		})
	}
	t.Cleanup(stop)
	return &running{u, lines, stop}
}
