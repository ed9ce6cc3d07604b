package uplink

import (
	"context"
	"fmt"
	"math"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/rules/reserve"
	"strokebank/sensors/signal"
)

// states says that the agent is online and then keeps the retained messages
// and the live values up to date, each time from the latest assessment.
// Nothing queues: what changed twice while a message was under way is sent
// once. It does not stand behind the backlog of events, so that an alarm is
// visible at once after a long outage.
func (s *session) states(ctx context.Context) error {
	m, err := s.u.cfg.presenceMessage(online, s.began, time.Now(), s.nonce)
	if err != nil {
		return err
	}
	if err := s.publishAll(ctx, []message{m}); err != nil {
		return err
	}
	shown := newShown(s.u.cfg.LivePeriod, s.u.cfg.ReservePeriod)
	for {
		changed := s.u.latest.Changed()
		for _, a := range s.u.latest.Latest() {
			due, err := shown.due(a, time.Since(s.began))
			if err != nil {
				return err
			}
			if err := s.publishAll(ctx, due); err != nil {
				return err
			}
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return nil
		}
	}
}

// publishAll publishes messages in order and waits for all of them. The end
// of ctx is no error.
func (s *session) publishAll(ctx context.Context, all []message) error {
	tokens := make([]mqtt.Token, 0, len(all))
	for _, m := range all {
		if ctx.Err() != nil {
			return nil
		}
		tokens = append(tokens, s.publish(ctx, m))
	}
	for i, t := range tokens {
		if err := s.await(ctx, t); err != nil {
			if ctx.Err() != nil {
				return nil
			}
			return fmt.Errorf("%s: %w", all[i].topic, err)
		}
	}
	return nil
}

// shown is what this connection has published of each unit. One goroutine
// owns it; a new connection begins with an empty one and so sends everything.
type shown struct {
	livePeriod, reservePeriod time.Duration
	units                     map[string]*shownUnit
}

type shownUnit struct {
	alarms    map[string]alarmView
	reserve   reserveView
	reserveAt time.Duration
	scan      uint64
	liveAt    time.Duration
	begun     bool
}

// alarmView is what makes an alarm's state a new one.
type alarmView struct {
	state    alarm.State
	behind   alarm.State
	until    time.Time
	reason   string
	priority alarm.Priority
	since    time.Time
}

// reserveView is what makes a reserve message a new one.
type reserveView struct {
	known    bool
	reason   string
	quality  signal.Quality
	required int
	atLeast  signal.Number
	limit    reserve.Limit
	certain  reserve.Limit
	expected signal.Number
	full     signal.Number
}

func newShown(live, slow time.Duration) *shown {
	return &shown{livePeriod: live, reservePeriod: slow, units: map[string]*shownUnit{}}
}

// due is what has to be published of an assessment, now (since the connection
// began): alarms first, because they matter most.
func (s *shown) due(a *rules.Assessment, now time.Duration) ([]message, error) {
	key := topic(a.Site, a.Unit)
	u := s.units[key]
	if u == nil {
		u = &shownUnit{alarms: map[string]alarmView{}}
		s.units[key] = u
	}
	out, err := u.dueAlarms(a)
	if err != nil {
		return nil, err
	}
	if u.reserveDue(viewOf(a.Reserve), now, s.reservePeriod) {
		m, err := reserveMessage(a)
		if err != nil {
			return nil, err
		}
		out = append(out, m)
	}
	if !u.begun || a.Scan != u.scan && now-u.liveAt >= s.livePeriod {
		m, err := liveMessage(a)
		if err != nil {
			return nil, err
		}
		out = append(out, m)
		u.scan, u.liveAt = a.Scan, now
	}
	u.begun = true
	return out, nil
}

func (u *shownUnit) dueAlarms(a *rules.Assessment) ([]message, error) {
	var out []message
	for _, s := range a.Alarms {
		at, view := alarmTopic(a, s), alarmView{s.State, s.Behind, s.Until, s.Reason, s.Priority, s.Since}
		if before, ok := u.alarms[at]; ok && before == view {
			continue
		}
		m, err := alarmMessage(a, s)
		if err != nil {
			return nil, err
		}
		out = append(out, m)
		u.alarms[at] = view
	}
	return out, nil
}

// reserveDue reports whether the reserve says something new or has been
// silent for its period, and if so remembers it.
func (u *shownUnit) reserveDue(v reserveView, now, period time.Duration) bool {
	if u.begun && !v.differs(u.reserve) && now-u.reserveAt < period {
		return false
	}
	u.reserve, u.reserveAt = v, now
	return true
}

func viewOf(f reserve.Figures) reserveView {
	f = outward(f)
	return reserveView{f.Known, f.Reason, f.Quality, f.Required, f.AtLeast, f.Limit, f.AtLeastLimit, f.Expected, f.FullCharge}
}

// differs lets the two figures with a decimal move by less than the tenth of
// a cycle that is shown, measured from what was last published.
func (v reserveView) differs(from reserveView) bool {
	return v.known != from.known || v.reason != from.reason || v.quality != from.quality ||
		v.required != from.required || v.limit != from.limit || v.certain != from.certain || moved(v.atLeast, from.atLeast) ||
		moved(v.expected, from.expected) || moved(v.full, from.full)
}

func moved(now, before signal.Number) bool {
	if now.Known() != before.Known() {
		return true
	}
	return now.Known() && math.Abs(float64(now-before)) >= 0.1
}
