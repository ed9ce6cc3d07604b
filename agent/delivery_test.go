package main

import (
	"context"
	"encoding/json"
	"fmt"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"strokebank/agent/internal/history"
	"strokebank/rules"
)

// backlog is what a week without a line leaves: so many events in the history
// that no broker has had.
const backlog = 50_000

// unsent fills a history with events that were never sent.
func unsent(tb testing.TB, dir string, events int) {
	tb.Helper()
	store, err := history.Open(context.Background(), history.Options{Dir: dir, Agent: "gateway-test"})
	if err != nil {
		tb.Fatal(err)
	}
	const batch = 1000
	at := time.Now().Add(-7 * 24 * time.Hour).UTC()
	for done := 0; done < events; done += batch {
		list := make([]rules.Event, batch)
		for i := range list {
			at = at.Add(12 * time.Second)
			list[i] = rules.Event{Kind: rules.MachineEvent, Time: at, ClockTrusted: true, Site: "quillen-reach", Unit: "AU-9",
				Source: "pump1", Name: []string{"started", "stopped"}[i%2]}
		}
		if _, err := store.Record(context.Background(), "AU-9", list, nil, nil); err != nil {
			tb.Fatal(err)
		}
	}
	if err := store.Close(); err != nil {
		tb.Fatal(err)
	}
}

// arrivals is a subscriber for many messages: it keeps little of each.
type arrivals struct {
	tb    testing.TB
	mu    sync.Mutex
	first time.Time // of the first event
	next  float64   // number expected of the next new event
	marks map[string]arrival
}

// arrival is the first message that a test looks for.
type arrival struct {
	at     time.Time
	number float64 // of the newest event then
}

// arrive subscribes to events and alarm states.
func arrive(tb testing.TB, port int) *arrivals {
	tb.Helper()
	a := &arrivals{tb: tb, next: 1, marks: map[string]arrival{}}
	options := mqtt.NewClientOptions().AddBroker("tcp://" + at(port)).SetClientID("arrivals").SetProtocolVersion(4)
	client := mqtt.NewClient(options)
	wait := func(token mqtt.Token) {
		if !token.WaitTimeout(patience) || token.Error() != nil {
			tb.Fatalf("subscriber: %v", token.Error())
		}
	}
	wait(client.Connect())
	wait(client.SubscribeMultiple(map[string]byte{"strokebank/+/+/event": 1, "strokebank/+/+/alarm/#": 1}, a.take))
	tb.Cleanup(func() { client.Disconnect(100) })
	return a
}

func (a *arrivals) take(_ mqtt.Client, m mqtt.Message) {
	now := time.Now()
	var p struct {
		Sequence                             float64
		Name, Alarm, Source, From, To, State string
	}
	if err := json.Unmarshal(m.Payload(), &p); err != nil {
		a.tb.Errorf("%s: %v", m.Topic(), err)
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	if !strings.HasSuffix(m.Topic(), "/event") {
		a.mark("state "+p.Alarm+" "+p.State, now)
		return
	}
	if a.next == 1 {
		a.first = now
	}
	switch {
	case p.Sequence == a.next:
		a.next++
	case p.Sequence > a.next:
		a.tb.Errorf("event %v follows %v", p.Sequence, a.next-1)
		a.next = p.Sequence + 1
	}
	a.mark("event "+p.Name+" "+p.To, now)
}

// mark notes the first arrival of a message; the caller holds a.mu.
func (a *arrivals) mark(what string, now time.Time) {
	if _, there := a.marks[what]; !there {
		a.marks[what] = arrival{now, a.next - 1}
	}
}

// reached is the number of the newest event so far.
func (a *arrivals) reached() float64 {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.next - 1
}

// await waits for a message and returns when it came.
func (a *arrivals) await(what string) arrival {
	a.tb.Helper()
	var found arrival
	eventually(a.tb, what, func() bool {
		a.mu.Lock()
		defer a.mu.Unlock()
		var there bool
		found, there = a.marks[what]
		return there
	})
	return found
}

// After a week without a line the past comes in order and complete, and the
// present does not wait for it: an alarm that is raised while the backlog
// drains shows in its retained state before the backlog is through, which also
// shows that scans went on; its event then comes in its place.
func TestWeekLongBacklog(t *testing.T) {
	t.Parallel()
	c := &chain{mqtt: broker(t), http: freePort(t)}
	c.image, c.modbus = peer(t, "chain-image.json")
	c.store = filepath.Join(t.TempDir(), "history")
	unsent(t, c.store, backlog)
	c.config = configuration(t, "chain.yaml", map[string]string{
		"PORT_MODBUS": fmt.Sprint(c.modbus), "PORT_MQTT": fmt.Sprint(c.mqtt),
		"PORT_HTTP": fmt.Sprint(c.http), "STORE": c.store,
	})
	path, err := program()
	if err != nil {
		t.Fatal(err)
	}
	a := arrive(t, c.mqtt)
	c.agent = start(t, path, "run", c.config)
	eventually(t, "the backlog comes", func() bool { return a.reached() > 0 })
	changed := time.Now()
	c.image.set("input", 0, 9800)
	state := a.await("state low_pressure unacknowledged")
	for was := a.reached(); was < backlog; was = a.reached() { // as long as it takes, if it goes on
		eventually(t, "the backlog goes on", func() bool { return a.reached() > was })
	}
	event := a.await("event low_pressure unacknowledged")
	if state.number >= backlog {
		t.Errorf("the alarm's state came behind the backlog, after event %v", state.number)
	}
	if event.number <= backlog {
		t.Errorf("the alarm's event came as number %v, in the middle of the past", event.number)
	}
	t.Logf("state %v after the change, event %v after it, as number %v %v after the first",
		state.at.Sub(changed), event.at.Sub(changed), event.number, event.at.Sub(a.first))
}
