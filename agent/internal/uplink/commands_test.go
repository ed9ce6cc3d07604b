package uplink

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"strokebank/rules"
)

// clerk carries commands out, in memory.
type clerk struct {
	mu   sync.Mutex
	done []rules.Command
	hold chan struct{} // Submit waits until it is closed
}

func (c *clerk) Submit(ctx context.Context, command rules.Command) (rules.Outcome, error) {
	if c.hold != nil {
		select {
		case <-c.hold:
		case <-ctx.Done():
			return rules.Outcome{}, ctx.Err()
		}
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.done = append(c.done, command)
	if command.Order == rules.Reset {
		return rules.Refused(command.ID, "the alarm is not latched"), nil
	}
	return rules.Outcome{ID: command.ID, Accepted: true, Events: []string{"inst-7"}, Durable: true}, nil
}

func (c *clerk) count() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return len(c.done)
}

// keyring opens the role act with one secret and see with another.
type keyring struct{}

const actSecret = "a secret of who may act"

func (keyring) Enter(_ context.Context, secret, from string) (rules.Role, error) {
	switch {
	case from != place:
		return "", errors.New("from somewhere else")
	case secret == actSecret:
		return rules.Act, nil
	case secret == "a secret of who may see":
		return rules.See, nil
	}
	return "", errors.New("the secret is wrong")
}

// station is an uplink that takes commands, with a sender and a listener.
type station struct {
	t      *testing.T
	broker *broker
	got    <-chan received
	sender mqtt.Client
	clerk  *clerk
	up     *running
	nonce  string
	schema func(schema string, text string) error
}

func commanded(t *testing.T, how string, change func(*Config)) *station {
	t.Helper()
	s := &station{t: t, broker: newBroker(t), clerk: &clerk{}}
	contract := readContract(t)
	s.schema = func(name, text string) error { return validate(contract.schemas[name+".schema.json"], text) }
	s.got = subscribe(t, s.broker.url(), "strokebank/#")
	s.sender = sender(t, s.broker, "sender")
	cfg := config(s.broker.url())
	cfg.Commands, cfg.Commander, cfg.Gate, cfg.CommandWait = how, s.clerk, keyring{}, patience
	if change != nil {
		change(&cfg)
	}
	s.up = start(t, cfg, newBook(0), newBoard(assessment(1)))
	p, _ := stateOf(t, s.got)
	s.nonce = p.Nonce
	return s
}

// say publishes on the command's topic and gives the answer.
func (s *station) say(text string) reply {
	s.t.Helper()
	s.publish(text, false)
	return s.answer()
}

func (s *station) publish(text string, retained bool) {
	s.t.Helper()
	token := s.sender.Publish("strokebank/Quillen Reach/AU-7/command", 1, retained, text)
	if !token.WaitTimeout(patience) || token.Error() != nil {
		s.t.Fatal(token.Error())
	}
}

// answer is the next reply.
func (s *station) answer() reply {
	s.t.Helper()
	return s.read(until(s.t, s.got, "an answer", func(m received) bool { return strings.HasSuffix(m.topic, "/reply") }))
}

// read is a reply, checked against the reference.
func (s *station) read(m received) reply {
	s.t.Helper()
	if err := s.schema("reply", string(m.payload)); err != nil || m.qos != 1 || m.retained {
		s.t.Errorf("QoS %d, retained %t, %v: %s", m.qos, m.retained, err, m.payload)
	}
	var r reply
	if err := json.Unmarshal(m.payload, &r); err != nil {
		s.t.Fatal(err)
	}
	return r
}

func (s *station) command(id string, change func(map[string]any)) string {
	s.t.Helper()
	m := map[string]any{"id": id, "nonce": s.nonce, "secret": actSecret, "command": "acknowledge", "alarm": "low_pressure", "source": "unit", "by": "M. Okoro"}
	if change != nil {
		change(m)
	}
	text, err := json.Marshal(m)
	if err != nil {
		s.t.Fatal(err)
	}
	return string(text)
}

