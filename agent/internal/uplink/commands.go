package uplink

import (
	"bytes"
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"
	"unicode/utf8"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"strokebank/rules"
)

// Where commands by message get their right from.
const (
	CommandsOff        = "off"         // none are taken
	CommandsSecret     = "secret"      // each brings the secret of who may act
	CommandsAccessList = "access list" // the broker lets only those publish them who may act
)

// commander takes commands to their unit and waits for the answer.
type commander interface {
	Submit(ctx context.Context, c rules.Command) (rules.Outcome, error)
}

// gate says which role a secret opens. from is where the question comes from.
type gate interface {
	Enter(ctx context.Context, secret, from string) (rules.Role, error)
}

// The bounds of what comes in. *Common practice, no source.*
const (
	mostRequests = 16   // that wait for the one before; more are dropped and counted
	longestBytes = 4096 // of one message
	mostIDs      = 1000 // in one session; then it ends, and with it its nonce

	mostLogged   = 5 // refusals that have a line in the log, and leftovers of one unit, within
	loggedWithin = 10 * time.Minute
)

// place is where questions about secrets come from: a broker does not say who
// has published.
const place = "messages"

// request is the payload of a command's topic.
type request struct {
	ID     string      `json:"id"`
	Nonce  string      `json:"nonce"`
	Secret string      `json:"secret"`
	Order  rules.Order `json:"command"`
	Unit   string      `json:"unit"`
	Source string      `json:"source"`
	Alarm  string      `json:"alarm"`
	By     string      `json:"by"`
	Reason string      `json:"reason"`
	Until  time.Time   `json:"until"`

	Serial       string  `json:"serial"`
	SecondsSoFar float64 `json:"seconds_so_far"`
	StartsSoFar  float64 `json:"starts_so_far"`

	Task string `json:"task"`

	Failure string    `json:"failure"`
	Mode    string    `json:"failure_mode"`
	At      time.Time `json:"at"`
}

// reply is the payload of the topic that answers.
type reply struct {
	Schema   int       `json:"schema"`
	Site     string    `json:"site"`
	Unit     string    `json:"unit"`
	Time     time.Time `json:"time"`
	ID       string    `json:"id"`
	Accepted bool      `json:"accepted"`
	Reason   string    `json:"reason,omitempty"`
	Events   []string  `json:"events,omitempty"`
	Durable  bool      `json:"durable"`
}

// incoming is a message on a command's topic.
type incoming struct {
	unit     string
	retained bool
	payload  []byte
}

// takes reports whether commands are taken at all.
func (c *Config) takes() bool { return c.Commands != "" && c.Commands != CommandsOff }

func (c *Config) checkCommands() error {
	switch c.Commands {
	case "", CommandsOff:
		return nil
	case CommandsSecret, CommandsAccessList:
	default:
		return fmt.Errorf("commands %q: use %s, %s or %s", c.Commands, CommandsOff, CommandsSecret, CommandsAccessList)
	}
	if c.Commander == nil || c.Commands == CommandsSecret && c.Gate == nil {
		return errors.New("commands are to be taken and nobody takes them")
	}
	return nil
}

// listen subscribes to the commands of all units, before the session's nonce
// is told to anybody. A broker that refuses it is said so in the log; the rest
// goes on.
func (s *session) listen(ctx context.Context) error {
	if !s.u.cfg.takes() {
		return nil
	}
	s.nonce = rand.Text()
	for _, unit := range s.u.cfg.Units {
		at := topic(s.u.cfg.Site, unit, "command")
		token := s.client.Subscribe(at, 1, func(_ mqtt.Client, m mqtt.Message) {
			select {
			case s.requests <- incoming{unit, m.Retained(), m.Payload()}:
			default: // the sender hears nothing and asks again
				s.u.dropped.Add(1)
			}
		})
		err := s.settled(ctx, token)
		if ctx.Err() != nil {
			return nil
		}
		refused := false
		if sub, ok := token.(*mqtt.SubscribeToken); ok && !errors.Is(err, errNoAck) {
			refused = sub.Result()[at] == 0x80 // MQTT 3.1.1, 3.9.3
		}
		if err != nil && !refused {
			return fmt.Errorf("%s: %w", at, err)
		}
		if refused {
			s.u.log.Warn("the broker does not let the agent hear commands", "topic", at)
		}
	}
	return nil
}

// obey answers requests one after another until ctx ends.
func (s *session) obey(ctx context.Context) error {
	used := map[string]bool{}
	for {
		select {
		case m := <-s.requests:
			out := s.answer(ctx, m, used)
			if !out.Accepted {
				s.u.refused.Add(1)
			}
			if err := s.reply(ctx, m.unit, out); err != nil {
				return err
			}
			if len(used) >= mostIDs {
				return errors.New("so many commands in one session: a new one begins")
			}
		case <-ctx.Done():
			return nil
		}
	}
}

