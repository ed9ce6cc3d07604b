package dashboard

import (
	"context"
	"crypto/tls"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"sync"
	"time"
)

// Bounds of who is connected. What the page may take of descriptors and
// memory is a small part of what the agent has, so that a stranger at the page
// takes none from devices, history and broker. *Common practice, no source.*
const (
	mostConnected = 256
	mostOfOne     = 128 // of one address: twenty open pages with six each, and a few
	toldEvery     = time.Minute
	sendBuffer    = 16 << 10         // bytes that the system holds for a reader
	unread        = 30 * time.Second // that a reader may take nothing of them
)

// door lets so many connections in. One too many takes the place of one that
// idles, else of one that has not been let in to see anything, else of one of
// the address that has most; else it is closed at once. It is a net.Listener.
type door struct {
	*net.TCPListener
	most, ofOne int // at once, and of one address
	unread      time.Duration
	log         *slog.Logger

	told   time.Time // when it was last logged that somebody was turned out; Accept's own, as the next
	untold int

	mu     sync.Mutex
	in     map[*guest]bool
	held   map[netip.Addr]int // how many of each address
	turned int64              // out, since the start
}

// guest is one connection.
type guest struct {
	*net.TCPConn
	door  *door
	from  netip.Addr
	sees  bool      // a request of it was let in
	idle  bool      // between two requests
	since time.Time // it idles, or does not
}

func newDoor(l *net.TCPListener, most, ofOne int, log *slog.Logger) *door {
	return &door{TCPListener: l, most: most, ofOne: ofOne, unread: unread, log: log, in: map[*guest]bool{}, held: map[netip.Addr]int{}}
}

// Accept implements net.Listener; one goroutine at a time may call it.
func (d *door) Accept() (net.Conn, error) {
	for {
		c, err := d.AcceptTCP()
		if err != nil {
			return nil, err
		}
		// A reader that stops reading must be noticed after kilobytes, not
		// after the megabytes to which the system's buffer grows.
		_ = c.SetWriteBuffer(sendBuffer)
		_ = forget(c, d.unread)
		g := &guest{TCPConn: c, door: d, from: caller(c), since: time.Now()}
		out, cut := d.admit(g)
		if out != nil {
			out.TCPConn.Close() // and not over TLS, which would wait for its reader
		}
		if cut {
			d.tell(out)
		}
		if out != g {
			return g, nil
		}
	}
}

// caller is who is counted as one: a network, or nobody where it is gone.
func caller(c net.Conn) netip.Addr {
	at, err := netip.ParseAddrPort(c.RemoteAddr().String())
	if err != nil {
		return netip.Addr{}
	}
	return network(at.Addr())
}

// admit gives who has to go for a new one, which may be itself; nil: nobody.
// cut says that this was not one that idled.
func (d *door) admit(g *guest) (out *guest, cut bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	full := len(d.in) >= d.most
	switch {
	case d.held[g.from] >= d.ofOne:
		out = d.longest(func(o *guest) bool { return o.idle && o.from == g.from })
	case full:
		if out = d.longest(func(o *guest) bool { return o.idle }); out == nil {
			out, cut = d.longest(func(o *guest) bool { return !o.sees }), true
		}
	default:
		d.enter(g)
		return nil, false
	}
	if greedy := d.greediest(); out == nil && full && d.held[greedy] > d.held[g.from]+1 {
		out, cut = d.longest(func(o *guest) bool { return o.from == greedy }), true
	}
	if out == nil {
		out, cut = g, true
	} else {
		d.leave(out)
		d.enter(g)
	}
	if cut {
		d.turned++
	}
	return out, cut
}

func (d *door) enter(g *guest) {
	d.in[g] = true
	d.held[g.from]++
}

func (d *door) leave(g *guest) {
	if !d.in[g] {
		return
	}
	delete(d.in, g)
	if d.held[g.from]--; d.held[g.from] == 0 {
		delete(d.held, g.from)
	}
}

// longest is the one that has been so for longest.
func (d *door) longest(of func(*guest) bool) (first *guest) {
	for g := range d.in {
		if of(g) && (first == nil || g.since.Before(first.since)) {
			first = g
		}
	}
	return first
}

// greediest is the address that has most.
func (d *door) greediest() (greedy netip.Addr) {
	for from, n := range d.held {
		if n > d.held[greedy] {
			greedy = from
		}
	}
	return greedy
}

// tell logs that somebody was turned out, once in a time.
func (d *door) tell(out *guest) {
	d.untold++
	if time.Since(d.told) < toldEvery {
		return
	}
	d.log.Warn("too many connections to the page: some were closed", "last_of", out.from.String(), "closed", d.untold)
	d.told, d.untold = time.Now(), 0
}

// note hears from the server what becomes of a connection.
func (d *door) note(c net.Conn, now http.ConnState) {
	if s, ok := c.(*tls.Conn); ok {
		c = s.NetConn()
	}
	if g, ok := c.(*guest); ok {
		d.mu.Lock()
		defer d.mu.Unlock()
		g.idle, g.since = now == http.StateIdle, time.Now()
	}
}

// guestOf is the key under which a request's context has its connection.
type guestOf struct{}

// enters puts a connection into the context of its requests.
func enters(ctx context.Context, c net.Conn) context.Context {
	if s, ok := c.(*tls.Conn); ok {
		c = s.NetConn()
	}
	return context.WithValue(ctx, guestOf{}, c)
}

// letIn notes that a request was let in: its connection stays before others.
func letIn(ctx context.Context) {
	if g, ok := ctx.Value(guestOf{}).(*guest); ok {
		g.door.mu.Lock()
		g.sees = true
		g.door.mu.Unlock()
	}
}

// Close implements net.Conn.
func (g *guest) Close() error {
	g.door.mu.Lock()
	g.door.leave(g)
	g.door.mu.Unlock()
	return g.TCPConn.Close()
}

// Stats is how the server is used.
type Stats struct {
	Connections int   // now
	TurnedOut   int64 // connections that were closed because too many were there, since the start
}

// Stats is safe for concurrent use.
func (s *Server) Stats() Stats {
	s.door.mu.Lock()
	defer s.door.mu.Unlock()
	return Stats{len(s.door.in), s.door.turned}
}