func TestCommandByMessage(t *testing.T) {
	s := commanded(t, CommandsSecret, nil)
	if len(s.nonce) < 16 {
		t.Fatalf("nonce %q", s.nonce)
	}
	text := s.command("1", nil)
	if err := s.schema("command", text); err != nil {
		t.Errorf("the reference refuses what the agent takes: %v", err)
	}
	r := s.say(text)
	if !r.Accepted || r.ID != "1" || len(r.Events) != 1 || !r.Durable {
		t.Errorf("%+v", r)
	}
	want := rules.Command{ID: "1", Order: rules.Acknowledge, Unit: "AU-7", Source: "unit", Alarm: "low_pressure", By: "M. Okoro", Role: rules.Act, Via: "message"}
	if s.clerk.count() != 1 || s.clerk.done[0] != want {
		t.Errorf("carried out: %+v", s.clerk.done)
	}
	text = s.command("task", func(m map[string]any) {
		delete(m, "alarm")
		m["command"], m["source"], m["task"], m["reason"] = "service_done", "pump1", "strainer", "cleaned"
	})
	if err := s.schema("command", text); err != nil {
		t.Errorf("the reference refuses what the agent takes: %v", err)
	}
	if r := s.say(text); !r.Accepted {
		t.Errorf("%+v", r)
	}
	want = rules.Command{ID: "task", Order: rules.ServiceDone, Unit: "AU-7", Source: "pump1", Task: "strainer", By: "M. Okoro", Role: rules.Act, Via: "message", Reason: "cleaned"}
	if s.clerk.count() != 2 || s.clerk.done[1] != want {
		t.Errorf("carried out: %+v", s.clerk.done)
	}
	text = s.command("failure", func(m map[string]any) {
		delete(m, "alarm")
		delete(m, "source")
		m["command"], m["failure"], m["failure_mode"], m["at"], m["reason"] = "correct_failure", "F12", "BRD", "2026-03-14T11:00:00Z", "shaft broken"
	})
	if err := s.schema("command", text); err != nil {
		t.Errorf("the reference refuses what the agent takes: %v", err)
	}
	if r := s.say(text); !r.Accepted {
		t.Errorf("%+v", r)
	}
	want = rules.Command{ID: "failure", Order: rules.CorrectFailure, Unit: "AU-7", Failure: "F12", Mode: "BRD", At: noon.Add(-time.Hour),
		By: "M. Okoro", Role: rules.Act, Via: "message", Reason: "shaft broken"}
	if s.clerk.count() != 3 || s.clerk.done[2] != want {
		t.Errorf("carried out: %+v", s.clerk.done)
	}
	r = s.say(s.command("2", func(m map[string]any) { m["command"] = "reset" }))
	if r.Accepted || r.Reason != "the alarm is not latched" || r.ID != "2" {
		t.Errorf("%+v", r)
	}
}

// Who shelves an alarm and at once takes it off the shelf wants it off.
func TestCommandsAreCarriedOutInTheirOrder(t *testing.T) {
	s := commanded(t, CommandsSecret, nil)
	for round := range 20 {
		ids := make([]string, mostRequests/2)
		tokens := make([]mqtt.Token, len(ids))
		for i := range ids {
			ids[i] = fmt.Sprintf("%d.%d", round, i)
			tokens[i] = s.sender.Publish("strokebank/Quillen Reach/AU-7/command", 1, false, s.command(ids[i], nil))
		}
		for i, id := range ids {
			finish(t, tokens[i])
			if r := s.answer(); r.ID != id {
				t.Fatalf("answered %s, want %s", r.ID, id)
			}
		}
	}
}

// The reference names exactly the orders that there are.
func TestReferenceKnowsEveryOrder(t *testing.T) {
	c := readContract(t)
	for _, order := range append(rules.Orders(), "open_valve") {
		text := fmt.Sprintf(`{"id":"1","nonce":"0123456789abcdef","command":%q,"by":"x"}`, order)
		if err := validate(c.schemas["command.schema.json"], text); (err == nil) == (order == "open_valve") {
			t.Errorf("%s: %v", order, err)
		}
	}
}