// answer decides over one request and has it carried out.
func (s *session) answer(ctx context.Context, m incoming, used map[string]bool) rules.Outcome {
	r, err := decode(m.payload)
	if err != nil {
		return rules.Refused(r.ID, err.Error())
	}
	if why := s.objection(ctx, m, r); why != "" {
		s.logRefused(m.unit, why)
		return rules.Refused(r.ID, why)
	}
	if used[r.ID] {
		return rules.Refused(r.ID, "a command with this id was given before")
	}
	used[r.ID] = true
	wait, cancel := context.WithTimeout(ctx, s.u.cfg.CommandWait)
	defer cancel()
	out, err := s.u.cfg.Commander.Submit(wait, rules.Command{
		ID: r.ID, Order: r.Order, Unit: m.unit, Source: r.Source, Alarm: r.Alarm, By: r.By, Role: rules.Act, Via: "message",
		Reason: r.Reason, Until: r.Until, Serial: r.Serial, SecondsSoFar: r.SecondsSoFar, StartsSoFar: r.StartsSoFar,
		Task: r.Task, Failure: r.Failure, Mode: r.Mode, At: r.At,
	})
	if err != nil {
		return rules.Refused(r.ID, err.Error())
	}
	return out
}

// sparing decides which of many that may be refused have a line in the log:
// whoever may publish could fill it and wear the flash that it is on. One
// goroutine at a time asks it.
type sparing struct {
	since  time.Time
	told   int
	silent int
}

// next reports whether one more has a line, and how many before it had none.
func (f *sparing) next(now time.Time) (tell bool, silent int) {
	if now.Sub(f.since).Abs() > loggedWithin {
		f.since, f.told = now, 0
	}
	if f.told >= mostLogged {
		f.silent++
		return false, 0
	}
	f.told++
	silent, f.silent = f.silent, 0
	return true, silent
}

func (s *session) logRefused(unit, why string) {
	tell, silent := s.u.refusals.next(time.Now())
	if !tell {
		return
	}
	log := s.u.log
	if silent > 0 {
		log = log.With("more_before_it", silent)
	}
	log.Warn("command by message refused", "unit", unit, "cause", why)
}

// objection is why a request must not be carried out; empty where it may.
func (s *session) objection(ctx context.Context, m incoming, r request) string {
	switch {
	case m.retained:
		return "the message was retained: a command is for its moment only"
	case r.Unit != "" && r.Unit != m.unit:
		return "the message is for another unit than its topic"
	case r.Nonce == "":
		return "the nonce is missing: it stands in the agent's status"
	case subtle.ConstantTimeCompare([]byte(r.Nonce), []byte(s.nonce)) != 1:
		return "the nonce is not that of the agent's present session"
	case s.u.cfg.Commands == CommandsAccessList:
		return ""
	}
	role, err := s.u.cfg.Gate.Enter(ctx, r.Secret, place)
	switch {
	case err != nil:
		return err.Error()
	case role != rules.Act:
		return fmt.Sprintf("the role %s may not act", role)
	}
	return ""
}

// decode reads one request strictly: a name that nobody knows may have meant
// something. The id comes back even of one that is refused, where it can be
// read.
func decode(payload []byte) (request, error) {
	var r request
	if len(payload) > longestBytes {
		return r, fmt.Errorf("the message is longer than %d bytes", longestBytes)
	}
	d := json.NewDecoder(bytes.NewReader(payload))
	d.DisallowUnknownFields()
	err := d.Decode(&r)
	if err == nil {
		if _, more := d.Token(); !errors.Is(more, io.EOF) {
			err = errors.New("something stands behind it")
		}
	}
	if err != nil {
		return request{ID: speakable(r.ID)}, fmt.Errorf("not a command as the reference has it: %s", speakable(err.Error()))
	}
	if id := speakable(r.ID); id != r.ID {
		return request{ID: id}, errors.New("the id is not short plain text")
	}
	return r, nil
}

// speakable is text that may be repeated in an answer.
func speakable(text string) string {
	if !utf8.ValidString(text) {
		return ""
	}
	if len(text) > 120 {
		return ""
	}
	return strings.Map(func(r rune) rune {
		if r < 0x20 || r == 0x7f {
			return -1
		}
		return r
	}, text)
}

// reply publishes the answer.
func (s *session) reply(ctx context.Context, unit string, out rules.Outcome) error {
	m, err := encode(topic(s.u.cfg.Site, unit, "reply"), 1, false, reply{Schema: rules.Schema, Site: s.u.cfg.Site, Unit: unit,
		Time: time.Now().UTC(), ID: out.ID, Accepted: out.Accepted, Reason: out.Why, Events: out.Events, Durable: out.Durable})
	if err != nil {
		return err
	}
	return s.publishAll(ctx, []message{m})
}
