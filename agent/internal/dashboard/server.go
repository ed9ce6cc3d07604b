package dashboard

import (
	"context"
	"crypto/tls"
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
	// CertFile and KeyFile are the PEM files of TLS; empty: none. They are
	// read anew when they change.
	CertFile, KeyFile string
	// LogIn says that the handler lets only those see who log in. With TLS
	// it allows an address beyond loopback.
	LogIn bool
	// BehindProxy says that a proxy in front demands TLS and a login. It
	// allows an address beyond loopback and any Host header.
	BehindProxy bool
	Log         *slog.Logger // nil: discarded
}

// Server serves one handler on one socket.
type Server struct {
	listener net.Listener
	door     *door // the same
	http     *http.Server
	log      *slog.Logger
	secure   bool          // over TLS; the library fills its own TLSConfig in any case
	grace    time.Duration // for requests under way when Run ends
}

// Bounds of a connection. *Common practice, no source.*
const (
	headerTimeout = 5 * time.Second
	readTimeout   = 10 * time.Second
	// writeTimeout is from a request's header to the end of its answer: the
	// search in the history and a slow line are in it. What may rightly last
	// longer, a stream and a command, sets a deadline of its own.
	writeTimeout    = time.Minute
	idleTimeout     = 2 * time.Minute
	maxHeader       = 16 << 10
	shutdownTimeout = 3 * time.Second
)

// Listen opens the socket, so that a taken or refused address is known at the
// start, and so is a wrong certificate; nothing is answered before Run. An
// address that is not loopback gives ErrExposed, unless there are TLS and a
// log-in, or a proxy stands in front.
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
	local, ofOne := loopback(host), mostOfOne
	if local || l.BehindProxy { // all come from one address
		ofOne = mostConnected
	}
	switch {
	case l.BehindProxy:
	case !local && (l.CertFile == "" || !l.LogIn):
		return nil, fmt.Errorf("page address %q: %w: listen on 127.0.0.1, or give a certificate and a secret for seeing, or put a proxy with both in front and say so", l.Address, ErrExposed)
	default:
		h = direct(h, local)
	}
	var secret *tls.Config
	if l.CertFile != "" {
		c, err := newCertificate(l.CertFile, l.KeyFile, l.Log)
		if err != nil {
			return nil, err
		}
		secret = c.config()
	}
	ln, err := net.Listen("tcp", l.Address)
	if err != nil {
		return nil, fmt.Errorf("page: %w", err)
	}
	// What the handed out programs are built without, no program speaks.
	protocols := new(http.Protocols)
	protocols.SetHTTP1(true)
	d := newDoor(ln.(*net.TCPListener), mostConnected, ofOne, l.Log)
	return &Server{listener: d, door: d, log: l.Log, secure: secret != nil, grace: shutdownTimeout, http: &http.Server{
		Handler: h, ReadHeaderTimeout: headerTimeout, ReadTimeout: readTimeout, WriteTimeout: writeTimeout,
		IdleTimeout: idleTimeout, MaxHeaderBytes: maxHeader, TLSConfig: secret, Protocols: protocols,
		ErrorLog:  slog.NewLogLogger(l.Log.Handler(), slog.LevelDebug),
		ConnState: d.note, ConnContext: enters,
	}}, nil
}

// Addr is where the server listens.
func (s *Server) Addr() net.Addr { return s.listener.Addr() }

// URL is where the page is found.
func (s *Server) URL() string {
	if s.secure {
		return "https://" + s.Addr().String()
	}
	return "http://" + s.Addr().String()
}

// Run serves until ctx ends, then ends the streams, lets short requests
// finish for at most three seconds, and returns nil.
func (s *Server) Run(ctx context.Context) error {
	s.http.BaseContext = func(net.Listener) context.Context { return ctx }
	done := make(chan error, 1)
	go func() {
		if s.secure {
			done <- s.http.ServeTLS(s.listener, "", "")
		} else {
			done <- s.http.Serve(s.listener)
		}
	}()
	s.log.Info("page is served", "address", s.URL())
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

// direct is for a server that no proxy stands in front of. A request that one
// has passed on is refused: everybody that it lets in would come from its own
// address. Where the server is for this machine only, so is a request that
// does not name it: a foreign page had its own name pointed at 127.0.0.1.
func direct(next http.Handler, local bool) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		for _, name := range []string{"Forwarded", "X-Forwarded-For", "X-Forwarded-Host", "X-Real-Ip", "Via"} {
			if r.Header.Get(name) != "" {
				stray(w, "a proxy has passed this request on ("+name+"), and http.behind_proxy is not set")
				return
			}
		}
		host, _, err := net.SplitHostPort(r.Host)
		if err != nil {
			host = strings.Trim(r.Host, "[]")
		}
		if local && !loopback(host) {
			stray(w, "this server answers to its own machine only")
			return
		}
		next.ServeHTTP(w, r)
	})
}

// stray answers who asks the wrong server.
func stray(w http.ResponseWriter, why string) {
	narrow(w.Header())
	refuse(w, http.StatusMisdirectedRequest, why)
}
