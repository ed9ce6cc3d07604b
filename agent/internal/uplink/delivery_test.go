package uplink

import (
	"context"
	"encoding/json"
	"errors"
	"net"
	"strings"
	"testing"

	"github.com/eclipse/paho.mqtt.golang/packets"

	"strokebank/rules"
)

// numbers reads event numbers until last has come, without those that came
// before (at least once means that some come twice, with the same id), and
// fails where one is missing or out of order.
func numbers(t testing.TB, got <-chan received, first, last uint64) (doubled int) {
	t.Helper()
	next := first
	for next <= last {
		m := until(t, got, "an event", func(m received) bool { return strings.HasSuffix(m.topic, "/event") })
		var e rules.Entry
		if err := json.Unmarshal(m.payload, &e); err != nil {
			t.Fatal(err)
		}
		switch {
		case e.Seq == next:
			next++
		case e.Seq < next:
			doubled++
		default:
			t.Fatalf("event %d came where %d was due", e.Seq, next)
		}
	}
	return doubled
}

func TestEventsArriveInOrder(t *testing.T) {
	b := newBroker(t)
	got := subscribe(t, b.url(), "strokebank/+/+/event")
	box := newBook(500)
	u := start(t, config(b.url()), box, newBoard())
	numbers(t, got, 1, 500)
	box.add(1)
	numbers(t, got, 501, 501)
	u.stop()
	if box.saved() != 501 {
		t.Errorf("the cursor stands at %d after a clean stop, want 501", box.saved())
	}
	if s := u.Stats(); s.Acknowledged != 501 || s.Waiting != 0 || s.Events != 501 || s.Connected {
		t.Errorf("stats after the stop: %+v", s)
	}
	box.add(3)
	start(t, config(b.url()), box, newBoard())
	if n := numbers(t, got, 502, 504); n != 0 {
		t.Errorf("%d events were sent again after a clean stop", n)
	}
}

func TestLineCutAgainAndAgain(t *testing.T) {
	b := newBroker(t)
	p := newProxy(t, b.url())
	got := subscribe(t, b.url(), "strokebank/+/+/event")
	box := newBook(0)
	u := start(t, config(p.url()), box, newBoard())
	doubled, last := 0, uint64(0)
	for range 20 {
		box.add(300)
		doubled += numbers(t, got, last+1, last+100)
		p.cut()
		p.mend()
		doubled += numbers(t, got, last+101, last+300)
		last += 300
	}
	if limit := 20 * (window + 2); doubled > limit {
		t.Errorf("%d events came twice, more than 20 windows of %d", doubled, window)
	}
	if s := u.Stats(); s.Failures == 0 || s.Connections < 2 {
		t.Errorf("the line was never cut: %+v", s)
	}
	t.Logf("%d of %d events came twice", doubled, last)
}

func TestBrokerKilledAndRestartedEmpty(t *testing.T) {
	b := newBroker(t)
	p := newProxy(t, b.url())
	got := subscribe(t, b.url(), "strokebank/#")
	box := newBook(3000)
	u := start(t, config(p.url()), box, newBoard(assessment(1)))
	numbers(t, got, 1, 1000)
	p.cut() // so that nothing comes between the broker's restart and the new reader
	b.kill()
	u.log.wait(t, "broker lost")
	acked := u.Stats().Acknowledged
	b.start(t)
	got = subscribe(t, b.url(), "strokebank/#")
	p.mend()
	// Every retained state is back although the broker had forgotten it.
	want := map[string]bool{"status": true, "reserve": true, "low_pressure": true, "overload": true, "failed_to_start": true}
	events := make(chan received, cap(got))
	until(t, got, "all states again", func(m received) bool {
		if strings.HasSuffix(m.topic, "/event") {
			events <- m
		}
		delete(want, m.topic[strings.LastIndex(m.topic, "/")+1:])
		return len(want) == 0
	})
	forwarding, done := context.WithCancel(t.Context())
	defer done()
	go func() {
		for {
			select {
			case m := <-got:
				events <- m // has room for everything that got can hold
			case <-forwarding.Done():
				return
			}
		}
	}()
	numbers(t, events, acked+1, 3000)
}

