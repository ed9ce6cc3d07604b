package dashboard

import (
	"errors"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"
)

func TestListenStaysOnThisMachine(t *testing.T) {
	cases := []struct {
		name, address string
		proxy, ok     bool
	}{
		{"loopback", "127.0.0.1:0", false, true},
		{"another loopback address", "127.8.0.1:0", false, true},
		{"every address", "0.0.0.0:0", false, false},
		{"every address by omission", ":0", false, false},
		{"every IPv6 address", "[::]:0", false, false},
		{"a name", "gateway.invalid:0", false, false},
		{"every address behind a proxy", "0.0.0.0:0", true, true},
		{"no port", "127.0.0.1", false, false},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			s, err := Listen(Listening{Address: c.address, BehindProxy: c.proxy}, http.NotFoundHandler())
			if (err == nil) != c.ok {
				t.Fatalf("error %v", err)
			}
			if s != nil {
				_ = s.listener.Close()
			}
			if err != nil && strings.Contains(c.name, "every") && !errors.Is(err, ErrExposed) {
				t.Errorf("%v is not ErrExposed", err)
			}
		})
	}
}

func TestTakenPort(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = ln.Close() }()
	if _, err := Listen(Listening{Address: ln.Addr().String()}, nil); err == nil || !strings.Contains(err.Error(), ln.Addr().String()) {
		t.Errorf("a taken port gave %v", err)
	}
}

// A page elsewhere may point its own name at 127.0.0.1; its Host gives it away.
func TestForeignHost(t *testing.T) {
	h := direct(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusNoContent) }), true)
	cases := []struct {
		host   string
		status int
	}{
		{"127.0.0.1:8480", 204}, {"localhost:8480", 204}, {"LOCALHOST", 204}, {"localhost.", 204}, {"[::1]:8480", 204}, {"[::1]", 204},
		{"127.0.0.1", 204}, {"rebound.invalid:8480", 421}, {"localhost.rebound.invalid", 421}, {"", 421}, {"192.0.2.7:8480", 421},
	}
	for _, c := range cases {
		t.Run(c.host, func(t *testing.T) {
			r := httptest.NewRequest("GET", "/", nil)
			r.Host = c.host
			w := httptest.NewRecorder()
			h.ServeHTTP(w, r)
			if w.Code != c.status {
				t.Errorf("%d, want %d", w.Code, c.status)
			}
		})
	}
}

// An open stream must not hold up the end of the program.
func TestShutdownEndsStreams(t *testing.T) {
	h := newHandler(Options{Units: newBoard(stored(noon)), Events: &book{}})
	s := listening(t, h.routes())
	s.grace = time.Hour
	stop, done := run(t, s)
	_, in := open(t, s)
	stop()
	select {
	case err := <-done:
		if err != nil {
			t.Errorf("ended with %v", err)
		}
	case <-time.After(30 * time.Second):
		t.Fatal("the server still waits for its streams")
	}
	_, _ = io.Copy(io.Discard, in) // returns only once the connection has ended
	if len(h.streams) != 0 {
		t.Errorf("%d streams left open", len(h.streams))
	}
}

// The server's limits for one request must not end a stream that lives longer.
func TestStreamOutlivesTimeouts(t *testing.T) {
	h := newHandler(Options{Units: newBoard(stored(noon)), Events: &book{}})
	h.beat = 100 * time.Millisecond
	s := listening(t, h.routes())
	s.http.ReadTimeout, s.http.WriteTimeout = time.Second, time.Second
	run(t, s)
	_, in := open(t, s)
	for beats := 0; beats < 20; {
		line, err := in.ReadString('\n')
		if err != nil {
			t.Fatalf("after %d beats: %v", beats, err)
		}
		if strings.HasPrefix(line, "event: beat") {
			beats++
		}
	}
}
