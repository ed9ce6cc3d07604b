package main

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"strokebank/agent/internal/history"
	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/rules/machine"
)

var kills = flag.Int("kills", 6, "how often the agent is killed in TestKilledAgainAndAgain")

// TestKilledAgainAndAgain kills the agent at random moments while a pump
// starts and stops and an alarm comes and goes. Afterwards history, broker and
// truth must agree: nothing lost, nothing twice, run seconds short by at most
// the heartbeat for every kill.
func TestKilledAgainAndAgain(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))
	c := startChain(t)
	c.hears.await("the first reserve", 0, c.cycles(5))
	var truth time.Duration // that pump1 ran
	var since time.Time
	for range *kills {
		for range 1 + random.IntN(3) {
			if since.IsZero() {
				since = time.Now()
				c.image.set("discrete_inputs", 0, 1)
				c.image.set("input", 0, 9800)
			} else {
				truth += time.Since(since)
				since = time.Time{}
				c.image.set("discrete_inputs", 0, 0)
				c.image.set("input", 0, 12000)
			}
			pause(t, time.Duration(random.IntN(900))*time.Millisecond)
		}
		c.agent.kill()
		c.agent = start(t, c.strokebank, "run", c.config)
		listening(t, c.http)
	}
	if !since.IsZero() {
		truth += time.Since(since)
		c.image.set("discrete_inputs", 0, 0)
		c.image.set("input", 0, 12000)
	}
	eventually(t, "all is well, and judged so", c.well)
	if code := c.agent.stop(); code != exitOK {
		t.Errorf("stopped with exit code %d", code)
	}
	entries, runs := c.history(t)
	c.agree(t, entries)
	chained(t, entries)
	var ran, doubt float64
	for _, r := range runs {
		ran += r.Seconds
		doubt += r.Doubt
	}
	// Above the truth a run can be by the scan that closes it and the time the
	// peer takes to see the file; below it by a beat a kill and the time that
	// the agent needs to start, which it calls unobserved.
	if most := truth.Seconds() + 1*float64(*kills+1); ran > most {
		t.Errorf("pump1 ran %.1f s by history, %.1f s in truth", ran, truth.Seconds())
	}
	if ran+doubt+float64(*kills)*restart.Seconds() < truth.Seconds()-1 {
		t.Errorf("pump1 ran %.1f s by history with a doubt of %.1f s, %.1f s in truth", ran, doubt, truth.Seconds())
	}
}

// well reports whether every alarm is judged, none stands but what stands here by
// rights, and pump1 stands still.
func (c *chain) well() bool {
	var a rules.Assessment
	text, err := fetch(fmt.Sprintf("http://%s/api/v1/units/AU-9", at(c.http)))
	if err != nil || json.Unmarshal([]byte(text), &a) != nil || a.Machines[0].State != machine.Stopped {
		return false
	}
	return !slices.ContainsFunc(a.Alarms, func(s alarm.Status) bool {
		return s.State != alarm.Normal && s.State != alarm.Returned && !slices.Contains(trulyWrong, s.Name)
	})
}

// restart is the longest that the program may need from its start to its
// first scan in this test, built with the race detector on a busy machine.
const restart = 5 * time.Second

// pause lets the outside world take its time: what is tested runs in another
// process, so no clock of this one can be moved.
func pause(t *testing.T, d time.Duration) {
	t.Helper()
	select {
	case <-time.After(d):
	case <-t.Context().Done():
	}
}

// history reads the agent's store after it has stopped.
func (c *chain) history(t *testing.T) ([]rules.Entry, []machine.Run) {
	t.Helper()
	ctx := context.Background()
	store, err := history.Open(ctx, history.Options{Dir: c.store, Agent: "gateway-test"})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	if err := store.Verify(ctx); err != nil {
		t.Error(err)
	}
	entries, err := store.Entries(ctx, 0, 1_000_000)
	if err != nil {
		t.Fatal(err)
	}
	runs, err := store.Runs(ctx, "AU-9", time.Time{}, time.Now().Add(time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	return entries, runs
}

// agree: the subscriber heard every event of history, in order, and no other.
func (c *chain) agree(t *testing.T, entries []rules.Entry) {
	t.Helper()
	c.hears.await("the last event", 0, func(h heard) bool { return h.payload["id"] == entries[len(entries)-1].ID })
	seen := map[any]bool{}
	var order []string
	for _, h := range c.hears.all() {
		if id := h.payload["id"]; h.topic == c.unit+"event" && !seen[id] {
			seen[id] = true
			order = append(order, id.(string))
		}
	}
	sameEvents(t, order, entries)
}

// sameEvents: what a subscriber heard, without repetitions, are the events of
// history in their order, and history numbers them without a gap.
func sameEvents(t *testing.T, order []string, entries []rules.Entry) {
	t.Helper()
	if len(order) != len(entries) {
		t.Fatalf("the subscriber heard %d events, history has %d", len(order), len(entries))
	}
	for i, e := range entries {
		if order[i] != e.ID || e.Seq != uint64(i+1) {
			t.Fatalf("event %d: history has %s, the subscriber heard %v", i, e.ID, order[i])
		}
	}
}

// trulyWrong is what stands at this test's plant by rights: one pump of two
// runs, at any level and without raising the oil.
var trulyWrong = []string{"point_moved", "alternation_stuck", "missed_turns", "no_delivery", "measurement_stuck", "standby_helped", "short_cycling", "too_many_starts"}

// chained: every alarm's events join up, and a machine starts only where it
// stood still: what is lost or doubled would break the chain.
func chained(t *testing.T, entries []rules.Entry) {
	t.Helper()
	standing := map[string]string{}
	running := map[string]bool{}
	for _, e := range entries {
		key := e.Name + " " + e.Source
		switch {
		case e.Kind == rules.AlarmEvent:
			if was, ok := standing[key]; ok && was != e.From {
				t.Errorf("event %d: %s goes from %q to %q, but stood at %q", e.Seq, key, e.From, e.To, was)
			}
			standing[key] = e.To
		case e.Kind == rules.MachineEvent:
			on := e.Name == machine.Started || e.Name == machine.FoundRunning
			if on == running[e.Source] {
				t.Errorf("event %d: %s %s, but it was so already", e.Seq, e.Source, e.Name)
			}
			running[e.Source] = on
		}
	}
	if len(standing) == 0 || len(running) == 0 {
		t.Error("no alarm or no start in all that time: the test proves nothing")
	}
	for key, state := range standing {
		if name, _, _ := strings.Cut(key, " "); slices.Contains(trulyWrong, name) {
			continue
		}
		if state != "normal" && state != "returned unacknowledged" { // nobody acknowledges here
			t.Errorf("%s stands at %q at the end, when all is well", key, state)
		}
	}
}
