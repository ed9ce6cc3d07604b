package uplink

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"net"
	"runtime"
	"strings"
	"testing"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// pieces hands out what a broker sends, at most size bytes at a time, and then
// the end; now and then a deadline has passed.
type pieces struct {
	net.Conn
	left io.Reader
	size int
	late int // every so many reads a deadline has passed; 0: none
	n    int
}

var errLate = errors.New("the deadline has passed")

func (p *pieces) Read(b []byte) (int, error) {
	if p.n++; p.late > 0 && p.n%p.late == 0 {
		return 0, errLate
	}
	return p.left.Read(b[:min(len(b), p.size)])
}

// drain reads all that a connection hands on, with a buffer of size bytes.
func drain(c *cutConn, size int) (out []byte, err error) {
	b := make([]byte, size)
	for {
		n, err := c.Read(b)
		out = append(out, b[:n]...)
		if err != nil && !errors.Is(err, errLate) {
			return out, err
		}
	}
}

// plain is what comes of all that a broker has sent, packet for packet.
func plain(sent []byte, most int) (out []byte, err error) {
	for len(sent) > 0 {
		value, n := binary.Uvarint(sent[1:min(len(sent), 5)]) // the same coding, of four bytes at most
		switch {
		case n <= 0 && len(sent) < 5:
			return out, io.EOF
		case n <= 0:
			return out, errForeign
		}
		long, body := int(value), sent[1+n:]
		publish := sent[0]>>4 == packets.Publish
		switch {
		case !publish && long > longestOther:
			return out, errForeign
		case long > most:
			out = append(append(out, sent[0]), length(most)...)
			out = append(out, body[:min(len(body), most)]...)
			for at := most + min(most, firstPiece); at < long && at <= len(body); at += most {
				out = append(out, pong...) // after each piece that is thrown away
			}
		default:
			out = append(append(out, sent[:1+n]...), body[:min(len(body), long)]...)
		}
		if len(body) < long {
			return out, io.EOF
		}
		sent = body[long:]
	}
	return out, io.EOF
}

// publication is a whole PUBLISH packet.
func publication(topic string, qos byte, payload int) []byte {
	var b bytes.Buffer
	put(&b, []byte(topic))
	if qos > 0 {
		b.Write([]byte{0x12, 0x34})
	}
	b.Write(bytes.Repeat([]byte("x"), payload))
	return append(append([]byte{packets.Publish<<4 | qos<<1}, length(b.Len())...), b.Bytes()...)
}

func join(all ...[]byte) []byte { return bytes.Join(all, nil) }

var (
	pong   = []byte{packets.Pingresp << 4, 0}
	suback = []byte{packets.Suback << 4, 3, 0, 1, 1}
)

// What the client gets: every packet whole, but for messages far too long,
// which are cut and still have their topic, their identifier and a payload that
// is too long for a command, with answers to pings for what is thrown away.
func TestMessagesAreCut(t *testing.T) {
	longTopic := strings.Repeat("t", 65535)
	for _, c := range []struct {
		name    string
		sent    []byte
		payload int // of the first packet; -1: it is none
		fails   string
	}{
		{"a short message", join(publication("a/b", 1, 10), pong), 10, ""},
		{"one without payload", join(publication("a/b", 0, 0), pong), 0, ""},
		{"the longest that is whole", join(publication("a/b", 1, longestMessage-7), pong), longestMessage - 7, ""},
		{"one byte more", join(publication("a/b", 1, longestMessage-6), pong), longestMessage - 7, ""},
		{"a megabyte", join(publication("a/b", 1, 1<<20), pong), longestMessage - 7, ""},
		{"a megabyte without identifier", join(publication("a/b", 0, 1<<20), pong), longestMessage - 5, ""},
		{"the longest topic and a command too long", join(publication(longTopic, 1, longestBytes+1), pong), longestBytes + 1, ""},
		{"the longest topic and a megabyte", join(publication(longTopic, 1, 1<<20), pong), longestBytes + 1, ""},
		{"no message", join(suback, pong), -1, ""},
		{"a length in more bytes than it needs", join([]byte{packets.Puback << 4, 0x82, 0x80, 0x00, 0, 1}, pong), -1, ""},
		{"a SUBACK with more codes than were asked for", join([]byte{packets.Suback << 4, 4, 0, 1, 1, 1}, pong), -1, "SUBACK with 4 bytes"},
		{"a CONNACK of 256 MB", []byte{packets.Connack << 4, 0xff, 0xff, 0xff, 0x7f}, -1, "CONNACK with 268435455 bytes"},
		{"a type that there is not", []byte{0xf0, 0x80, 0x01}, -1, "type 15 with 128 bytes"},
		{"a length without an end", []byte{packets.Publish << 4, 0xff, 0xff, 0xff, 0xff, 0x7f}, -1, "more than four bytes"},
	} {
		t.Run(c.name, func(t *testing.T) {
			for _, size := range []int{1, 3, 4096, 1 << 20} {
				got, err := drain(&cutConn{Conn: &pieces{left: bytes.NewReader(c.sent), size: size}, most: longestMessage, failed: func(error) {}}, max(1, 5000-size))
				want, wantErr := plain(c.sent, longestMessage)
				if !bytes.Equal(got, want) {
					t.Fatalf("in pieces of %d: %d bytes, want %d", size, len(got), len(want))
				}
				if c.fails != "" {
					if !errors.Is(err, errForeign) || !errors.Is(wantErr, errForeign) || !strings.Contains(err.Error(), c.fails) {
						t.Errorf("%v, want %q", err, c.fails)
					}
					continue
				}
				if err != io.EOF {
					t.Fatal(err)
				}
				r := bytes.NewReader(got)
				p, err := packets.ReadPacket(r)
				if err != nil {
					t.Fatal(err)
				}
				if m, ok := p.(*packets.PublishPacket); ok != (c.payload >= 0) || ok && len(m.Payload) != c.payload {
					t.Errorf("the first packet is %v with %d bytes, want %d", p, len(m.Payload), c.payload)
				} else if ok && (m.TopicName != "a/b" && m.TopicName != longTopic || m.Qos > 0 && m.MessageID != 0x1234) {
					t.Errorf("topic %.10s, identifier %x", m.TopicName, m.MessageID)
				}
				left := bytes.ReplaceAll(got[len(got)-r.Len():], pong, nil)
				if !bytes.HasSuffix(got, pong) || len(left) > 0 {
					t.Errorf("after it comes %x", left)
				}
			}
		})
	}
}

