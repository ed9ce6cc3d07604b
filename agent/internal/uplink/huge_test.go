package uplink

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"net"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// huge is the length of a message that must cost the agent nothing.
const huge = 100 << 20

// publishHuge publishes a message of zeros with QoS 1 and waits until the
// broker has it, without ever holding the whole of it.
func publishHuge(t testing.TB, b *broker, topic string, retained bool) {
	t.Helper()
	conn, err := net.Dial("tcp", strings.TrimPrefix(b.url(), "tcp://"))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	conn.SetDeadline(time.Now().Add(3 * patience))
	k := talk{conn: conn, level: 4}
	if err := k.logIn("", ""); err != nil {
		t.Fatal(err)
	}
	head := []byte{publishPacket}
	if retained {
		head[0] |= 1
	}
	var names bytes.Buffer
	put(&names, []byte(topic))
	names.Write([]byte{0, 1})
	head = append(append(head, length(names.Len()+huge)...), names.Bytes()...)
	zeros := make([]byte, 1<<16)
	for sent := -1; sent < huge; {
		part := zeros[:min(len(zeros), huge-max(0, sent))]
		if sent < 0 {
			part, sent = head, -len(head)
		}
		n, err := conn.Write(part)
		if sent += n; err != nil {
			t.Fatal(err)
		}
	}
	if kind, _, err := k.read(); err != nil || kind != pubackPacket {
		t.Fatalf("the broker answers with %x, %v", kind, err)
	}
}

// Whoever may publish can send messages of a hundred megabytes, and have the
// broker keep them: the agent refuses them as any that is too long, clears what
// is kept of an alarm that there is not, and all else goes on in the same
// session and in little memory.
func TestHugeMessages(t *testing.T) {
	const unit = "strokebank/Quillen Reach/AU-7/"
	b := newBroker(t)
	publishHuge(t, b, unit+"command", true)
	publishHuge(t, b, unit+"alarm/pump9/overload", true)
	publishHuge(t, b, unit+"alarm/unit/low_pressure", true)
	got, events := subscribe(t, b.url(), "strokebank/+/+/reply"), subscribe(t, b.url(), "strokebank/+/+/event")
	status, live := subscribe(t, b.url(), "strokebank/+/+/status"), subscribe(t, b.url(), "strokebank/+/+/live")
	s := &station{t: t, broker: b, got: got, sender: sender(t, b, "sender"), clerk: &clerk{}}
	cfg, box, units := config(b.url()), newBook(1), newBoard(assessment(1))
	cfg.Commands, cfg.Commander, cfg.Gate, cfg.CommandWait, cfg.KeepAlive = CommandsSecret, s.clerk, keyring{}, patience, patience
	pace := quick
	pace.ping, pace.ack, pace.quiet = 3*patience, 3*patience, 3*patience // all of them behind a hundred megabytes
	refused := func(what string) {
		t.Helper()
		m := until(t, got, "the answer to "+what, func(received) bool { return true })
		var r reply
		if err := json.Unmarshal(m.payload, &r); err != nil || r.Accepted || r.Reason != "the message is longer than 4096 bytes" {
			t.Errorf("%s: %v, %s", what, err, m.payload)
		}
	}
	taken := allocated(func() {
		s.up = startWith(t, cfg, box, units, pace)
		p, _ := stateOf(t, status)
		s.nonce = p.Nonce
		refused("the one that the broker keeps")
		s.up.log.wait(t, "no longer configured is cleared")
		publishHuge(t, b, unit+"command", false)
		refused("the one that comes while the agent runs")
		box.add(1)
		until(t, events, "an event after it", func(m received) bool { return bytes.Contains(m.payload, []byte(`"sequence":2,`)) })
		units.show(blind(2))
		until(t, live, "live values after it", func(m received) bool { return bytes.Contains(m.payload, []byte(`"scan":2,`)) })
		s.publish(s.command("1", nil), false)
		m := until(t, got, "the answer to a command", func(received) bool { return true })
		if !bytes.Contains(m.payload, []byte(`"accepted":true`)) {
			t.Errorf("a command after it, with the nonce from before: %s", m.payload)
		}
	})
	if taken > huge/4 {
		t.Errorf("%d bytes of memory were asked for", taken)
	}
	if stats := s.up.Stats(); stats.Connections != 1 || stats.Failures != 0 || stats.Dropped != 0 {
		t.Errorf("%+v", stats)
	}
	s.up.stop()
	if p, m := stateOf(t, status); p.State != offlineClean {
		t.Errorf("the session was not the same one to the end: %s", m.payload)
	}
	left := kept(t, b, unit+"alarm/+/+")
	if _, there := left[unit+"alarm/pump9/overload"]; there || len(left[unit+"alarm/unit/low_pressure"]) > 1000 {
		t.Errorf("the broker still keeps a huge one: %d alarms", len(left))
	}
}

// A broker that does not keep to MQTT costs the connection and no more.
func TestForeignPackets(t *testing.T) {
	connack := []byte{packets.Connack << 4, 2, 0, 0}
	for _, c := range []struct {
		name string
		sent []byte
		log  string // and what it says
		says string
	}{
		{"a huge CONNACK", []byte{packets.Connack << 4, 0xff, 0xff, 0xff, 0x7f}, "broker cannot be reached", "CONNACK with 268435455 bytes"},
		{"a SUBACK with more codes than were asked for", join(connack, []byte{packets.Suback << 4, 4, 0, 1, 1, 1}), "broker lost", "SUBACK with 4 bytes"},
		{"a length without an end", join(connack, []byte{packets.Publish << 4, 0xff, 0xff, 0xff, 0xff, 0x7f}), "broker lost", "more than four bytes"},
	} {
		t.Run(c.name, func(t *testing.T) {
			l, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				t.Fatal(err)
			}
			defer l.Close()
			go func() {
				for {
					conn, err := l.Accept()
					if err != nil {
						return
					}
					go answerWith(conn, c.sent)
				}
			}()
			cfg := config("tcp://" + l.Addr().String())
			cfg.Commands, cfg.Commander = CommandsAccessList, &clerk{}
			u := start(t, cfg, newBook(0), newBoard())
			if line := u.log.wait(t, c.log); !strings.Contains(line, "the broker sent") || !strings.Contains(line, c.says) {
				t.Errorf("the log says %s, want %q", line, c.says)
			}
		})
	}
}

