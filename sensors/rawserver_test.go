package sensors

import (
	"context"
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

// request is one frame as it arrived.
type request struct {
	conn        int // which connection, from 1
	txn         uint16
	unit, code  byte
	addr, count uint16
	pdu         []byte
}

// behaviour answers one request on the raw connection; false closes it.
type behaviour func(c net.Conn, r request) bool

// rawServer speaks Modbus TCP byte by byte, well or badly, and is no part of
// any library. It fails the test on any function code but 1 to 4.
type rawServer struct {
	t        testing.TB
	listener net.Listener

	mu       sync.Mutex
	act      behaviour
	conns    map[net.Conn]bool
	opened   int
	requests []request
	work     sync.WaitGroup
}

func serve(t testing.TB, act behaviour) *rawServer {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := &rawServer{t: t, listener: l, act: act, conns: make(map[net.Conn]bool)}
	s.work.Go(s.accept)
	t.Cleanup(func() {
		l.Close()
		s.hangUp()
		s.work.Wait()
	})
	return s
}

func (s *rawServer) accept() {
	for {
		c, err := s.listener.Accept()
		if err != nil {
			return
		}
		s.mu.Lock()
		s.opened++
		number := s.opened
		s.conns[c] = true
		s.mu.Unlock()
		s.work.Go(func() { s.talk(c, number) })
	}
}

func (s *rawServer) talk(c net.Conn, number int) {
	defer func() {
		c.Close()
		s.mu.Lock()
		delete(s.conns, c)
		s.mu.Unlock()
	}()
	for {
		head := make([]byte, 7)
		if _, err := io.ReadFull(c, head); err != nil {
			return
		}
		pdu := make([]byte, max(1, int(binary.BigEndian.Uint16(head[4:]))-1))
		if _, err := io.ReadFull(c, pdu); err != nil {
			return
		}
		r := request{conn: number, txn: binary.BigEndian.Uint16(head), unit: head[6], code: pdu[0], pdu: pdu}
		if r.code < 1 || r.code > 4 || len(pdu) != 5 {
			s.t.Errorf("function code %d left the program: % x", r.code, pdu)
			return
		}
		r.addr, r.count = binary.BigEndian.Uint16(pdu[1:]), binary.BigEndian.Uint16(pdu[3:])
		s.mu.Lock()
		s.requests = append(s.requests, r)
		act := s.act
		s.mu.Unlock()
		if !act(c, r) {
			return
		}
	}
}

// become changes what the server does from the next request on.
func (s *rawServer) become(act behaviour) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.act = act
}

// hangUp closes all connections.
func (s *rawServer) hangUp() {
	s.mu.Lock()
	defer s.mu.Unlock()
	for c := range s.conns {
		c.Close()
	}
}

func (s *rawServer) seen() []request {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]request(nil), s.requests...)
}

func (s *rawServer) address() string { return s.listener.Addr().String() }

func frame(txn uint16, unit byte, pdu ...byte) []byte {
	b := binary.BigEndian.AppendUint16(nil, txn)
	b = append(b, 0, 0)
	b = binary.BigEndian.AppendUint16(b, uint16(len(pdu)+1))
	return append(append(b, unit), pdu...)
}

// payload is the PDU of a right answer: every register holds value(address),
// every bit whether that is odd.
func payload(r request, value func(addr uint16) uint16) []byte {
	if r.code <= 2 {
		b := make([]byte, (int(r.count)+7)/8)
		for i := range r.count {
			if value(r.addr+i)%2 == 1 {
				b[i/8] |= 1 << (i % 8)
			}
		}
		return append([]byte{r.code, byte(len(b))}, b...)
	}
	b := []byte{r.code, byte(2 * r.count)}
	for i := range r.count {
		b = binary.BigEndian.AppendUint16(b, value(r.addr+i))
	}
	return b
}

func same(v uint16) func(uint16) uint16 { return func(uint16) uint16 { return v } }

// answering gives every register the value.
func answering(value func(addr uint16) uint16) behaviour {
	return func(c net.Conn, r request) bool {
		c.Write(frame(r.txn, r.unit, payload(r, value)...))
		return true
	}
}

func silent(net.Conn, request) bool { return true }

