package dashboard

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"strings"
	"time"
)

// DefaultAddress is where the page is found unless told otherwise.
const DefaultAddress = "127.0.0.1:8480"

// ErrExposed says that an address is refused because others than this
// machine could reach it.
var ErrExposed = errors.New("not a loopback address")

// Listening is where and how a Server listens.
type Listening struct {
	Address string // host:port; empty: DefaultAddress
	// BehindProxy says that a proxy in front demands TLS and a login. It
	// allows an address beyond loopback and any Host header.
	BehindProxy bool
	Log         *slog.Logger // nil: discarded
}

// Server serves one handler on one socket.
type Server struct {
	listener net.Listener
	http     *http.Server
	log      *slog.Logger
	grace    time.Duration // for requests under way when Run ends
}

// Bounds of a connection. Writing has none here, since streams live long;
// they set their own. *Common practice, no source.*
const (
	headerTimeout   = 5 * time.Second
	readTimeout     = 10 * time.Second
	idleTimeout     = 2 * time.Minute
	maxHeader       = 16 << 10
	shutdownTimeout = 3 * time.Second
	sendBuffer      = 64 << 10 // bytes that the system holds for a reader
)

// Listen opens the socket, so that a taken or refused address is known at the
// start; nothing is answered before Run. An address that is not loopback
// gives ErrExposed unless a proxy stands in front.
func Listen(l Listening, h http.Handler) (*Server, error) {
	if l.Address == "" {
		l.Address = DefaultAddress
	}
	if l.Log == nil {
		l.Log = slog.New(slog.DiscardHandler)
	}
	host, _, err := net.SplitHostPort(l.Address)
	if err != nil {
		return nil, fmt.Errorf("page address %q: %w", l.Address, err)
	}
	if !l.BehindProxy {
		if !loopback(host) {
			return nil, fmt.Errorf("page address %q: %w: listen on 127.0.0.1, or put a proxy with TLS and a login in front and say so", l.Address, ErrExposed)
		}
		h = localOnly(h)
	}
	ln, err := net.Listen("tcp", l.Address)
	if err != nil {
		return nil, fmt.Errorf("page: %w", err)
	}
	return &Server{listener: ln, log: l.Log, grace: shutdownTimeout, http: &http.Server{
		Handler: h, ReadHeaderTimeout: headerTimeout, ReadTimeout: readTimeout,
		IdleTimeout: idleTimeout, MaxHeaderBytes: maxHeader,
		ErrorLog: slog.NewLogLogger(l.Log.Handler(), slog.LevelDebug),
		ConnContext: func(ctx context.Context, c net.Conn) context.Context {
			// A reader that stops reading must be noticed after kilobytes,
			// not after the megabytes to which the system's buffer grows.
			if t, ok := c.(*net.TCPConn); ok {
				_ = t.SetWriteBuffer(sendBuffer)
			}
			return ctx
		},
	}}, nil
}

// Addr is where the server listens.
func (s *Server) Addr() net.Addr { return s.listener.Addr() }

// Run serves until ctx ends, then ends the streams, lets short requests
// finish for at most three seconds, and returns nil.
func (s *Server) Run(ctx context.Context) error {
	s.http.BaseContext = func(net.Listener) context.Context { return ctx }
	done := make(chan error, 1)
	go func() { done <- s.http.Serve(s.listener) }()
	s.log.Info("page is served", "address", s.Addr().String())
	select {
	case err := <-done:
		return fmt.Errorf("page at %s: %w", s.Addr(), err)
	case <-ctx.Done():
	}
	bounded, cancel := context.WithTimeout(context.WithoutCancel(ctx), s.grace)
	defer cancel()
	if err := s.http.Shutdown(bounded); err != nil {
		_ = s.http.Close()
	}
	<-done
	return nil
}

// loopback reports whether host can be reached from this machine only.
func loopback(host string) bool {
	host = strings.TrimSuffix(strings.ToLower(host), ".")
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && ip.Unmap().IsLoopback()
}

// localOnly answers requests that name this machine itself. A foreign page
// that had its own name pointed at 127.0.0.1 is refused.
func localOnly(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		host, _, err := net.SplitHostPort(r.Host)
		if err != nil {
			host = strings.Trim(r.Host, "[]")
		}
		if !loopback(host) {
			refuse(w, http.StatusMisdirectedRequest, "this server answers to its own machine only")
			return
		}
		next.ServeHTTP(w, r)
	})
}
