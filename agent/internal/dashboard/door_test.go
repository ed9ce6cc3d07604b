package dashboard

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"os"
	"strings"
	"testing"
	"time"

	"strokebank/rules"
)

// hall is a real server whose answers may be held back, and connections to it
// from several addresses of this machine.
type hall struct {
	*Server
	t    *testing.T
	tls  bool
	log  written
	in   chan struct{} // a request that is held has come
	free chan struct{} // each frees one
}

// newHall serves with so many places, and so many of one address.
func newHall(t *testing.T, secret bool, most, ofOne int) *hall {
	t.Helper()
	h := &hall{t: t, tls: secret, in: make(chan struct{}), free: make(chan struct{})}
	l := Listening{Address: "127.0.0.1:0", Log: slog.New(slog.NewTextHandler(&h.log, nil))}
	if secret {
		l.CertFile, l.KeyFile = issue(t, t.TempDir(), "gateway", time.Now().Add(soon))
	}
	var err error
	if h.Server, err = Listen(l, http.HandlerFunc(h.answer)); err != nil {
		t.Fatal(err)
	}
	h.door.most, h.door.ofOne = most, ofOne
	run(t, h.Server)
	return h
}

func (h *hall) answer(w http.ResponseWriter, r *http.Request) {
	if r.URL.Path == "/held" {
		letIn(r.Context())
	}
	if r.URL.Path == "/held" || r.URL.Path == "/stranger" {
		h.in <- struct{}{}
		select {
		case <-h.free:
		case <-r.Context().Done():
			return
		}
	}
	fmt.Fprint(w, "well")
}

// from opens a connection from 127.0.0.n and asks for something.
func (h *hall) from(n int, path string) (net.Conn, error) {
	d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.IPv4(127, 0, 0, byte(n))}}
	c, err := d.Dial("tcp", h.Addr().String())
	if err != nil {
		h.t.Fatal(err)
	}
	h.t.Cleanup(func() { c.Close() })
	_ = c.SetDeadline(time.Now().Add(time.Minute))
	if h.tls {
		c = tls.Client(c, &tls.Config{InsecureSkipVerify: true})
	}
	_, err = fmt.Fprintf(c, "GET %s HTTP/1.1\r\nHost: localhost\r\n\r\n", path)
	return c, err
}

// held is a connection whose request was let in and is under way.
func (h *hall) held(n int) net.Conn {
	h.t.Helper()
	return h.begun(n, "/held")
}

func (h *hall) begun(n int, path string) net.Conn {
	h.t.Helper()
	c, err := h.from(n, path)
	if err != nil {
		h.t.Fatal(err)
	}
	select {
	case <-h.in:
	case <-time.After(time.Minute):
		h.t.Fatalf("127.0.0.%d is not let in", n)
	}
	return c
}

// served is a connection that has got its answer.
func (h *hall) served(n int) net.Conn {
	h.t.Helper()
	c, err := h.from(n, "/")
	if err == nil {
		err = h.answered(c)
	}
	if err != nil {
		h.t.Fatalf("127.0.0.%d is not served: %v", n, err)
	}
	return c
}

func (h *hall) answered(c net.Conn) error {
	all := ""
	for buffer := make([]byte, 1024); !strings.HasSuffix(all, "well"); {
		n, err := c.Read(buffer)
		if all += string(buffer[:n]); err != nil {
			return err
		}
	}
	return nil
}

// refused is one connection too many.
func (h *hall) refused(n int) {
	h.t.Helper()
	c, err := h.from(n, "/")
	if err == nil {
		err = h.answered(c)
	}
	if err == nil || errors.Is(err, os.ErrDeadlineExceeded) {
		h.t.Errorf("127.0.0.%d is not closed: %v", n, err)
	}
}

// closed waits until the server has closed a connection.
func (h *hall) closed(c net.Conn) {
	h.t.Helper()
	if _, err := io.Copy(io.Discard, c); errors.Is(err, os.ErrDeadlineExceeded) {
		h.t.Error("the connection is still open")
	}
}

