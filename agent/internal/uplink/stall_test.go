package uplink

import (
	"bytes"
	"errors"
	"io"
	"net"
	"strings"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
)

// A broker whose process stands still keeps its connections open: only the
// missing answers give it away.
func TestStalledBrokerIsNoticed(t *testing.T) {
	for _, c := range []struct {
		name   string
		events int
	}{{"while idle, by the ping", 0}, {"with events under way, by the acknowledgement", 5000}} {
		t.Run(c.name, func(t *testing.T) {
			b := newBroker(t)
			got := subscribe(t, b.url(), "strokebank/#")
			box := newBook(1)
			u := startWith(t, config(b.url()), box, newBoard(), hasty())
			numbers(t, got, 1, 1)
			b.freeze(t)
			box.add(c.events)
			u.log.wait(t, "broker lost")
			if u.Stats().Connected {
				t.Error("still called connected")
			}
			if err := b.cmd.Process.Signal(syscall.SIGCONT); err != nil {
				t.Fatal(err)
			}
			u.log.wait(t, "broker connected")
			box.add(1)
			until(t, got, "the event after the stall", func(m received) bool {
				return bytes.Contains(m.payload, []byte(`"id":"`+box.entries[c.events+1].ID+`"`))
			})
		})
	}
}

// With the timing of the field, where an acknowledgement has 15 s: the end
// waits neither for acknowledgements nor for the answer to the goodbye.
func TestStopIsNotHeldUp(t *testing.T) {
	frozen := func(t *testing.T) *running {
		b := newBroker(t)
		got := subscribe(t, b.url(), "strokebank/#")
		u := startWith(t, config(b.url()), newBook(1), newBoard(), normal)
		numbers(t, got, 1, 1)
		b.freeze(t)
		return u
	}
	unanswered := func(t *testing.T) *running {
		events := make(chan string, 1000)
		u := startWith(t, config(silent(t, events)), newBook(500), newBoard(), normal)
		arrival(t, events)
		return u
	}
	for name, begin := range map[string]func(*testing.T) *running{"by a stalled broker": frozen, "by acknowledgements that never come": unanswered} {
		t.Run(name, func(t *testing.T) {
			u := begin(t)
			ended := make(chan struct{})
			go func() { u.stop(); close(ended) }()
			select {
			case <-ended:
			case <-time.After(5 * time.Second): // two are promised
				t.Error("the stop waits for a broker that does not answer")
			}
		})
	}
}

// silent is a broker that accepts everything and acknowledges no event. It
// hands on the payload of each, and "" at the end of a connection.
func silent(t *testing.T, events chan<- string) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			serveSilently(conn, events)
		}
	}()
	return "tcp://" + l.Addr().String()
}

func serveSilently(conn net.Conn, events chan<- string) {
	defer func() { conn.Close(); events <- "" }()
	for {
		p, err := packets.ReadPacket(conn)
		if err != nil {
			return
		}
		switch m := p.(type) {
		case *packets.ConnectPacket:
			packets.NewControlPacket(packets.Connack).Write(conn)
		case *packets.PublishPacket:
			if strings.HasSuffix(m.TopicName, "/event") {
				events <- string(m.Payload)
				continue
			}
			ack := packets.NewControlPacket(packets.Puback).(*packets.PubackPacket)
			ack.MessageID = m.MessageID
			ack.Write(conn)
		case *packets.PingreqPacket:
			packets.NewControlPacket(packets.Pingresp).Write(conn)
		}
	}
}

// arrival is the next event at the silent broker; empty when it was cut off.
func arrival(t testing.TB, events <-chan string) string {
	t.Helper()
	select {
	case e := <-events:
		return e
	case <-time.After(patience):
		t.Fatal("waited in vain for an event or the end of the connection")
		return ""
	}
}

// An event counts when the broker has acknowledged it and not before, however
// well the connection looks; and no more than the window is under way.
func TestWithoutAcknowledgementNothingCounts(t *testing.T) {
	events := make(chan string, 1000)
	box := newBook(1000)
	u := startWith(t, config(silent(t, events)), box, newBoard(), hasty())
	for i := range 2 {
		if first := arrival(t, events); !strings.Contains(first, `"sequence":1,`) {
			t.Errorf("connection %d begins with %s", i, first)
		}
		n := 1
		for arrival(t, events) != "" {
			n++
		}
		if n > window+2 {
			t.Errorf("connection %d: %d events without acknowledgement, window %d", i, n, window)
		}
	}
	u.stop()
	if s := u.Stats(); s.Acknowledged != 0 || s.Events != 0 || s.Waiting != 1000 || box.saved() != 0 {
		t.Errorf("%+v, cursor %d", s, box.saved())
	}
}

// What the client library promises by the options that the uplink sets: a
// token of a lost connection fails.
func TestTokenOfALostConnectionFails(t *testing.T) {
	events := make(chan string, 1000)
	p := newProxy(t, silent(t, events))
	u, err := New(config(p.url()), newBook(0), newBoard(), nil)
	if err != nil {
		t.Fatal(err)
	}
	u.timing = quick
	s, err := u.connect(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	var tokens []mqtt.Token
	for range 50 {
		tokens = append(tokens, s.publish(t.Context(), message{topic: "strokebank/x/y/event", qos: 1, payload: []byte("{}")}))
	}
	p.cut()
	for _, token := range tokens {
		if err := s.await(t.Context(), token); err == nil || errors.Is(err, errNoAck) {
			t.Fatalf("a message without acknowledgement: %v, want the client's own error", err)
		}
	}
	s.client.Disconnect(0)
}

// brittle fails in the middle of a write.
type brittle struct {
	net.Conn
	closed bool
}

func (b *brittle) Write(p []byte) (int, error)      { return len(p) / 2, io.ErrShortWrite }
func (b *brittle) SetWriteDeadline(time.Time) error { return nil }
func (b *brittle) Close() error                     { b.closed = true; return nil }

func TestHalfAPacketEndsTheConnection(t *testing.T) {
	under := &brittle{}
	var told error
	c := &boundedConn{under, time.Second, func(err error) { told = err }}
	if _, err := c.Write([]byte("packet")); !errors.Is(err, io.ErrShortWrite) || !under.closed || !errors.Is(told, err) {
		t.Errorf("error %v, closed %t, told %v: what follows would complete the broken packet", err, under.closed, told)
	}
}