func TestCommandsThatAreRefused(t *testing.T) {
	s := commanded(t, CommandsSecret, nil)
	if r := s.say(s.command("used", nil)); !r.Accepted {
		t.Fatalf("%+v", r)
	}
	set := func(key string, value any) func(map[string]any) {
		return func(m map[string]any) { m[key] = value }
	}
	for _, c := range []struct {
		name, text, says string
	}{
		{"a replayed one", s.command("used", nil), "given before"},
		{"one of another session", s.command("n", set("nonce", "ABCDEFGHIJKLMNOPQRSTUVWXYZ")), "present session"},
		{"one without a nonce", s.command("n", set("nonce", "")), "nonce is missing"},
		{"one for another unit", s.command("u", set("unit", "AU-8")), "another unit"},
		{"one with a wrong secret", s.command("s", set("secret", "who knows")), "secret is wrong"},
		{"one of who may only see", s.command("s", set("secret", "a secret of who may see")), "may not act"},
		{"one with a name that nobody knows", s.command("x", set("force", true)), "force"},
		{"one that names its own role", s.command("x", set("role", "act")), "role"},
		{"one of the wrong type", s.command("x", set("until", "tomorrow")), "not a command"},
		{"no JSON", "please", "not a command"},
		{"nothing", "", "not a command"},
		{"two at once", s.command("a", nil) + s.command("b", nil), "not a command"},
		{"a long one", s.command("l", set("reason", strings.Repeat("x", 5000))), "longer than"},
		{"an id that cannot be said again", s.command("a\nb", nil), "id"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if r := s.say(c.text); r.Accepted || !strings.Contains(r.Reason, c.says) {
				t.Errorf("%+v; want it to say %q", r, c.says)
			}
		})
	}
	if n := s.clerk.count(); n != 1 {
		t.Errorf("%d commands were carried out", n)
	}
	for _, secret := range []string{actSecret, "who knows", "a secret of who may see"} {
		if strings.Contains(s.up.log.all(), secret) {
			t.Errorf("the log has %q in it", secret)
		}
	}
}

// What was meant for yesterday's session does nothing today: neither said again
// nor kept by the broker.
func TestNonceIsNewWithEverySession(t *testing.T) {
	s := commanded(t, CommandsSecret, nil)
	old := s.command("1", nil)
	s.up.stop()
	s.publish(old, true)
	again := start(t, func() Config {
		c := config(s.broker.url())
		c.Commands, c.Commander, c.Gate = CommandsSecret, s.clerk, keyring{}
		return c
	}(), newBook(0), newBoard(assessment(1)))
	defer again.stop()
	// The answer to what the broker kept may come before the new status.
	var p presence
	var answers []reply
	until(t, s.got, "a new session's status and its answer to the retained message", func(m received) bool {
		switch {
		case strings.HasSuffix(m.topic, "/reply"):
			answers = append(answers, s.read(m))
		case strings.HasSuffix(m.topic, "/status"):
			p = presence{}
			if err := json.Unmarshal(m.payload, &p); err != nil {
				t.Fatal(err)
			}
			if p.State != online && p.Nonce != "" {
				t.Error("an agent that has left shows a nonce")
			}
		}
		return p.State == online && len(answers) > 0
	})
	if p.Nonce == "" || p.Nonce == s.nonce {
		t.Fatalf("the nonce is %q after %q", p.Nonce, s.nonce)
	}
	if r := answers[0]; r.Accepted || !strings.Contains(r.Reason, "retained") {
		t.Errorf("%+v", r)
	}
	if r := s.say(old); r.Accepted || !strings.Contains(r.Reason, "present session") {
		t.Errorf("%+v", r)
	}
}

