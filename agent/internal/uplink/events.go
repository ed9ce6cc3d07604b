package uplink

import (
	"context"
	"errors"
	"fmt"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"strokebank/rules"
)

const (
	// window bounds the events that wait for their acknowledgement: what a
	// cut connection makes arrive twice. One more is in the sender's hand and
	// one in the confirmer's. When it is full the sender waits.
	window = 100
	// batch is how many events are read from the outbox at a time.
	batch = 250
)

// errRenumbered ends a connection: the history could not be read and now can,
// so the numbers that this connection went by are no longer there.
var errRenumbered = errors.New("the history is readable again: its true numbers hold from now on")

// sent is an event that has been handed to the client.
type sent struct {
	seq   uint64
	token mqtt.Token
}

// send publishes the events after the last acknowledged one, in order: a
// client sends its messages in the order of Publish (MQTT 3.1.1, 4.6.0).
//
// When ctx has ended because the agent stops, what is there by then still goes,
// as long as patience lasts: the last event is that of the stop itself.
func (s *session) send(ctx, patience context.Context, stops func() bool, inflight chan<- sent) error {
	after := s.u.acked.Load()
	broken := false
	for ctx.Err() == nil || stops() && patience.Err() == nil && s.u.outbox.Newest() > after {
		entries, err := s.next(ctx, patience, after)
		if err != nil {
			if ctx.Err() != nil && !errors.Is(err, context.Canceled) {
				return nil // a store in trouble is not asked again at the stop
			}
			// The store's trouble is no reason to leave the broker: live
			// values and states go on meanwhile.
			if !broken && ctx.Err() == nil {
				s.u.log.Error("events cannot be read", "after", after, "err", err)
				broken = true
			}
			rest(ctx, s.u.timing.store)
			continue
		}
		broken = false
		if len(entries) == 0 && s.u.outbox.Newest() < after {
			return errRenumbered
		}
		for _, e := range entries {
			s.u.missed(after, e.Seq)
			after = e.Seq
			if err := s.sendOne(patience, e, inflight); err != nil {
				return err
			}
		}
	}
	return nil
}

// next waits for events after a number and reads a batch of them.
func (s *session) next(ctx, patience context.Context, after uint64) ([]rules.Entry, error) {
	if err := s.u.outbox.Wait(ctx, after); err != nil {
		return nil, err
	}
	return s.u.outbox.Entries(patience, after, batch)
}

func (s *session) sendOne(ctx context.Context, e rules.Entry, inflight chan<- sent) error {
	m, err := s.u.cfg.eventMessage(e)
	if err != nil {
		return fmt.Errorf("event %d: %w", e.Seq, err)
	}
	if ctx.Err() != nil {
		return nil
	}
	token := s.publish(ctx, m)
	select {
	case inflight <- sent{e.Seq, token}:
	case <-ctx.Done():
	}
	return nil
}

// missed counts events that retention has taken before they were sent.
func (u *Uplink) missed(after, found uint64) {
	if gone := found - after - 1; gone > 0 {
		u.expired.Add(gone)
		u.log.Warn("events expired before they could be sent", "after", after, "next", found)
	}
}

// confirm follows the acknowledgements in order, so that the cursor never
// passes an event that the broker does not have.
func (s *session) confirm(ctx context.Context, inflight <-chan sent) error {
	tick := time.NewTicker(s.u.timing.cursor)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
			s.u.saveCursor()
		case p, more := <-inflight:
			if !more {
				return nil
			}
			if err := s.await(ctx, p.token); err != nil {
				return fmt.Errorf("event %d: %w", p.seq, err)
			}
			s.u.acked.Store(p.seq)
			s.u.events.Add(1)
		}
	}
}