// idling waits until so many connections idle.
func (h *hall) idling(n int) {
	h.t.Helper()
	await(h.t, fmt.Sprintf("%d idle", n), func() bool {
		h.door.mu.Lock()
		defer h.door.mu.Unlock()
		idle := 0
		for g := range h.door.in {
			if g.idle {
				idle++
			}
		}
		return idle == n
	})
}

func await(t *testing.T, what string, holds func() bool) {
	t.Helper()
	tick, deadline := time.NewTicker(5*time.Millisecond), time.NewTimer(time.Minute)
	defer tick.Stop()
	defer deadline.Stop()
	for !holds() {
		select {
		case <-tick.C:
		case <-deadline.C:
			t.Fatal("still not: " + what)
		}
	}
}

// An address that holds all that one may is refused the next, and another one
// is served. One that idles makes room; where all places are taken and none
// idles, the address that has most does.
func TestOneAddressLeavesRoom(t *testing.T) {
	for name, secret := range map[string]bool{"plain": false, "TLS": true} {
		t.Run(name, func(t *testing.T) {
			h := newHall(t, secret, 6, 3)
			expect := func(when string, open int, out int64) {
				t.Helper()
				if n := h.Stats(); n.Connections != open || n.TurnedOut != out {
					t.Errorf("%s: %+v", when, n)
				}
			}
			for range 3 {
				h.held(1)
			}
			h.refused(1)
			h.refused(1)
			expect("one address has its share", 3, 2)
			if n := h.log.count("too many connections"); n != 1 || h.log.count("last_of=127.0.0.1 closed=1") != 1 {
				t.Errorf("the log says so %d times:\n%s", n, h.log.text.String())
			}
			idler := h.served(2)
			h.idling(1)
			h.free <- struct{}{}
			h.idling(2)
			h.held(1) // in the place of its own idle one
			h.idling(1)
			expect("one of its own made room", 4, 2)
			h.held(2)
			h.held(2)
			expect("all places are taken", 6, 2)
			h.held(3)
			h.closed(idler)
			expect("the idle one made room", 6, 2)
			h.held(4)
			h.held(5)
			h.held(6)
			expect("those who had several made room", 6, 5)
			h.refused(7)
			expect("six have one each", 6, 6)
			for range 6 {
				h.free <- struct{}{}
			}
			h.idling(6)
			for n := range 20 {
				h.served(10 + n)
			}
			expect("many come one after another", 6, 6)
		})
	}
}

// Who has been let in keeps the place, however many strangers come, each from
// an address of its own; and who comes then is let in before them.
func TestStrangersMakeRoom(t *testing.T) {
	h := newHall(t, true, 6, 4)
	reads := []net.Conn{h.held(1), h.held(1), h.held(1)}
	for n := range 20 {
		h.begun(10+n, "/stranger")
	}
	reads = append(reads, h.held(1))
	h.begun(2, "/stranger")
	h.begun(3, "/stranger")
	h.refused(1) // has its share
	if n := h.Stats(); n.Connections != 6 {
		t.Errorf("%+v", n)
	}
	for range 6 {
		h.free <- struct{}{}
	}
	for _, c := range reads {
		if err := h.answered(c); err != nil {
			t.Errorf("one that was let in lost its place: %v", err)
		}
	}
}

// Whoever leaves takes nothing along, however the connection ends.
func TestPlacesAreGivenBack(t *testing.T) {
	h := newHall(t, true, 6, 3)
	h.served(1).Close()
	h.held(2).Close()
	c, err := net.Dial("tcp", h.Addr().String()) // no TLS
	if err != nil {
		t.Fatal(err)
	}
	c.Close()
	h.served(3)
	await(t, "only the last one is there", func() bool { return h.Stats().Connections == 1 })
	h.door.mu.Lock()
	defer h.door.mu.Unlock()
	if len(h.door.held) != 1 || h.door.held[netip.MustParseAddr("127.0.0.3")] != 1 {
		t.Errorf("%v", h.door.held)
	}
}

