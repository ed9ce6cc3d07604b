package sensors

import (
	"encoding/binary"
	"io"
	"log/slog"
	"net"
	"sync"
	"testing"
	"time"

	"strokebank/sensors/register"
	"strokebank/sensors/signal"
)

// heard is one request as it came over the line.
type heard struct {
	number      int // from 1
	at          time.Time
	unit, code  byte
	addr, count uint16
}

// rawLine is whatever sits on a serial line, answering as a test wants it. It
// is no part of any library and fails the test on any request but a read.
type rawLine struct {
	t  testing.TB
	mu sync.Mutex

	out   io.Writer
	act   func(heard) // called without the lock, one request at a time
	calls []heard
	work  sync.WaitGroup
}

// onTerminal puts a raw line behind a pseudo-terminal and gives the link to it.
func onTerminal(t testing.TB, act func(*rawLine, heard)) (*rawLine, Link) {
	near, path := pseudoTerminal(t)
	l := &rawLine{t: t, out: near}
	l.act = func(h heard) { act(l, h) }
	l.work.Go(func() { l.hear(near) })
	t.Cleanup(func() {
		near.Close()
		l.work.Wait()
	})
	return l, lineTo(path, Serial)
}

// behindConverter puts a raw line behind a TCP port; as a converter does, it
// gives what comes late to whoever is connected then.
func behindConverter(t testing.TB, act func(*rawLine, heard)) (*rawLine, Link) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l := &rawLine{t: t, out: io.Discard}
	l.act = func(h heard) { act(l, h) }
	l.work.Go(func() {
		for {
			c, err := listener.Accept()
			if err != nil {
				return
			}
			l.mu.Lock()
			l.out = c
			l.mu.Unlock()
			l.hear(c)
			c.Close()
		}
	})
	t.Cleanup(func() {
		listener.Close()
		l.hangUp()
		l.work.Wait()
	})
	return l, lineTo(listener.Addr().String(), SerialOverTCP)
}

func lineTo(address string, via Transport) Link {
	return Link{Name: "line", Address: address, Via: via, Period: testPeriod, Timeout: testTimeout, Gap: 0,
		Line: Line{Baud: 115200, Parity: EvenParity, StopBits: 1, WorstLatency: testTimeout}}
}

func (l *rawLine) hangUp() {
	l.mu.Lock()
	defer l.mu.Unlock()
	if c, ok := l.out.(io.Closer); ok {
		c.Close()
	}
}

func (l *rawLine) hear(in io.Reader) {
	for {
		frame := make([]byte, askLength)
		if _, err := io.ReadFull(in, frame); err != nil {
			return
		}
		if frame[1] < 1 || frame[1] > 4 || binary.LittleEndian.Uint16(frame[6:]) != checksum(frame[:6]) {
			l.t.Errorf("no read: % X", frame)
			return
		}
		l.mu.Lock()
		h := heard{len(l.calls) + 1, time.Now(), frame[0], frame[1],
			binary.BigEndian.Uint16(frame[2:]), binary.BigEndian.Uint16(frame[4:])}
		l.calls = append(l.calls, h)
		l.mu.Unlock()
		l.act(h)
	}
}

// say puts characters on the line.
func (l *rawLine) say(text []byte) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.out.Write(text)
}

// last is the newest request to a device for an address.
func (l *rawLine) last(unit byte, addr uint16) (h heard) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, c := range l.calls {
		if c.unit == unit && c.addr == addr {
			h = c
		}
	}
	return h
}

func (l *rawLine) count(unit byte) (n int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, c := range l.calls {
		if c.unit == unit {
			n++
		}
	}
	return n
}

// answer is the answer to a request with a value in every register, and in
// every byte of bits.
func (h heard) answer(value uint16) []byte {
	if h.code <= 2 {
		n := int(h.count+7) / 8
		frame := []byte{h.unit, h.code, byte(n)}
		for range n {
			frame = append(frame, byte(value))
		}
		return closed(frame...)
	}
	frame := []byte{h.unit, h.code, byte(2 * h.count)}
	for range h.count {
		frame = binary.BigEndian.AppendUint16(frame, value)
	}
	return closed(frame...)
}

// loneOn is the owner of a line on its own.
func loneOn(t testing.TB, link Link, points ...Point) *owner {
	t.Helper()
	o := newOwner(link, points, &board{cells: make([]cell, len(points))}, clockNow(), slog.New(slog.DiscardHandler))
	t.Cleanup(o.conn.drop)
	return o
}

// settled is an owner whose line has been opened and owes nothing any more.
func settled(t testing.TB, link Link, points ...Point) *owner {
	t.Helper()
	o := loneOn(t, link, points...)
	// A dial may take longer than the link's timeout on a busy machine.
	for end := time.Now().Add(20 * time.Second); !o.connect(t.Context()); time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal(o.failed)
		}
	}
	for _, d := range o.devices {
		d.owes = time.Time{}
	}
	return o
}

func onLine(id string, device uint8, table register.Table, addr uint16, width int) Point {
	p := at(table, addr, register.Uint16)
	p.Device, p.Link = device, "line"
	p.ID = signal.ID(id)
	if width == 2 {
		p.Spec.Format = register.Uint32
	}
	if width == 4 {
		p.Spec.Format = register.Float64
	}
	return p
}
