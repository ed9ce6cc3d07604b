package uplink

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"net"
	"strconv"
	"sync/atomic"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// The most bytes behind the fixed header of a packet from the broker.
const (
	// longestMessage has room for the longest topic (MQTT 3.1.1, 1.5.3), the
	// packet identifier, and one byte more than a command may have: what has
	// been cut is still seen to be too long.
	longestMessage = 2 + 65535 + 2 + longestBytes + 1
	// longestOther is a SUBACK with one code (MQTT 3.1.1, 3.9), as the client
	// asks for one filter at a time. No other packet to a client is longer.
	longestOther = 2 + 1
)

// firstPiece is how much of a message is thrown away before the first answer to
// a ping. The client waits 10 s for one, in which a line of 64 kbit/s carries
// what is handed on, and this; or a further piece.
const firstPiece = 4 << 10

// errForeign is about what a broker must not send.
var errForeign = errors.New("MQTT 3.1.1 has no such packet for a client")

// cutConn is a connection on which no packet is longer than the agent has use
// for. The client library makes room for as many bytes as a header announces,
// up to 256 MB, before anybody has seen the topic. Here a longer message is
// cut and the rest of it thrown away, so that its topic, its identifier and the
// acknowledgement stay right, and whoever it is for refuses it. Any other
// packet that is too long ends the connection. One goroutine reads.
//
// On a thin line the rest takes minutes, and the answers that the client and
// the session wait for stand behind it. After each piece of it the client
// therefore gets the answer to a ping, which is what its pings are for: they
// ask whether anything still comes.
type cutConn struct {
	net.Conn
	most  int     // bytes behind the fixed header of a message, and of a piece: longestMessage
	fixed [5]byte // the fixed header (MQTT 3.1.1, 2.2) that is being read
	got   int     // bytes of it so far
	head  []byte  // what is still to be handed on of it
	keep  int     // bytes behind it that are handed on
	skip  int     // and bytes behind these that are thrown away
	piece int     // of them at once
	err   error   // why nothing is handed on any more

	thrown atomic.Int64 // bytes thrown away so far, for whoever waits

	failed func(error) // told of err before the reader, who does not pass it on to all that wait
}

// Read hands on what the broker sends, and never reads ahead of it by more than
// a header.
func (c *cutConn) Read(b []byte) (int, error) {
	if len(c.head) == 0 && c.keep == 0 {
		next := c.next
		if c.skip > 0 {
			next = c.throw
		}
		if err := next(); err != nil {
			return 0, err
		}
	}
	if len(c.head) > 0 {
		n := copy(b, c.head)
		c.head = c.head[n:]
		return n, nil
	}
	n, err := c.Conn.Read(b[:min(len(b), c.keep)])
	c.keep -= n
	return n, err
}

// throw throws away a piece of what is left of a message, and goes on to the
// next packet after the last one.
func (c *cutConn) throw() error {
	n, err := io.CopyN(io.Discard, c.Conn, int64(min(c.skip, c.piece)))
	c.skip -= int(n)
	c.piece -= int(n)
	c.thrown.Add(n)
	switch {
	case err != nil:
		return err
	case c.skip == 0:
		return c.next()
	}
	c.piece = c.most
	c.fixed = [5]byte{packets.Pingresp << 4, 0}
	c.head = c.fixed[:2]
	return nil
}

// next reads the fixed header of the next packet. After an error of the
// connection, such as a deadline that has passed, it goes on where it was.
func (c *cutConn) next() error {
	if c.err != nil {
		return c.err
	}
	for c.got < len(c.fixed) {
		if _, err := io.ReadFull(c.Conn, c.fixed[c.got:c.got+1]); err != nil {
			return err
		}
		c.got++
		if c.got > 1 && c.fixed[c.got-1] < 0x80 { // the last byte of the length (MQTT 3.1.1, 2.2.3)
			return c.begin()
		}
	}
	return c.fail("a length of more than four bytes")
}

// begin decides how much of a packet is handed on, of which the fixed header
// has been read.
func (c *cutConn) begin() error {
	header, long := c.fixed[:c.got], 0
	for i, b := range header[1:] {
		long |= int(b&0x7f) << (7 * i)
	}
	if kind := header[0] >> 4; kind != packets.Publish && long > longestOther {
		return c.fail(fmt.Sprintf("a packet of the type %s with %d bytes", cmp.Or(packets.PacketNames[kind], strconv.Itoa(int(kind))), long))
	}
	c.got, c.head, c.keep = 0, header, min(long, c.most)
	if c.skip = long - c.keep; c.skip > 0 {
		c.head = append(header[:1], length(c.keep)...)
		c.piece = min(c.most, firstPiece)
	}
	return nil
}

func (c *cutConn) fail(what string) error {
	c.err = fmt.Errorf("the broker sent %s: %w", what, errForeign)
	c.failed(c.err)
	return c.err
}