func TestHistoryThatFailsForAWhile(t *testing.T) {
	b := newBroker(t)
	got := subscribe(t, b.url(), "strokebank/#")
	box := newBook(10)
	box.fail = errors.New("disk I/O error")
	u := start(t, config(b.url()), box, newBoard(assessment(1)))
	u.log.wait(t, "cursor cannot be read")
	box.mu.Lock()
	box.fail = nil
	box.mu.Unlock()
	numbers(t, got, 1, 10)
	box.mu.Lock()
	box.fail = errors.New("disk I/O error")
	box.mu.Unlock()
	box.add(1)
	u.log.wait(t, "events cannot be read")
	box.mu.Lock()
	box.fail = nil
	box.mu.Unlock()
	numbers(t, got, 11, 11)
	if s := u.Stats(); s.Failures != 0 {
		t.Errorf("the store's trouble cost the connection: %+v", s)
	}
}

func TestEventsTakenByRetentionAreCounted(t *testing.T) {
	b := newBroker(t)
	got := subscribe(t, b.url(), "strokebank/#")
	box := newBook(20)
	box.entries = box.entries[12:]
	u := start(t, config(b.url()), box, newBoard())
	numbers(t, got, 13, 20)
	if s := u.Stats(); s.Expired != 12 {
		t.Errorf("%d events counted as expired, want 12", s.Expired)
	}
}

func TestCursorAheadOfHistory(t *testing.T) {
	b := newBroker(t)
	got := subscribe(t, b.url(), "strokebank/#")
	box := newBook(5)
	box.cursor = 900
	start(t, config(b.url()), box, newBoard())
	numbers(t, got, 1, 5)
}

// A history that could not be read at the start gives provisional numbers;
// when the disk is back, the uplink goes on where the broker really stands.
func TestHistoryThatCouldNotBeReadComesBack(t *testing.T) {
	b := newBroker(t)
	got := subscribe(t, b.url(), "strokebank/#")
	const provisional = 1 << 52
	box := newBook(2)
	for i := range box.entries {
		box.entries[i].Seq += provisional
	}
	box.cursor = provisional
	u := start(t, config(b.url()), box, newBoard())
	numbers(t, got, provisional+1, provisional+2)
	if s := u.Stats(); s.Expired != 0 {
		t.Errorf("%d events counted as expired", s.Expired)
	}
	box.mu.Lock()
	box.entries, box.cursor = nil, 3
	box.mu.Unlock()
	box.add(6)
	numbers(t, got, 4, 6)
	if s := u.Stats(); s.Expired != 0 || s.Connections != 2 {
		t.Errorf("%+v", s)
	}
}

func TestEventNobodyCanPlaceGoesToTheAgent(t *testing.T) {
	cfg := config("tcp://127.0.0.1")
	m, err := cfg.eventMessage(rules.Entry{Event: rules.Event{Kind: rules.ClockEvent, Name: "corrected"}})
	if err != nil || m.topic != "strokebank/Quillen Reach/gate-1/event" {
		t.Errorf("topic %q, %v", m.topic, err)
	}
}

// A broker that is away for a week fills the log with one line.
func TestSameFailureIsLoggedOnce(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	u := start(t, config("tcp://"+l.Addr().String()), newBook(0), newBoard())
	for range 5 {
		conn, err := l.Accept()
		if err != nil {
			t.Fatal(err)
		}
		if _, err := packets.ReadPacket(conn); err != nil {
			t.Fatal(err)
		}
		conn.Close() // instead of an answer
	}
	u.stop()
	if n := strings.Count(u.log.all(), "broker cannot be reached"); n != 1 {
		t.Errorf("five failures of one kind made %d lines:\n%s", n, u.log.all())
	}
	if s := u.Stats(); s.Failures < 4 {
		t.Errorf("%d failures counted", s.Failures)
	}
}

// What has happened by the stop is heard before it: the last event is that of
// the stop itself.
func TestLastEventBeforeAStop(t *testing.T) {
	b := newBroker(t)
	got, pace := subscribe(t, b.url(), "strokebank/#"), quick
	pace.linger = patience // a busy machine may take its time
	for range 20 {
		box := newBook(1)
		u := startWith(t, config(b.url()), box, newBoard(), pace)
		numbers(t, got, 1, 1)
		box.add(1)
		u.stop()
		numbers(t, got, 2, 2)
	}
}