// Where all come from one address it may have all places.
func TestShareOfOneAddress(t *testing.T) {
	cert, key := issue(t, t.TempDir(), "gateway", time.Now().Add(soon))
	for _, c := range []struct {
		name  string
		l     Listening
		ofOne int
	}{
		{"this machine", Listening{Address: "127.0.0.1:0"}, mostConnected},
		{"the network", Listening{Address: "0.0.0.0:0", CertFile: cert, KeyFile: key, LogIn: true}, mostOfOne},
		{"a proxy", Listening{Address: "0.0.0.0:0", BehindProxy: true}, mostConnected},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, err := Listen(c.l, http.NotFoundHandler())
			if err != nil {
				t.Fatal(err)
			}
			defer s.listener.Close()
			if s.door.most != mostConnected || s.door.ofOne != c.ofOne {
				t.Errorf("%d, %d of one address", s.door.most, s.door.ofOne)
			}
		})
	}
}

func TestAddressThatIsCounted(t *testing.T) {
	for from, want := range map[string]string{
		"192.0.2.7:4711": "192.0.2.7", "[::ffff:192.0.2.7]:4711": "192.0.2.7", "[2001:db8:1:2:3:4:5:6]:4711": "2001:db8:1:2::",
		"[fe80::3%eth0]:4711": "fe80::", "[::1]:4711": "::1",
	} {
		if got := network(netip.MustParseAddrPort(from).Addr()); got.String() != want {
			t.Errorf("%s counts as %s, want %s", from, got, want)
		}
	}
}

// Who asks and does not take the answers is let go.
func TestAnswersMustBeTaken(t *testing.T) {
	for name, secret := range map[string]bool{"plain": false, "TLS": true} {
		t.Run(name, func(t *testing.T) {
			h := &hall{t: t, tls: secret}
			l := Listening{Address: "127.0.0.1:0"}
			if secret {
				l.CertFile, l.KeyFile = issue(t, t.TempDir(), "gateway", time.Now().Add(soon))
			}
			var err error
			if h.Server, err = Listen(l, New(Options{Units: newBoard(stored(noon)), Events: &book{}})); err != nil {
				t.Fatal(err)
			}
			if h.http.WriteTimeout < 10*time.Second || h.http.WriteTimeout > 2*time.Minute {
				t.Errorf("answers may take %v", h.http.WriteTimeout)
			}
			h.http.WriteTimeout = min(h.http.WriteTimeout, 300*time.Millisecond)
			run(t, h.Server)
			c, err := h.from(1, "/assets/style.css")
			if err != nil {
				t.Fatal(err)
			}
			for range 200 { // megabytes: more than the system holds for both
				if _, err := fmt.Fprint(c, "GET /assets/style.css HTTP/1.1\r\nHost: localhost\r\n\r\n"); err != nil {
					break
				}
			}
			await(t, "it is let go", func() bool { return h.Stats().Connections == 0 })
		})
	}
}

// late answers when it has been cut off by an ordinary limit.
type late struct{ clerk }

func (l *late) Submit(ctx context.Context, c rules.Command) (rules.Outcome, error) {
	<-time.After(300 * time.Millisecond)
	return l.clerk.Submit(ctx, c)
}

// A command waits for its scan, which may be longer than any other answer.
func TestCommandOutlivesTimeouts(t *testing.T) {
	s := listening(t, New(Options{Units: newBoard(stored(noon)), Events: &book{}, Gate: lock{}, Commands: &late{}}))
	s.http.WriteTimeout = 50 * time.Millisecond
	run(t, s)
	r, err := http.Post(s.URL()+"/api/v1/commands", "application/json", strings.NewReader(`{"command": "note", "unit": "AU-7", "by": "M. Okoro", "reason": "seen"}`))
	if err != nil {
		t.Fatal(err)
	}
	if text := body(t, r); r.StatusCode != 200 {
		t.Errorf("%d %s", r.StatusCode, text)
	}
}
