package registers

import (
	"bytes"
	"context"
	"errors"
	"io"
	"log/slog"
	"net"
	"os"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"strokebank/rules"
)

// board shows what it is given.
type board struct {
	mu      sync.Mutex
	units   []*rules.Assessment
	changed chan struct{}
}

func newBoard(units ...*rules.Assessment) *board {
	return &board{units: units, changed: make(chan struct{})}
}

func (b *board) Latest() []*rules.Assessment {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.units
}

func (b *board) Changed() <-chan struct{} {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.changed
}

func (b *board) show(units ...*rules.Assessment) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.units = units
	close(b.changed)
	b.changed = make(chan struct{})
}

// syncBuffer is a log that several goroutines use.
type syncBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *syncBuffer) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *syncBuffer) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

// serveUnits runs a server of the units, as devices 1, 2, 3, until the test
// ends.
func serveUnits(t *testing.T, b *board, log io.Writer) *Server {
	t.Helper()
	c := Config{Address: "127.0.0.1:0", StaleAfter: time.Hour, Log: slog.New(slog.NewTextHandler(log, nil))}
	for i, a := range b.units {
		m, err := NewMap(a, uint8(i+1))
		if err != nil {
			t.Fatal(err)
		}
		c.Maps = append(c.Maps, m)
	}
	s, err := Listen(c, b)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	return s
}

