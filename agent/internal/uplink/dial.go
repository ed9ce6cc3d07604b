package uplink

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/url"
	"sync/atomic"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
)

// boundedConn gives every write its own deadline, and closes after a write
// that failed. The client library bounds only publications: a ping into a full
// buffer would wait for ever and with it the notice that the broker has
// stalled. And it may write again after half a packet, whose missing half the
// broker would then take from the next one.
type boundedConn struct {
	net.Conn
	write  time.Duration
	failed func(error) // told of a failed write: the client overlooks a connection closed on its own side
}

func (c *boundedConn) Write(b []byte) (int, error) {
	if err := c.SetWriteDeadline(time.Now().Add(c.write)); err != nil {
		return 0, err
	}
	n, err := c.Conn.Write(b)
	if err != nil {
		c.Close()
		c.failed(err)
	}
	return n, err
}

// dial opens the connection, with TLS where the address asks for it. Proxies
// named in the environment are not used: the way to the broker is configured.
func (u *Uplink) dial(ctx context.Context, failed func(error)) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, u.timing.connect)
	defer cancel()
	var d net.Dialer
	conn, err := d.DialContext(ctx, "tcp", u.addr.String())
	if err != nil {
		return nil, err
	}
	conn = &boundedConn{conn, u.timing.write, failed}
	if !u.addr.secure {
		return conn, nil
	}
	cfg, err := u.cfg.tlsConfig(u.addr)
	if err != nil {
		conn.Close()
		return nil, err
	}
	secure := tls.Client(conn, cfg)
	if err := secure.HandshakeContext(ctx); err != nil {
		conn.Close()
		return nil, fmt.Errorf("tls: %w", err)
	}
	return secure, nil
}

// noStore keeps nothing: the client asks for what it has kept only when it
// takes up an old session. A store in memory would grow by every message that
// a broker sends with a QoS or to a topic that was not asked for.
type noStore struct{}

func (noStore) Open()                             {}
func (noStore) Put(string, packets.ControlPacket) {}
func (noStore) Get(string) packets.ControlPacket  { return nil }
func (noStore) All() []string                     { return nil }
func (noStore) Del(string)                        {}
func (noStore) Close()                            {}
func (noStore) Reset()                            {}

// options are the client's for one connection. Its own reconnecting and its
// session stay off: with either of them a token may report success for a
// message that the broker never acknowledged.
func (u *Uplink) options(password string, will message, lost func(error)) *mqtt.ClientOptions {
	o := mqtt.NewClientOptions()
	o.AddBroker("tcp://" + u.addr.String()) // only looked at by the dialling function
	o.SetClientID(root + "-" + u.cfg.Installation)
	o.SetUsername(u.cfg.User)
	o.SetPassword(password)
	o.SetAutoReconnect(false)
	o.SetConnectRetry(false)
	o.SetCleanSession(true)
	o.SetStore(noStore{})
	o.SetProtocolVersion(4)
	o.SetOrderMatters(true) // commands in their order; no handler here waits
	o.SetConnectTimeout(u.timing.connect)
	o.SetWriteTimeout(u.timing.handover)
	o.SetKeepAlive(u.cfg.KeepAlive)
	o.SetPingTimeout(u.timing.ping)
	o.SetBinaryWill(will.topic, will.payload, will.qos, will.retained)
	o.SetConnectionLostHandler(func(_ mqtt.Client, err error) { lost(err) })
	return o
}

// prepare reads the secrets anew and makes the client's options of s.
func (u *Uplink) prepare(s *session) (*mqtt.ClientOptions, error) {
	will, err := u.cfg.presenceMessage(offlineUnclean, s.began, s.began, "")
	if err != nil {
		return nil, err
	}
	password, err := u.cfg.password()
	if err != nil {
		return nil, err
	}
	if u.cfg.AcceptAnyServerCertificate {
		u.log.Warn("the broker's certificate is not checked, as configured", "broker", u.addr.String())
	}
	return u.options(password, will, s.lose), nil
}

// connect makes one attempt. The connection is closed when ctx ends before
// the broker has accepted.
func (u *Uplink) connect(ctx context.Context) (*session, error) {
	s := &session{u: u, began: time.Now(), lost: make(chan struct{}), requests: make(chan incoming, mostRequests)}
	o, err := u.prepare(s)
	if err != nil {
		return nil, err
	}
	var open atomic.Pointer[cutConn]
	o.SetCustomOpenConnectionFn(func(*url.URL, mqtt.ClientOptions) (net.Conn, error) {
		conn, err := u.dial(ctx, s.lose)
		if err != nil {
			return nil, err
		}
		cut := &cutConn{Conn: conn, most: longestMessage, failed: s.lose}
		open.Store(cut)
		return cut, nil
	})
	stop := context.AfterFunc(ctx, func() {
		if conn := open.Load(); conn != nil {
			conn.Close()
		}
	})
	s.client = mqtt.NewClient(o)
	token := s.client.Connect()
	<-token.Done() // bounded by the dialling and the client's own connect timeout
	ended := !stop()
	if err := token.Error(); err != nil {
		if u.addr.secure && open.Load() != nil && errors.Is(err, packets.ErrorNetworkError) && !errors.Is(err, errForeign) {
			err = fmt.Errorf("closed after the TLS handshake, as TLS 1.3 does for a refused client certificate: %w", err)
		}
		return nil, err
	}
	if ended { // the connection is already closed
		s.client.Disconnect(0)
		return nil, ctx.Err()
	}
	s.conn = open.Load()
	return s, nil
}