func except(code byte) behaviour {
	return func(c net.Conn, r request) bool {
		c.Write(frame(r.txn, r.unit, r.code|0x80, code))
		return true
	}
}

// steady is a clock that is right, or not.
type steady struct {
	start     time.Time
	untrusted bool
}

func (c steady) Now() (time.Time, time.Duration, bool) {
	now := time.Now()
	return now, now.Sub(c.start), !c.untrusted
}

func clockNow() steady { return steady{start: time.Now()} }

const (
	testPeriod  = 50 * time.Millisecond
	testTimeout = 20 * time.Millisecond
)

func linkTo(name, address string) Link {
	return Link{Name: name, Address: address, Timeout: testTimeout, Period: testPeriod, Gap: 8}
}

func word(id signal.ID, link string, device uint8, addr uint16) Point {
	return Point{ID: id, Link: link, Device: device, Spec: register.Spec{
		Table: register.HoldingRegisters, Address: addr, Format: register.Uint16}}
}

// rig is a running poller.
type rig struct {
	t       testing.TB
	ctx     context.Context
	poller  *Poller
	sources map[string]*Source
}

// start runs units, each with its points, over links until the test ends.
func start(t testing.TB, links []Link, clock Clock, units map[string][]Point) *rig {
	t.Helper()
	p, err := New(links, clock, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	r := &rig{t: t, poller: p, sources: make(map[string]*Source)}
	for unit, points := range units {
		if r.sources[unit], err = p.Source(unit, points); err != nil {
			t.Fatal(err)
		}
	}
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	r.ctx = ctx
	done := make(chan struct{})
	go func() {
		defer close(done)
		p.Run(ctx)
	}()
	t.Cleanup(func() {
		cancel()
		<-done
	})
	return r
}

func (r *rig) next(unit string) signal.Scan {
	r.t.Helper()
	scan, err := r.sources[unit].Next(r.ctx)
	if err != nil {
		r.t.Fatalf("unit %s: no scan: %v", unit, err)
	}
	return scan
}

// await takes scans until one satisfies ok, checking each with always.
func (r *rig) await(unit, what string, ok func(signal.Scan) bool, always func(signal.Scan)) signal.Scan {
	r.t.Helper()
	var last signal.Scan
	for {
		scan, err := r.sources[unit].Next(r.ctx)
		if err != nil {
			r.t.Fatalf("unit %s: %s: %v; last scan %+v", unit, what, err, last)
		}
		if always != nil {
			always(scan)
		}
		if ok(scan) {
			return scan
		}
		last = scan
	}
}

// reads reports whether reading i is good with this value.
func reads(i int, value float64) func(signal.Scan) bool {
	return func(s signal.Scan) bool {
		return s.Readings[i].Quality == signal.Good && s.Readings[i].Value == value
	}
}

// isBad reports whether reading i is bad for a reason.
func isBad(i int, why signal.Reason) func(signal.Scan) bool {
	return func(s signal.Scan) bool {
		return s.Readings[i].Quality == signal.Bad && s.Readings[i].Reason == why && s.Readings[i].Value == 0
	}
}

func all(conditions ...func(signal.Scan) bool) func(signal.Scan) bool {
	return func(s signal.Scan) bool {
		for _, ok := range conditions {
			if !ok(s) {
				return false
			}
		}
		return true
	}
}

// lone is the owner of a link on its own, for tests that call its scans one by
// one: nothing in it depends on how busy the machine is, as long as an answer
// comes within the timeout.
func lone(t testing.TB, server *rawServer, points ...Point) *owner {
	t.Helper()
	link := linkTo("panel", server.address())
	link.Timeout, link.Period = 400*time.Millisecond, 2*time.Second
	o := newOwner(link, points, &board{cells: make([]cell, len(points))}, clockNow(), slog.New(slog.DiscardHandler))
	t.Cleanup(o.conn.drop)
	return o
}

// scanOnce is what the link knows after one more scan, the link's state last.
func scanOnce(t testing.TB, o *owner) signal.Scan {
	t.Helper()
	o.scan(t.Context(), time.Now())
	var s signal.Scan
	for _, c := range append(o.board.cells[:len(o.board.cells):len(o.board.cells)], o.board.link) {
		s.Readings = append(s.Readings, c.reading)
	}
	return s
}