// Whoever may publish can be refused as often as he likes, and neither fills the
// log nor goes uncounted.
func TestRefusalsDoNotFillTheLog(t *testing.T) {
	const line, often = "command by message refused", 4 * mostLogged
	s := commanded(t, CommandsSecret, nil)
	for i := range often {
		if r := s.say(s.command(fmt.Sprint(i), func(m map[string]any) { m["nonce"] = "wrong" })); r.Accepted {
			t.Errorf("%+v", r)
		}
	}
	s.say("please") // refused too, without a line of its own
	s.say(s.command("right", nil))
	if n := s.up.Stats().Refused; n != often+1 {
		t.Errorf("%d are counted, want %d", n, often+1)
	}
	s.up.stop()
	if n := strings.Count(s.up.log.all(), line); n != mostLogged {
		t.Errorf("%d lines in the log, want %d:\n%s", n, mostLogged, s.up.log.all())
	}

	lines, log := newLogbook()
	later := &session{u: &Uplink{log: log, refusals: s.up.refusals}}
	later.logRefused("AU-7", "one more")
	later.u.refusals.since = time.Now().Add(-loggedWithin - time.Minute)
	later.logRefused("AU-7", "much later")
	later.logRefused("AU-7", "and again")
	if all := lines.all(); strings.Count(all, line) != 2 || !strings.Contains(all, fmt.Sprintf("more_before_it=%d unit=AU-7 cause=\"much later\"", often-mostLogged+1)) ||
		strings.Count(all, "more_before_it") != 1 {
		t.Errorf("the log says:\n%s", all)
	}
}

func TestAccessListOfTheBrokerDecides(t *testing.T) {
	s := commanded(t, CommandsAccessList, func(c *Config) { c.Gate = nil })
	if r := s.say(s.command("1", func(m map[string]any) { delete(m, "secret") })); !r.Accepted {
		t.Errorf("%+v", r)
	}
	if r := s.say(s.command("2", func(m map[string]any) { m["nonce"] = "wrong" })); r.Accepted {
		t.Errorf("%+v", r)
	}
}

func TestWithoutCommandsNobodyListens(t *testing.T) {
	s := commanded(t, CommandsOff, nil)
	if s.nonce != "" {
		t.Errorf("nonce %q", s.nonce)
	}
	s.publish(s.command("1", nil), false)
	s.up.stop()
	until(t, s.got, "the goodbye", func(m received) bool {
		if strings.HasSuffix(m.topic, "/reply") {
			t.Error("answered")
		}
		return strings.Contains(string(m.payload), offlineClean)
	})
	if s.clerk.count() != 0 {
		t.Error("carried out")
	}
}

// A unit that does not answer holds up neither events nor states.
func TestCommandsHoldNothingUp(t *testing.T) {
	s := commanded(t, CommandsSecret, nil)
	s.clerk.hold = make(chan struct{})
	for i := range 3 * mostRequests {
		s.publish(s.command(fmt.Sprint(i), nil), false)
	}
	eventually(t, "commands are dropped", func() bool { return s.up.Stats().Dropped > 0 })
	s.up.outbox.(*book).add(1)
	until(t, s.got, "an event while commands wait", func(m received) bool { return strings.HasSuffix(m.topic, "/event") })
	close(s.clerk.hold)
	for i := range mostRequests {
		until(t, s.got, fmt.Sprint("answer ", i), func(m received) bool { return strings.HasSuffix(m.topic, "/reply") })
	}
}

func TestMistakesOfConfiguration(t *testing.T) {
	for name, change := range map[string]func(*Config){
		"a word that nobody knows": func(c *Config) { c.Commands = "on" },
		"nobody to carry them out": func(c *Config) { c.Commands, c.Gate = CommandsAccessList, keyring{} },
		"nobody who knows secrets": func(c *Config) { c.Commands, c.Commander = CommandsSecret, &clerk{} },
	} {
		c := config("tcp://127.0.0.1:1883")
		change(&c)
		if _, err := New(c, newBook(0), newBoard(), nil); err == nil {
			t.Errorf("%s is taken", name)
		}
	}
}
