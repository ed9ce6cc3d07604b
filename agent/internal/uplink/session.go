package uplink

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"golang.org/x/sync/errgroup"
)

var errNoAck = errors.New("no acknowledgement in time")

// session is one accepted connection, with a client of its own.
type session struct {
	u        *Uplink
	client   mqtt.Client
	conn     *cutConn
	began    time.Time
	nonce    string        // that commands of this session must bring; empty: none are taken
	requests chan incoming // bounded by mostRequests

	losing sync.Once
	lost   chan struct{} // closed when the connection has ended
	why    error         // it has; to be read once lost is closed
}

// lose notes why the connection has ended; only the first reason counts.
func (s *session) lose(err error) {
	s.losing.Do(func() {
		s.why = fmt.Errorf("connection lost: %w", err)
		close(s.lost)
	})
}

// serve lives through one connection, from the attempt to its end.
func (u *Uplink) serve(ctx context.Context) error {
	s, err := u.connect(ctx)
	if err != nil {
		return err
	}
	u.up(s.began)
	err = s.run(ctx)
	if ctx.Err() != nil {
		s.farewell()
	}
	// Disconnect after the farewell, or after a loss, where it only frees
	// the client's goroutines. Closing the connection unblocks any writer.
	s.client.Disconnect(250)
	s.conn.Close()
	return err
}

// run publishes until the connection or ctx ends. Then it waits for
// acknowledgements under way for the linger time, and for a sender that hangs
// in the client until the handover time is over.
func (s *session) run(ctx context.Context) error {
	g, gctx := errgroup.WithContext(ctx)
	patience, release := lingering(gctx, s.u.timing.linger)
	defer release()
	inflight := make(chan sent, window)
	g.Go(func() error {
		select {
		case <-s.lost:
			return s.why
		case <-gctx.Done():
			return nil
		}
	})
	g.Go(func() error {
		if err := s.listen(gctx); err != nil {
			return err
		}
		g.Go(func() error { return s.obey(gctx) })
		g.Go(func() error { return s.tidy(gctx) })
		return s.states(gctx)
	})
	g.Go(func() error {
		defer close(inflight)
		return s.send(gctx, patience, func() bool { return ctx.Err() != nil }, inflight)
	})
	g.Go(func() error { return s.confirm(patience, inflight) })
	err := g.Wait()
	select {
	case <-s.lost: // says more than what failed because of it
		return s.why
	default:
		return err
	}
}

// lingering is a context that ends d after ctx has ended.
func lingering(ctx context.Context, d time.Duration) (context.Context, func()) {
	out, cancel := context.WithCancel(context.WithoutCancel(ctx))
	stop := context.AfterFunc(ctx, func() {
		rest(out, d)
		cancel()
	})
	return out, func() { stop(); cancel() }
}

// handovers is how often a message is offered to a connection that is open
// and takes nothing; a write that is stuck for good ends the connection long
// before.
const handovers = 20

// publish hands one message to the client. The client gives up after the
// handover time, when its connection has gone in the middle or is merely slow:
// in the second case nothing has been sent and the message is offered again.
func (s *session) publish(ctx context.Context, m message) mqtt.Token {
	for i := 1; ; i++ {
		token := s.client.Publish(m.topic, m.qos, m.retained, m.payload)
		select {
		case <-token.Done():
			if token.Error() != nil && i < handovers && ctx.Err() == nil && s.client.IsConnectionOpen() {
				continue
			}
		default:
		}
		return token
	}
}

// await waits until the broker has acknowledged (QoS 1) or the message has
// been written (QoS 0).
func (s *session) await(ctx context.Context, token mqtt.Token) error {
	if err := s.settled(ctx, token); err != nil {
		return err
	}
	s.u.messages.Add(1)
	return nil
}

// settled waits until the broker has answered; errNoAck, where it has not in
// time. The time begins anew while a message is thrown away behind which the
// answer may stand.
func (s *session) settled(ctx context.Context, token mqtt.Token) error {
	timer := time.NewTimer(s.u.timing.ack)
	defer timer.Stop()
	for thrown := s.conn.thrown.Load(); ; {
		select {
		case <-token.Done():
			return token.Error()
		case <-ctx.Done():
			return ctx.Err()
		case <-timer.C:
			now := s.conn.thrown.Load()
			if now == thrown {
				return errNoAck
			}
			thrown = now
			timer.Reset(s.u.timing.ack)
		}
	}
}

// farewell says that the agent leaves of its own will, so that the will of
// the connection, which a clean disconnect suppresses, is not missed.
func (s *session) farewell() {
	ctx, cancel := context.WithTimeout(context.Background(), s.u.timing.linger)
	defer cancel()
	m, err := s.u.cfg.presenceMessage(offlineClean, s.began, time.Now(), "")
	if err == nil && s.client.IsConnectionOpen() {
		err = s.await(ctx, s.publish(ctx, m))
	}
	if err != nil {
		s.u.log.Warn("goodbye did not reach the broker", "err", err)
	}
	s.u.mu.Lock()
	s.u.state.Connected, s.u.state.ConnectedSince = false, time.Time{}
	s.u.mu.Unlock()
}