func dial(t *testing.T, s *Server) net.Conn {
	t.Helper()
	c, err := net.Dial("tcp", s.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

// ask sends one request and reads the answer to it.
func ask(t *testing.T, c net.Conn, device byte, request string) []byte {
	t.Helper()
	pdu := unhex(t, request)
	frame := append([]byte{0x12, 0x34, 0, 0, 0, byte(len(pdu) + 1), device}, pdu...)
	if _, err := c.Write(frame); err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, mostFrame)
	from, answer, err := readFrame(c, buf, func() {})
	if err != nil || from != device || buf[0] != 0x12 || buf[1] != 0x34 {
		t.Fatalf("%v; device %d, transaction % X", err, from, buf[:2])
	}
	return answer
}

func eventually(t *testing.T, what string, holds func() bool) {
	t.Helper()
	deadline := time.NewTimer(time.Minute)
	defer deadline.Stop()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for !holds() {
		select {
		case <-tick.C:
		case <-deadline.C:
			t.Fatal("still not: " + what)
		}
	}
}

// units are two of which everything is known, just now.
func units() (one, two *rules.Assessment) {
	one, two = everything(), everything()
	two.Unit, two.Reserve.AtLeast = "AU-9", 4
	one.Time, two.Time = time.Now(), time.Now()
	return one, two
}

func TestUnitsByDevice(t *testing.T) {
	one, two := units()
	s := serveUnits(t, newBoard(one, two), io.Discard)
	c := dial(t, s)
	for _, k := range []struct {
		device byte
		want   string
	}{{1, "03 02 0009"}, {2, "03 02 0004"}, {3, "83 0B"}, {0, "83 0B"}, {255, "83 0B"}} {
		if got := ask(t, c, k.device, "03 000B 0001"); !bytes.Equal(got, unhex(t, k.want)) {
			t.Errorf("device %d: % X, want %s", k.device, got, k.want)
		}
	}
	alone := serveUnits(t, newBoard(one), io.Discard)
	c = dial(t, alone)
	for _, device := range []byte{0, 1, 255} {
		if got := ask(t, c, device, "04 000B 0001"); !bytes.Equal(got, unhex(t, "04 02 0009")) {
			t.Errorf("alone, device %d: % X", device, got)
		}
	}
	if got := ask(t, c, 2, "04 000B 0001"); !bytes.Equal(got, unhex(t, "84 0B")) {
		t.Errorf("device 2: % X", got)
	}
}

// Writes are refused, counted, and said once for each client.
func TestWritesAreCountedAndLoggedOnce(t *testing.T) {
	log := new(syncBuffer)
	s := serveUnits(t, newBoard(everything()), log)
	for range 3 {
		c := dial(t, s)
		for _, request := range []string{"06 0001 0003", "10 0001 0001 02 0001", "05 0000 FF00", "2B 0E 01 00"} {
			if got := ask(t, c, 1, request); got[0]&0x80 == 0 || got[1] != illegalFunction {
				t.Errorf("%s: % X", request, got)
			}
		}
		ask(t, c, 1, "03 0000 007E")
		ask(t, c, 1, "03 0FFF 0001")
	}
	n := s.Stats()
	if n.Writes != 9 || n.Others != 3 || n.Values != 3 || n.Addresses != 3 || n.Data != 0 || n.Broken != 0 {
		t.Errorf("%+v", n)
	}
	if text := log.String(); strings.Count(text, "level=WARN") != 1 || !strings.Contains(text, "client=127.0.0.1 function=6 writes=true") {
		t.Errorf("the log says\n%s", text)
	}
}

// As many clients as allowed, no more; one that leaves makes room.
func TestClientsAreLimited(t *testing.T) {
	s := serveUnits(t, newBoard(everything()), io.Discard)
	var in []net.Conn
	for range mostClients {
		c := dial(t, s)
		ask(t, c, 1, "03 0000 0001")
		in = append(in, c)
	}
	refused := dial(t, s)
	_, _ = refused.Write(unhex(t, "0001 0000 0006 01 03 0000 0001")) // it may be closed already
	if n, err := refused.Read(make([]byte, 1)); err == nil {
		t.Errorf("one client too many read %d bytes", n)
	}
	if n := s.Stats(); n.Clients != mostClients || n.FullRefused != 1 {
		t.Errorf("%+v", n)
	}
	in[3].Close()
	eventually(t, "room again", func() bool { return s.Stats().Clients < mostClients })
	ask(t, dial(t, s), 1, "03 0000 0001")
}

// One address that holds all places makes room for others, down to the same
// number for each: the client that has been silent for longest goes.
func TestOneAddressMakesRoom(t *testing.T) {
	s := serveUnits(t, newBoard(everything()), io.Discard)
	from := func(n byte) net.Conn {
		d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.IPv4(127, 0, 0, n)}}
		c, err := d.Dial("tcp", s.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { c.Close() })
		_ = c.SetDeadline(time.Now().Add(time.Minute))
		return c
	}
	closed := func(c net.Conn) {
		t.Helper()
		_, _ = c.Write(unhex(t, "0001 0000 0006 01 03 0000 0001")) // it may be closed already
		if n, err := c.Read(make([]byte, 1)); err == nil || errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("still served: %d bytes, %v", n, err)
		}
	}
	var greedy []net.Conn
	for range mostClients {
		c := from(1)
		ask(t, c, 1, "03 0000 0001")
		greedy = append(greedy, c)
	}
	closed(from(1))
	ask(t, greedy[0], 1, "03 0000 0001") // not silent any more
	for range mostClients / 2 {
		ask(t, from(2), 1, "03 0000 0001")
	}
	closed(from(2))
	for _, c := range greedy[1 : 1+mostClients/2] {
		closed(c)
	}
	ask(t, greedy[0], 1, "03 0000 0001")
	for _, c := range greedy[1+mostClients/2:] {
		ask(t, c, 1, "03 0000 0001")
	}
	ask(t, from(3), 1, "03 0000 0001")
	eventually(t, "as many as allowed", func() bool { return s.Stats().Clients == mostClients })
	if n := s.Stats().FullRefused; n != 2+mostClients/2+1 {
		t.Errorf("%d were closed", n)
	}
}

// Garbage ends the connection that it came on, and nothing else.
func TestGarbage(t *testing.T) {
	s := serveUnits(t, newBoard(everything()), io.Discard)
	honest := dial(t, s)
	for i, garbage := range []string{"GET / HTTP/1.1\r\n\r\n", "\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03", strings.Repeat("\xff", 4096)} {
		c := dial(t, s)
		if _, err := io.WriteString(c, garbage); err != nil {
			t.Fatal(err)
		}
		if n, err := c.Read(make([]byte, 1)); err == nil {
			t.Errorf("garbage %d got %d bytes", i, n)
		}
		ask(t, honest, 1, "03 0000 0001")
	}
	if n := s.Stats().Broken; n != 3 {
		t.Errorf("%d connections counted as broken", n)
	}
}