// FuzzCut: however a broker's bytes are split and read, and whatever they are,
// the client gets what a plain parser makes of them.
func FuzzCut(f *testing.F) {
	for _, seed := range [][]byte{
		join(suback, publication("a/b", 1, 20), pong), join(publication("a/b", 1, 200), suback), join(publication("", 0, 128), pong),
		publication("a/b", 1, 200)[:150], {packets.Publish << 4, 0xff, 0xff, 0xff, 0xff}, {packets.Connack << 4, 2}, {0x40, 0x82, 0x80, 0, 1, 2}, {0xff},
	} {
		f.Add(seed, uint8(5), uint8(1), uint8(1), uint8(0))
		f.Add(seed, uint8(150), uint8(50), uint8(200), uint8(3))
	}
	f.Fuzz(func(t *testing.T, sent []byte, most, size, buffer, late uint8) {
		most = max(1, most)
		if late == 1 {
			late = 0 // nothing would ever come
		}
		c := &cutConn{Conn: &pieces{left: bytes.NewReader(sent), size: max(1, int(size)), late: int(late)}, most: int(most), failed: func(error) {}}
		got, err := drain(c, max(1, int(buffer)))
		want, wantErr := plain(sent, int(most))
		if !bytes.Equal(got, want) || !errors.Is(err, wantErr) {
			t.Errorf("%d bytes and %v, want %d and %v", len(got), err, len(want), wantErr)
		}
		if n, again := c.Read(make([]byte, 1)); n != 0 || again == nil {
			t.Errorf("after the end %d bytes, %v", n, again)
		}
	})
}

// endless is a message of as many bytes as a header can announce.
type endless struct {
	net.Conn
	head []byte
	left int
}

func (e *endless) Read(b []byte) (int, error) {
	if n := copy(b, e.head); n > 0 {
		e.head = e.head[n:]
		return n, nil
	}
	if e.left == 0 {
		return 0, io.EOF
	}
	n := min(len(b), e.left)
	e.left -= n
	return n, nil
}

func TestWhatIsThrownAwayIsNotKept(t *testing.T) {
	const most = 268_435_455 // MQTT 3.1.1, 2.2.3
	from := &endless{head: append([]byte{packets.Publish << 4}, length(most)...), left: most}
	answers := 1 + (most-longestMessage-firstPiece-1)/longestMessage // to pings
	taken := allocated(func() {
		if n, err := io.Copy(io.Discard, &cutConn{Conn: from, most: longestMessage}); err != nil || n != int64(4+longestMessage+2*answers) {
			t.Errorf("%d bytes, %v", n, err)
		}
	})
	if from.left > 0 || taken > 16<<20 {
		t.Errorf("%d bytes were taken from memory, %d are left in the connection", taken, from.left)
	}
}

// allocated is how many bytes of memory were asked for in the whole program
// while do ran.
func allocated(do func()) uint64 {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	do()
	runtime.ReadMemStats(&after)
	return after.TotalAlloc - before.TotalAlloc
}
