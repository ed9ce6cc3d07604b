package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	ossignal "os/signal"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"strokebank/agent/internal/history"
	"strokebank/agent/internal/simulator"
	"strokebank/agent/internal/watch"
	"strokebank/configs"
	"strokebank/rules"
)

// agentClock names the variable that makes the test's own binary the whole
// program, on a wall clock that is off by the seconds in a file: a process of
// its own, to be killed, whose clock can be set.
const agentClock = "STROKEBANK_TEST_CLOCK"

// agentOn is the program with that clock, which nothing keeps right.
func agentOn(file string) int {
	wall := func() time.Time {
		text, err := os.ReadFile(file)
		if err != nil {
			return time.Time{}
		}
		off, _ := strconv.ParseFloat(string(text), 64)
		return time.Now().Add(time.Duration(off * float64(time.Second)))
	}
	watch.SystemClock = watch.ClockSources{Wall: wall, Synced: func() bool { return false }}
	ctx, stop := ossignal.NotifyContext(context.Background(), syscall.SIGTERM)
	defer stop()
	return dispatch(ctx, shell{os.Stdin, os.Stdout, os.Stderr}, os.Args[1:])
}

// setWall sets that clock in one step, so that nobody reads half of it.
func setWall(t *testing.T, file string, seconds float64) {
	t.Helper()
	err := os.WriteFile(file+".new", []byte(strconv.FormatFloat(seconds, 'f', -1, 64)), 0o600)
	if err == nil {
		err = os.Rename(file+".new", file)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// recorded is the program as a process, recording what a simulated unit shows
// it over Modbus.
type recordedAgent struct {
	t                           *testing.T
	plant                       *simulator.Plant
	config, store, tapes, clock string
	port                        int
	process                     *process
}

// promptAlarms are raised and cleared within the test.
const promptAlarms = `    alarms:
      transmitter_failed: {on_delay: 0 s, off_delay: 0 s}
      reserve_unknown: {on_delay: 0 s, off_delay: 0 s}
      overload: {on_delay: 0 s, off_delay: 0 s}
      link_lost: {on_delay: 0 s, off_delay: 0 s}
      runs_in_hand: {on_delay: 0 s, off_delay: 0 s}
      not_in_automatic: {on_delay: 0 s, off_delay: 0 s}
`

func newRecordedAgent(t *testing.T) *recordedAgent {
	t.Helper()
	dir := t.TempDir()
	a := &recordedAgent{t: t, config: filepath.Join(dir, "site.yaml"), store: filepath.Join(dir, "history"),
		tapes: filepath.Join(dir, "recordings"), clock: filepath.Join(dir, "clock"), port: freePort(t)}
	plant, err := simulator.New(simulator.QuillenReach(), 11)
	if err != nil {
		t.Fatal(err)
	}
	a.plant = plant
	panel := panelOf(t, plant, 4, "127.0.0.1:0")
	text, err := configs.Example("quillen-reach")
	if err != nil {
		t.Fatal(err)
	}
	config, _, _ := strings.Cut(string(text), "\nbroker:")
	config = strings.NewReplacer("tcp://127.0.0.1:15020", "tcp://"+panel, "scan: 1 s", "scan: 200 ms", "timeout: 300 ms", "timeout: 150 ms",
		"    alarms:\n", promptAlarms).Replace(config)
	config += fmt.Sprintf("\nhistory: {dir: %s}\nhttp: {listen: \"%s\"}\naccess: {act_without_secret: true}\n", a.store, at(a.port))
	if err := os.WriteFile(a.config, []byte(config), 0o600); err != nil {
		t.Fatal(err)
	}
	setWall(t, a.clock, 0)
	return a
}

func (a *recordedAgent) start() {
	a.t.Helper()
	a.process = startIn(a.t, []string{agentClock + "=" + a.clock}, os.Args[0], "run", "-record", a.tapes, "-record-most", "2 MB", a.config)
	listening(a.t, a.port)
}

// newest is the number of the newest event, by the API.
func (a *recordedAgent) newest() uint64 {
	a.t.Helper()
	var page struct{ Events []rules.Entry }
	body, err := fetch("http://" + at(a.port) + "/api/v1/journal?limit=1")
	if err == nil {
		err = json.Unmarshal([]byte(body), &page)
	}
	if err != nil || len(page.Events) == 0 {
		return 0
	}
	return page.Events[0].Seq
}

// fault sets a fault and waits until something comes of it.
func (a *recordedAgent) fault(f simulator.Fault, severity float64) {
	a.t.Helper()
	a.still(500 * time.Millisecond) // or something else might be taken for it
	before := a.newest()
	if err := a.plant.Set(f, severity); err != nil {
		a.t.Fatal(err)
	}
	eventually(a.t, fmt.Sprintf("%s %v shows", f, severity), func() bool { return a.newest() > before })
}

// still waits until no event has come for a while: what is killed then has
// nothing under way.
func (a *recordedAgent) still(while time.Duration) {
	a.t.Helper()
	last, since := a.newest(), time.Now()
	eventually(a.t, "no event comes for a while", func() bool {
		if n := a.newest(); n != last || n == 0 {
			last, since = n, time.Now()
		}
		return time.Since(since) > while
	})
}

func (a *recordedAgent) act(args ...string) {
	a.t.Helper()
	var out bytes.Buffer
	args = append([]string{"act", "-at", at(a.port), "-unit", "AU-7", "-by", "A. Lindqvist"}, args...)
	if code := dispatch(a.t.Context(), shell{nil, &out, &out}, args); code != exitOK {
		a.t.Fatalf("%v: exit code %d\n%s", args, code, out.String())
	}
}

// entries is what history holds, one line each in the form of the messages.
func (a *recordedAgent) entries() (lines []string) {
	a.t.Helper()
	store, err := history.Open(a.t.Context(), history.Options{Dir: a.store, Agent: "gateway-1"})
	if err != nil {
		a.t.Fatal(err)
	}
	defer store.Close()
	if err := store.Verify(a.t.Context()); err != nil {
		a.t.Error(err)
	}
	entries, err := store.Entries(a.t.Context(), 0, 1_000_000)
	if err != nil {
		a.t.Fatal(err)
	}
	for i := range entries {
		text, err := json.Marshal(&entries[i])
		if err != nil {
			a.t.Fatal(err)
		}
		lines = append(lines, string(text))
	}
	return lines
}

// A recording with faults, commands, a kill, a stop and two steps of the clock
// gives, replayed, the bytes that history holds: of every event, its id and its
// number included, in the form in which it leaves the program.
func TestReplayGivesTheSameBytes(t *testing.T) {
	a := newRecordedAgent(t)
	a.start()
	eventually(t, "it has begun", func() bool { return a.newest() > 0 })
	a.fault("level.open", 1)
	a.act("-alarm", "transmitter_failed", "-source", "level", "acknowledge")
	a.fault("level.open", 0)
	a.act("-source", "unit", "-reason", "wire mended", "note")
	a.fault("pump2.overload", 1)
	a.fault("pump2.overload", 0)
	a.fault("link_lost", 1)
	setWall(t, a.clock, -86400)
	a.still(time.Second)
	a.fault("link_lost", 0)
	a.fault("pump1.hand", 1)
	a.act("-source", "compressor2", "-for", "1h", "-reason", "belt", "out_of_service")
	a.still(time.Second)
	a.process.kill() // with pump1 running
	a.start()
	a.fault("pressure.open", 1)
	setWall(t, a.clock, 30)
	a.fault("pressure.open", 0)
	a.act("-source", "compressor2", "back_in_service")
	a.fault("pump1.hand", 0)
	a.still(time.Second)
	if code := a.process.stop(); code != exitOK {
		t.Fatalf("stopped with exit code %d", code)
	}
	a.start() // an orderly restart besides
	a.fault("link_lost", 1)
	a.fault("link_lost", 0)
	a.still(time.Second)
	if code := a.process.stop(); code != exitOK {
		t.Fatalf("stopped with exit code %d", code)
	}
	a.sameBytes()
}

func (a *recordedAgent) sameBytes() {
	t := a.t
	t.Helper()
	var out, said bytes.Buffer
	if code := dispatch(t.Context(), shell{nil, &out, &said}, []string{"replay", a.config, a.tapes}); code != exitOK {
		t.Fatalf("exit code %d\n%s", code, said.String())
	}
	got, want := strings.Split(strings.TrimSuffix(out.String(), "\n"), "\n"), a.entries()
	t.Logf("%d events\n%s", len(want), said.String())
	if len(want) < 200 {
		t.Errorf("only %d events: the test proves too little", len(want))
	}
	for _, has := range []string{`"to":"unacknowledged"`, `"to":"acknowledged"`, `"kind":"clock"`, `"kind":"gap"`, `"kind":"command"`, `"kind":"note"`, `"name":"stopped"`, `"name":"corrected"`} {
		if !strings.Contains(strings.Join(want, "\n"), has) {
			t.Errorf("no event has %s", has)
		}
	}
	for i := range max(len(got), len(want)) {
		switch {
		case i >= len(got):
			t.Fatalf("event %d is not replayed: %s", i+1, want[i])
		case i >= len(want):
			t.Fatalf("replayed, but not in history: %s", got[i])
		case got[i] != want[i]:
			t.Fatalf("event %d:\nreplay  %s\nhistory %s", i+1, got[i], want[i])
		}
	}
	if !strings.Contains(said.String(), fmt.Sprintf("%d events, all byte for byte", len(want))) {
		t.Errorf("the summary does not say so:\n%s", said.String())
	}
}