// Clients that are silent, that stop in the middle of a request, or that do
// not take their answer, are let go after their time, not before.
func TestSlowClients(t *testing.T) {
	request := "0001 0000 0006 01 03 0000 0001"
	for _, c := range []struct {
		name   string
		act    func(t *testing.T, c net.Conn)
		lasts  time.Duration
		broken int64
	}{
		{"says nothing", func(*testing.T, net.Conn) {}, firstLimit, 0},
		{"one request and then nothing", func(t *testing.T, c net.Conn) {
			write(t, c, unhex(t, request))
			if _, err := io.ReadFull(c, make([]byte, 11)); err != nil {
				t.Error(err)
			}
		}, breath + idleLimit, 0},
		{"a hundred at once", func(t *testing.T, c net.Conn) {
			go func() { _, _ = io.Copy(io.Discard, c) }()
			for range 100 {
				write(t, c, unhex(t, request))
			}
		}, 100*breath + idleLimit, 0},
		{"half a request", func(t *testing.T, c net.Conn) { write(t, c, unhex(t, request)[:5]) }, frameLimit, 1},
		{"a byte a second", func(t *testing.T, c net.Conn) {
			for _, b := range unhex(t, request)[:4] {
				write(t, c, []byte{b})
				time.Sleep(time.Second)
			}
		}, frameLimit, 1},
		{"does not take its answer", func(t *testing.T, c net.Conn) { write(t, c, unhex(t, request)) }, frameLimit, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				m := mapOf(t, everything())
				m.Device = 1
				s := &Server{Config: Config{Maps: []*Map{m}, Log: slog.New(slog.DiscardHandler)}, seen: map[string]arrival{}}
				near, far := net.Pipe() // no buffer: a write waits for its reader
				defer near.Close()
				began, ended := time.Now(), make(chan time.Time, 1)
				go func() {
					s.serve(t.Context(), far)
					ended <- time.Now()
				}()
				c.act(t, near)
				if lasted := (<-ended).Sub(began); lasted != c.lasts {
					t.Errorf("let go after %v, want %v", lasted, c.lasts)
				}
				if n := s.Stats(); n.Broken != c.broken || n.Clients != 0 {
					t.Errorf("%+v", n)
				}
			})
		})
	}
}

func write(t *testing.T, c net.Conn, b []byte) {
	t.Helper()
	if _, err := c.Write(b); err != nil {
		t.Error(err)
	}
}

// The age counts from when an assessment came, with what it was late by; past
// the limit the data are stale, and the next assessment brings them back.
func TestAge(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := everything()
		a.Time = time.Now().Add(-500 * time.Millisecond)
		m := mapOf(t, a)
		b := newBoard()
		s := &Server{Config: Config{Maps: []*Map{m}, StaleAfter: 3 * time.Second, Log: slog.New(slog.DiscardHandler)}, units: b, seen: map[string]arrival{}}
		ctx, cancel := context.WithCancel(t.Context())
		go s.follow(ctx)
		defer synctest.Wait()
		defer cancel()
		look := func(when string, judged bool, age float64, fresh bool) {
			t.Helper()
			synctest.Wait()
			v := s.view(7, time.Now())
			if (v.a != nil) != judged || v.age.Known() != judged || judged && float64(v.age) != age || v.fresh != fresh {
				t.Errorf("%s: judged %v, age %v, fresh %v", when, v.a != nil, v.age, v.fresh)
			}
		}
		look("before the first", false, 0, false)
		b.show(a)
		look("as it comes", true, 0.5, true)
		time.Sleep(2500 * time.Millisecond)
		look("at the limit", true, 3, true)
		time.Sleep(time.Millisecond)
		look("past it", true, 3.001, false)
		b.show(a) // the same one again, because another unit has changed
		look("the same again", true, 3.001, false)
		next := everything()
		next.ClockTrusted, next.Time = false, time.Time{} // a clock that nobody trusts tells nothing
		b.show(next)
		look("the next", true, 0, true)
		time.Sleep(time.Second)
		b.show(next)
		look("the next again", true, 1, true)
	})
}

func TestListenRefuses(t *testing.T) {
	one, two := units()
	m, other := mapOf(t, one), mapOf(t, two)
	if s, err := Listen(Config{Address: "127.0.0.1:0", Maps: []*Map{m, other}}, newBoard()); err == nil {
		s.Close()
		t.Error("two units of one device")
	}
	s, err := Listen(Config{Address: "127.0.0.1:0", Maps: []*Map{m}}, newBoard())
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if again, err := Listen(Config{Address: s.Addr().String()}, newBoard()); err == nil {
		again.Close()
		t.Error("an address that is taken")
	}
}
