package uplink

import (
	"context"
	"errors"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"strokebank/rules"
)

// mostLeftovers bounds the retained messages of one unit that wait to be looked
// at; what is over it is found at the next connection. Common practice, no
// source.
const mostLeftovers = 1000

// longestLogged is how many bytes of a topic stand in the log: who may publish
// there chooses them.
const longestLogged = 200

// tidy clears the retained states of alarms that the configuration no longer
// has, once in each session: the broker itself knows what it keeps, so nothing
// need be remembered over a restart. A broker that does not let the agent read
// its own topics is no reason to end the session.
func (s *session) tidy(ctx context.Context) error {
	for _, unit := range s.u.cfg.Units {
		a := s.assessed(ctx, unit)
		if a == nil {
			return nil
		}
		known := map[string]bool{}
		for _, alarm := range a.Alarms {
			known[alarmTopic(a, alarm)] = true
		}
		if err := s.tidyUnit(ctx, topic(a.Site, a.Unit, "alarm")+"/+/+", known); err != nil {
			return err
		}
	}
	return nil
}

// assessed waits until a unit has been judged: before that nobody knows its
// alarms. Nil at the end of ctx.
func (s *session) assessed(ctx context.Context, unit string) *rules.Assessment {
	for {
		changed := s.u.latest.Changed()
		for _, a := range s.u.latest.Latest() {
			if a.Unit == unit {
				return a
			}
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return nil
		}
	}
}

// tidyUnit looks at all that the broker keeps under filter, until nothing more
// comes for a while, and clears what is not known.
func (s *session) tidyUnit(ctx context.Context, filter string, known map[string]bool) error {
	kept := make(chan string, mostLeftovers)
	token := s.client.Subscribe(filter, 0, func(_ mqtt.Client, m mqtt.Message) {
		if !m.Retained() || len(m.Payload()) == 0 {
			return // the agent's own present states come back so
		}
		select {
		case kept <- m.Topic():
		default:
		}
	})
	if !s.heard(ctx, token, filter) {
		return nil
	}
	err := s.clear(ctx, kept, known, filter)
	if err == nil && ctx.Err() == nil {
		s.heard(ctx, s.client.Unsubscribe(filter), filter)
	}
	return err
}

// clear clears what comes and is not known, until nothing more comes.
func (s *session) clear(ctx context.Context, kept <-chan string, known map[string]bool, filter string) error {
	quiet := time.NewTimer(s.u.timing.quiet)
	defer quiet.Stop()
	cleared := 0
	defer func() {
		if more := cleared - mostLogged; more > 0 {
			s.u.log.Info("more retained states of alarms that are no longer configured are cleared", "under", filter, "number", more)
		}
	}()
	for thrown := s.conn.thrown.Load(); ; {
		select {
		case at := <-kept:
			quiet.Reset(s.u.timing.quiet)
			if known[at] {
				continue
			}
			if err := s.publishAll(ctx, []message{{topic: at, qos: 1, retained: true, payload: []byte{}}}); err != nil {
				return err
			}
			if cleared++; cleared <= mostLogged {
				s.u.log.Info("retained state of an alarm that is no longer configured is cleared", "topic", at[:min(len(at), longestLogged)])
			}
		case <-quiet.C:
			now := s.conn.thrown.Load()
			if len(kept) == 0 && now == thrown {
				return nil
			}
			thrown = now
			quiet.Reset(s.u.timing.quiet) // more came while one was cleared or thrown away
		case <-ctx.Done():
			return nil
		}
	}
}

// heard waits until the broker has answered, and says in the log where it did
// not or refused.
func (s *session) heard(ctx context.Context, token mqtt.Token, filter string) bool {
	err := s.settled(ctx, token)
	switch {
	case err == nil:
		return true
	case errors.Is(err, errNoAck):
		s.u.log.Warn("the broker does not answer about the agent's own states", "filter", filter)
	case ctx.Err() == nil && s.client.IsConnectionOpen(): // a lost connection is told elsewhere
		s.u.log.Warn("the broker does not let the agent read its own states", "filter", filter, "err", err)
	}
	return false
}
