package registers

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"sync"
	"time"

	"strokebank/rules"
	"strokebank/sensors/signal"
)

// latest is the present state of all units; what it hands out is not written
// to any more. Changed is closed when a newer one is there.
type latest interface {
	Latest() []*rules.Assessment
	Changed() <-chan struct{}
}

// Bounds of the clients. *Common practice, no source.*
const (
	mostClients  = 16                   // at once
	firstLimit   = 10 * time.Second     // until the first request
	idleLimit    = 2 * time.Minute      // between two requests
	frameLimit   = 5 * time.Second      // from the first byte of a request to its last, and to send an answer
	breath       = 5 * time.Millisecond // from an answer to the next request, so that no client takes the gateway's core
	mostCulprits = 256                  // clients that are remembered as logged
)

// Config is what a Server serves and where.
type Config struct {
	Address    string        // host:port
	Maps       []*Map        // of the units, each with a device of its own
	StaleAfter time.Duration // data older than this read as unknown
	Log        *slog.Logger  // nil: discarded
}

// Server answers function codes 1 to 4 of Modbus TCP from the latest
// assessments. A single unit also answers as devices 0 and 255, which clients
// use that mean the server itself.
type Server struct {
	Config
	units    latest
	listener net.Listener
	clients  clients
	counts   counts

	mu       sync.Mutex
	seen     map[string]arrival // by unit
	culprits map[netip.Addr]bool
}

// arrival is an assessment and when it came, for its age by the monotonic
// clock.
type arrival struct {
	a    *rules.Assessment
	at   time.Time
	late time.Duration // how old it was then
}

// Listen opens the socket, so that a taken address is known at the start;
// nothing is answered before Run.
func Listen(c Config, units latest) (*Server, error) {
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	devices := map[uint8]string{}
	for _, m := range c.Maps {
		if other, taken := devices[m.Device]; taken {
			return nil, fmt.Errorf("modbus server: %s and %s are both device %d", other, m.Unit, m.Device)
		}
		devices[m.Device] = m.Unit
	}
	listener, err := net.Listen("tcp", c.Address)
	if err != nil {
		return nil, fmt.Errorf("modbus server: %w", err)
	}
	return &Server{Config: c, units: units, listener: listener,
		seen: map[string]arrival{}, culprits: map[netip.Addr]bool{}}, nil
}

// Addr is where the server listens.
func (s *Server) Addr() net.Addr { return s.listener.Addr() }

// Close closes the socket of a server that was never run.
func (s *Server) Close() error { return s.listener.Close() }

// Run serves until ctx ends, then closes every connection and returns nil once
// all its goroutines have ended.
func (s *Server) Run(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	var all sync.WaitGroup
	defer all.Wait()
	defer cancel()
	defer context.AfterFunc(ctx, func() { s.listener.Close() })()
	s.note(s.units.Latest(), time.Now()) // before the first client asks
	all.Go(func() { s.follow(ctx) })
	s.Log.Info("registers are served over Modbus TCP, to whoever reaches the address", "address", s.Addr().String())
	for {
		conn, err := s.listener.Accept()
		if ctx.Err() != nil {
			return nil
		}
		if err != nil {
			// Out of descriptors, or the client has gone again: the next may
			// do, and the watch over the units goes on in any case.
			if errors.Is(err, net.ErrClosed) {
				return fmt.Errorf("modbus server at %s: %w", s.Addr(), err)
			}
			wait(ctx, time.Second)
			continue
		}
		c := &client{Conn: conn, from: network(conn.RemoteAddr()), heard: time.Now()}
		out := s.clients.admit(c)
		if out != nil {
			s.counts.full.Add(1)
			out.Close()
		}
		if out != c {
			all.Go(func() {
				s.serve(ctx, c)
				s.clients.leave(c)
			})
		}
	}
}

func wait(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}

// follow notes when assessments come.
func (s *Server) follow(ctx context.Context) {
	for {
		changed := s.units.Changed()
		s.note(s.units.Latest(), time.Now())
		select {
		case <-ctx.Done():
			return
		case <-changed:
		}
	}
}

func (s *Server) note(units []*rules.Assessment, now time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, a := range units {
		if s.seen[a.Unit].a == a {
			continue
		}
		late := time.Duration(0)
		if a.ClockTrusted { // it may have waited for the disk
			late = max(now.Sub(a.Time), 0)
		}
		s.seen[a.Unit] = arrival{a, now, late}
	}
}

// view is what a device shows at a moment; nil where there is no such device.
func (s *Server) view(device uint8, now time.Time) *view {
	for _, m := range s.Maps {
		if m.Device != device && (len(s.Maps) > 1 || device != 0 && device != 255) {
			continue
		}
		v := &view{m: m, age: signal.Unknown()}
		s.mu.Lock()
		last := s.seen[m.Unit]
		s.mu.Unlock()
		if last.a == nil {
			return v
		}
		age := max(now.Sub(last.at), 0) + last.late
		v.a, v.age, v.fresh = last.a, signal.Number(age.Seconds()), age <= s.StaleAfter
		return v
	}
	return nil
}

// serve answers one client until it leaves, is too slow, sends what is no
// Modbus, or ctx ends.
func (s *Server) serve(ctx context.Context, conn net.Conn) {
	defer conn.Close()
	defer context.AfterFunc(ctx, func() { conn.Close() })()
	s.counts.clients.Add(1)
	defer s.counts.clients.Add(-1)
	var in, out [mostFrame]byte
	within := func(d time.Duration) { _ = conn.SetDeadline(time.Now().Add(d)) } // fails on a closed one, as the next read does
	for patience := firstLimit; ; patience = idleLimit {
		within(patience)
		begun := false
		device, request, err := readFrame(conn, in[:], func() { begun = true; within(frameLimit) })
		if err != nil {
			if ctx.Err() == nil && (begun || errors.Is(err, errFrame)) {
				s.counts.broken.Add(1)
			}
			return
		}
		frame, code := answer(append(out[:0], in[:headerSize]...), request, func() *view { return s.view(device, time.Now()) })
		binary.BigEndian.PutUint16(frame[4:], uint16(len(frame)-headerSize+1))
		s.counts.answer(request[0], code)
		if code == illegalFunction {
			s.accuse(conn.RemoteAddr(), request[0])
		}
		within(frameLimit)
		if _, err := conn.Write(frame); err != nil {
			return
		}
		wait(ctx, breath)
	}
}

// accuse logs the first request of a client for what is not served.
func (s *Server) accuse(client net.Addr, function byte) {
	from, err := netip.ParseAddrPort(client.String())
	if err != nil {
		return
	}
	ip := from.Addr()
	s.mu.Lock()
	logged := s.culprits[ip] || len(s.culprits) >= mostCulprits
	if !logged {
		s.culprits[ip] = true
	}
	s.mu.Unlock()
	if !logged {
		s.Log.Warn("a Modbus client asked for what is not served: registers can only be read; further requests of it are counted and not logged",
			"client", ip.String(), "function", function, "writes", isWrite(function))
	}
}