// answerWith is a broker that sends the first packet at once and the others
// after the first SUBSCRIBE.
func answerWith(conn net.Conn, sent []byte) {
	defer conn.Close()
	first := min(len(sent), 4)
	for {
		p, err := packets.ReadPacket(conn)
		if err != nil {
			return
		}
		switch p.(type) {
		case *packets.ConnectPacket:
			conn.Write(sent[:first])
			if len(sent) == 5 {
				conn.Write(sent[first:])
			}
		case *packets.SubscribePacket:
			conn.Write(sent[first:])
		}
	}
}

// A broker that sends with QoS 2, which nobody asked for, and never goes on
// from there: the client library would keep each of the messages.
func TestMessagesOfQoS2AreNotKept(t *testing.T) {
	const messages, long = 1000, 1 << 15
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	cfg, pace := config("tcp://"+l.Addr().String()), quick
	cfg.Commands, cfg.Commander, cfg.KeepAlive = CommandsAccessList, &clerk{}, patience
	pace.ack, pace.ping = 3*patience, 3*patience // which are not answered
	startWith(t, cfg, newBook(0), newBoard(), pace)
	l.(*net.TCPListener).SetDeadline(time.Now().Add(patience))
	conn, err := l.Accept()
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	conn.SetDeadline(time.Now().Add(3 * patience))
	awaitPacket := func(kind byte) {
		t.Helper()
		for {
			p, err := packets.ReadPacket(conn)
			if err != nil {
				t.Fatal(err)
			}
			if header := p.String(); strings.HasPrefix(header, packets.PacketNames[kind]+":") {
				return
			}
		}
	}
	send := func(b []byte) {
		t.Helper()
		if _, err := conn.Write(b); err != nil {
			t.Fatal(err)
		}
	}
	awaitPacket(packets.Connect)
	send([]byte{packets.Connack << 4, 2, 0, 0})
	awaitPacket(packets.Subscribe)
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	m := publication("strokebank/Quillen Reach/AU-7/command", 2, long)
	at := bytes.Index(m, []byte{0x12, 0x34})
	for i := range messages {
		binary.BigEndian.PutUint16(m[at:], uint16(i+1))
		send(m)
		awaitPacket(packets.Pubrec)
	}
	runtime.GC()
	runtime.ReadMemStats(&after)
	if kept := int64(after.HeapAlloc) - int64(before.HeapAlloc); kept > messages*long/2 {
		t.Errorf("%d bytes are kept of %d", kept, messages*long)
	}
}

// On a thin line the rest of a message takes longer than any answer may, and
// all answers stand behind it: the session waits for them as long as something
// comes, and no longer.
func TestHugeMessageOnAThinLine(t *testing.T) {
	const pieces = 80
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	cfg, pace := config("tcp://"+l.Addr().String()), hasty()
	cfg.Commands, cfg.Commander = CommandsAccessList, &clerk{}
	pace.ping, pace.ack = 2*time.Second, 2*time.Second // and the message takes four times as long
	u := startWith(t, cfg, newBook(1), newBoard(assessment(1)), pace)
	l.(*net.TCPListener).SetDeadline(time.Now().Add(patience))
	conn, err := l.Accept()
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	asked := make(chan packets.ControlPacket, 1000) // what waits for an answer
	go func() {
		defer close(asked)
		for {
			p, err := packets.ReadPacket(conn)
			if err != nil {
				return
			}
			asked <- p
		}
	}()
	send := func(b []byte) {
		t.Helper()
		if _, err := conn.Write(b); err != nil {
			t.Fatal(err)
		}
	}
	<-asked // CONNECT
	send([]byte{packets.Connack << 4, 2, 0, 0})
	m := publication("strokebank/Quillen Reach/AU-7/command", 0, (pieces+2)*longestMessage)
	part := len(m) / pieces
	every := time.NewTicker(100 * time.Millisecond)
	defer every.Stop()
	for ; len(m) > 0; m = m[min(len(m), part):] {
		<-every.C
		send(m[:min(len(m), part)])
	}
	for len(asked) > 0 {
		send(answerTo(<-asked))
	}
	for u.Stats().Acknowledged == 0 {
		p, open := <-asked
		if !open {
			t.Fatalf("the session has ended: %s", u.log.all())
		}
		send(answerTo(p))
	}
	if s := u.Stats(); s.Connections != 1 || s.Failures != 0 {
		t.Errorf("%+v", s)
	}
	u.log.wait(t, "broker lost") // nothing comes any more
}

// answerTo is what a broker answers to a packet; nothing to one with QoS 0.
func answerTo(p packets.ControlPacket) []byte {
	id := p.Details().MessageID
	both := []byte{byte(id >> 8), byte(id)}
	switch p.(type) {
	case *packets.SubscribePacket:
		return join([]byte{packets.Suback << 4, 3}, both, []byte{1})
	case *packets.PublishPacket:
		if id > 0 {
			return join([]byte{packets.Puback << 4, 2}, both)
		}
	case *packets.PingreqPacket:
		return pong
	}
	return nil
}
