package uplink

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"errors"
	"net"
	"time"
)

// Stage is how far a probe came.
type Stage string

// The stages, in their order.
const (
	NotReady   Stage = "settings" // what is configured cannot be used: a file is missing
	NotReached Stage = "connect"
	NotSecured Stage = "tls"
	NotLetIn   Stage = "log-in"
	NotHeard   Stage = "publish"
	Through    Stage = "" // the broker took the message
)

// Probed is what a probe saw.
type Probed struct {
	Stage       Stage // at which it ended
	Err         error // why; nil for Through
	Address     string
	Secure      bool
	Certificate *x509.Certificate // that the broker showed; nil for none
	// CannotTell: the broker speaks MQTT 3.1.1 alone, in which it acknowledges
	// what its access list forbids.
	CannotTell bool
}

var (
	// ErrForbidden says that the broker's access list does not let the agent
	// publish.
	ErrForbidden = errors.New("the broker forbids it")
	errVersion   = errors.New("the broker does not speak this version of MQTT")
)

// ProbeTopic is where a probe publishes, and nobody else.
func ProbeTopic(site, agent string) string { return topic(site, agent, "inspect") }

// Probe goes to the broker as the agent would, under a client identifier of
// its own so that a running agent keeps its connection, logs in, publishes one
// small message that is not retained, and leaves. It speaks MQTT 5 where the
// broker does, because only there the broker says what its access list forbids
// (MQTT 5, section 3.4.2.1; 3.1.1, section 3.3.5 has no such word).
func Probe(ctx context.Context, cfg Config) Probed {
	addr, err := cfg.check()
	p := Probed{Stage: NotReady, Err: err, Address: addr.String(), Secure: addr.secure}
	if err != nil {
		return p
	}
	p.try(ctx, &cfg, addr, 5)
	if errors.Is(p.Err, errVersion) {
		p.CannotTell = true
		p.try(ctx, &cfg, addr, 4)
	}
	return p
}

// try makes one connection of one protocol level.
func (p *Probed) try(ctx context.Context, cfg *Config, addr address, level byte) {
	const patience = 10 * time.Second
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	fail := func(s Stage, err error) { p.Stage, p.Err = s, err }
	var d net.Dialer
	conn, err := d.DialContext(ctx, "tcp", addr.String())
	if err != nil {
		fail(NotReached, err)
		return
	}
	defer func() { conn.Close() }()
	defer context.AfterFunc(ctx, func() { conn.SetDeadline(time.Unix(1, 0)) })()
	if addr.secure {
		secure, err := p.secure(ctx, conn, cfg, addr)
		if err != nil {
			fail(NotSecured, err)
			return
		}
		conn = secure
	}
	password, err := cfg.password()
	if err != nil {
		fail(NotReady, err)
		return
	}
	talk := talk{conn: conn, level: level}
	if err := talk.logIn(cfg.User, password); err != nil {
		fail(NotLetIn, err)
		return
	}
	text, err := json.Marshal(map[string]any{"schema": 1, "time": time.Now().UTC().Truncate(time.Second), "version": cfg.Version})
	if err == nil {
		err = talk.publish(ProbeTopic(cfg.Site, cfg.Agent), text)
	}
	if err != nil {
		fail(NotHeard, err)
		return
	}
	_, _ = conn.Write([]byte{disconnectPacket, 0}) // a courtesy
	fail(Through, nil)
}

func (p *Probed) secure(ctx context.Context, conn net.Conn, cfg *Config, addr address) (net.Conn, error) {
	settings, err := cfg.tlsConfig(addr)
	if err != nil {
		return nil, err
	}
	secure := tls.Client(conn, settings)
	err = secure.HandshakeContext(ctx)
	var refused *tls.CertificateVerificationError
	if errors.As(err, &refused) && len(refused.UnverifiedCertificates) > 0 {
		p.Certificate = refused.UnverifiedCertificates[0]
	}
	if err != nil {
		return nil, err
	}
	p.Certificate = secure.ConnectionState().PeerCertificates[0]
	return secure, nil
}
