package uplink

import (
	"encoding/json"
	"strings"
	"testing"
)

// stateOf waits for the next message on the agent's status topic.
func stateOf(t testing.TB, got <-chan received) (p presence, m received) {
	t.Helper()
	m = until(t, got, "the agent's status", func(m received) bool { return m.topic == "strokebank/Quillen Reach/gate-1/status" })
	if err := json.Unmarshal(m.payload, &p); err != nil {
		t.Fatal(err)
	}
	return p, m
}

// MQTT 3.1.1, 3.1.2.5: the will is published unless the client disconnected.
func TestHereCleanlyGoneAndVanishedAreToldApart(t *testing.T) {
	b := newBroker(t)
	p := newProxy(t, b.url())
	got := subscribe(t, b.url(), "strokebank/#")
	u := start(t, config(p.url()), newBook(0), newBoard())
	if s, m := stateOf(t, got); s.State != online || s.Time == nil || s.Version != "1.2.3" || s.Installation != "inst" || m.qos != 1 {
		t.Fatalf("at the connection: %s", m.payload)
	}
	p.cut()
	if s, m := stateOf(t, got); s.State != offlineUnclean || s.Time != nil || s.Reason == "" {
		t.Fatalf("after the cut: %s", m.payload)
	}
	p.mend()
	if s, m := stateOf(t, got); s.State != online {
		t.Fatalf("after the mend: %s", m.payload)
	}
	u.stop()
	if s, m := stateOf(t, got); s.State != offlineClean || s.Time == nil {
		t.Fatalf("after the stop: %s", m.payload)
	}
	// The retained one is the goodbye, and no will has come after it.
	if s, m := stateOf(t, subscribe(t, b.url(), "strokebank/#")); s.State != offlineClean || !m.retained {
		t.Fatalf("to a late subscriber: retained %t, %s", m.retained, m.payload)
	}
}

func TestLateSubscriberSeesThePresentStates(t *testing.T) {
	b := newBroker(t)
	early := subscribe(t, b.url(), "strokebank/#")
	units := newBoard(assessment(1))
	start(t, config(b.url()), newBook(0), units)
	until(t, early, "live values", func(m received) bool { return strings.HasSuffix(m.topic, "/live") })
	changed := assessment(2)
	changed.Alarms[0].State, changed.Alarms[0].Since = "acknowledged", changed.Time
	units.show(changed)
	until(t, early, "the acknowledged alarm", func(m received) bool {
		return strings.HasSuffix(m.topic, "/low_pressure") && strings.Contains(string(m.payload), `"state":"acknowledged"`)
	})
	late := subscribe(t, b.url(), "strokebank/Quillen Reach/AU-7/#")
	want := map[string]string{
		"strokebank/Quillen Reach/AU-7/alarm/unit/low_pressure":           `"state":"acknowledged"`,
		"strokebank/Quillen Reach/AU-7/alarm/pump1/overload":              `"state":"normal"`,
		"strokebank/Quillen Reach/AU-7/alarm/compressor2/failed_to_start": `"state":"unknown"`,
		"strokebank/Quillen Reach/AU-7/reserve":                           `"at_least_cycles":3`,
	}
	for range len(want) {
		m := until(t, late, "a retained state", func(m received) bool { return m.retained })
		if part := want[m.topic]; part == "" || !strings.Contains(string(m.payload), part) {
			t.Errorf("%s: %s, want %s", m.topic, m.payload, part)
		}
		delete(want, m.topic)
	}
}

// The backlog does not stand before the present: after a long outage the
// states come at once.
func TestStatesDoNotWaitForTheBacklog(t *testing.T) {
	b := newBroker(t)
	got := subscribe(t, b.url(), "strokebank/#")
	start(t, config(b.url()), newBook(20_000), newBoard(assessment(1)))
	events := 0
	until(t, got, "an alarm's state", func(m received) bool {
		if strings.HasSuffix(m.topic, "/event") {
			events++
		}
		return strings.HasSuffix(m.topic, "/low_pressure")
	})
	if events > 15_000 {
		t.Errorf("%d events came before the first alarm state", events)
	}
}
