package uplink

import (
	"crypto/rand"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"strokebank/rules/alarm"
)

// kept is what the broker keeps under filter, as one who comes late finds it.
func kept(t testing.TB, b *broker, filter string) map[string]string {
	t.Helper()
	late, last, marker := subscribe(t, b.url(), filter), sender(t, b, "marker-"+rand.Text()), strings.NewReplacer("+", "marker", "#", "marker").Replace(filter)
	finish(t, last.Publish(marker, 1, false, "x")) // comes after all that is retained
	out := map[string]string{}
	until(t, late, "the marker", func(m received) bool {
		if m.retained {
			out[m.topic] = string(m.payload)
		}
		return m.topic == marker
	})
	return out
}

func sender(t testing.TB, b *broker, id string) mqtt.Client {
	t.Helper()
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(b.url()).SetClientID(id).SetAutoReconnect(false).SetProtocolVersion(4))
	finish(t, c.Connect())
	t.Cleanup(func() { c.Disconnect(0) })
	return c
}

// After a restart with fewer alarms the broker keeps none of those that are
// gone, all of those that are there, and everything of other units.
func TestRetainedStatesOfGoneAlarmsAreCleared(t *testing.T) {
	const gone, other, odd = "strokebank/Quillen Reach/AU-7/alarm/pump1/overload", "strokebank/Quillen Reach/AU-70/alarm/pump1/overload",
		"strokebank/Quillen Reach/AU-7/alarm/link.a%2Fb/link_lost"
	b := newBroker(t)
	got := subscribe(t, b.url(), "strokebank/#")
	finish(t, sender(t, b, "neighbour").Publish(other, 1, true, "of another unit"))
	first := start(t, config(b.url()), newBook(1), newBoard(assessment(1)))
	until(t, got, "the alarm that will be gone", func(m received) bool { return m.topic == gone })
	odds := assessment(2)
	odds.Alarms = append(odds.Alarms, alarm.Status{Name: "link_lost", Source: "link.a/b", State: alarm.Normal, Priority: alarm.Low})
	first.latest.(*board).show(odds)
	until(t, got, "the alarm with an odd source", func(m received) bool { return m.topic == odd })
	first.log.wait(t, "broker connected")
	first.stop()
	if before := kept(t, b, "#"); before[gone] == "" || before[odd] == "" {
		t.Fatalf("kept at first: %v", before)
	}

	fewer := assessment(3)
	fewer.Alarms = append(fewer.Alarms[:1:1], fewer.Alarms[2:]...)
	late := newBoard() // nothing is judged yet: nothing may be cleared
	pace := quick
	pace.quiet = 3 * patience // however far apart the two come
	second := startWith(t, config(b.url()), newBook(1), late, pace)
	until(t, got, "the second life", func(m received) bool {
		return strings.HasSuffix(m.topic, "/status") && strings.Contains(string(m.payload), `"online"`)
	})
	if before := kept(t, b, "#"); before[gone] == "" {
		t.Error("cleared before anybody knew the alarms")
	}
	late.show(fewer)
	for n := 0; n < 2; {
		second.log.wait(t, "no longer configured is cleared")
		n++
	}
	after := kept(t, b, "#")
	for topic, want := range map[string]bool{gone: false, odd: false, other: true,
		"strokebank/Quillen Reach/AU-7/alarm/unit/low_pressure":           true,
		"strokebank/Quillen Reach/AU-7/alarm/compressor2/failed_to_start": true,
		"strokebank/Quillen Reach/AU-7/reserve":                           true,
		"strokebank/Quillen Reach/gate-1/status":                          true} {
		if _, there := after[topic]; there != want {
			t.Errorf("%s kept: %t, want %t", topic, there, want)
		}
	}
	second.stop()
	cleared := 0
	for len(got) > 0 {
		if m := <-got; len(m.payload) == 0 {
			cleared++
		}
	}
	if cleared != 2 {
		t.Errorf("%d empty messages, want one for each of the two", cleared)
	}
}

// A broker that keeps the agent from its own topics costs nothing but the
// leftovers.
func TestBrokerThatDoesNotLetTheAgentRead(t *testing.T) {
	const gone = "strokebank/Quillen Reach/AU-7/alarm/pump9/overload"
	acl := filepath.Join(t.TempDir(), "acl")
	write(t, acl, "topic readwrite #\nuser gateway\ntopic write strokebank/#\n")
	b := newBroker(t, "allow_anonymous true", "acl_file "+acl)
	finish(t, sender(t, b, "past").Publish(gone, 1, true, "x"))
	got := subscribe(t, b.url(), "strokebank/#")
	cfg, units := config(b.url()), newBoard(assessment(1))
	cfg.User = "gateway"
	u := start(t, cfg, newBook(3), units)
	until(t, got, "a live message", func(m received) bool { return strings.HasSuffix(m.topic, "/live") })
	for scan := uint64(2); scan < 6; scan++ {
		units.show(assessment(scan))
		want := fmt.Sprintf(`"scan":%d`, scan)
		until(t, got, "the next one", func(m received) bool { return strings.Contains(string(m.payload), want) })
	}
	if s := u.Stats(); s.Failures != 0 || !s.Connected || kept(t, b, "#")[gone] == "" {
		t.Errorf("%+v", s)
	}
}

// What strangers leave under the agent's topics, however much and under
// however long names, is cleared in a few lines of the log.
func TestManyLeftoversDoNotFillTheLog(t *testing.T) {
	const many = 40
	b := newBroker(t)
	stranger, long := sender(t, b, "stranger"), strings.Repeat("long", 10_000)
	for i := range many {
		finish(t, stranger.Publish(fmt.Sprintf("strokebank/Quillen Reach/AU-7/alarm/%s/%d", long, i), 1, true, "x"))
	}
	got, pace := subscribe(t, b.url(), "strokebank/Quillen Reach/AU-7/alarm/+/+"), quick
	pace.quiet = 3 * patience // however far apart they come
	u := startWith(t, config(b.url()), newBook(0), newBoard(assessment(1)), pace)
	for range many {
		until(t, got, "one of them cleared", func(m received) bool { return len(m.payload) == 0 })
	}
	u.stop()
	all := u.log.all()
	if strings.Count(all, "no longer configured is cleared") != mostLogged || !strings.Contains(all, fmt.Sprintf("number=%d", many-mostLogged)) || len(all) > 10_000 {
		t.Errorf("%d bytes are in the log: %.3000s", len(all), all)
	}
	for topic := range kept(t, b, "strokebank/Quillen Reach/AU-7/alarm/+/+") {
		if strings.Contains(topic, long) {
			t.Fatal("one of them is still there")
		}
	}
}

// What has come is cleared also where clearing takes longer than the time in
// which nothing more must come.
func TestLeftoversThatWaitAreCleared(t *testing.T) {
	const many = 40
	b := newBroker(t)
	u, err := New(config(b.url()), newBook(0), newBoard(), nil)
	if err != nil {
		t.Fatal(err)
	}
	u.timing = quick
	u.timing.quiet = time.Nanosecond
	s, err := u.connect(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer s.client.Disconnect(0)
	waiting := make(chan string, many)
	for i := range many {
		waiting <- fmt.Sprint("left/", i)
	}
	if err := s.clear(t.Context(), waiting, nil, "left/+"); err != nil || len(waiting) > 0 {
		t.Errorf("%d of %d are still there, %v", len(waiting), many, err)
	}
}
