package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"sync"
	"time"

	"strokebank/agent/internal/simulator"
	"strokebank/configs/quantity"
	"strokebank/rules"
	"strokebank/sensors/signal"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// scene is one thing that is done to the simulated unit.
type scene struct {
	after time.Duration // the scene before
	text  string
	do    func(*simulator.Plant) error
}

// story shows within a minute how the reserve falls and comes back, machines
// start, and alarms come and go. It is told once; then the unit is left to its
// panel, and the page stays live.
func story() []scene {
	set := func(f simulator.Fault, severity float64) func(*simulator.Plant) error {
		return func(p *simulator.Plant) error { return p.Set(f, severity) }
	}
	return []scene{
		{3 * time.Second, "the mains fail", set("mains_lost", 1)},
		{2 * time.Second, "the panel shuts the plant down: the valves close one after another, on stored oil", func(p *simulator.Plant) error { p.Shutdown(); return nil }},
		{22 * time.Second, "the mains are back; the panel's pump restores the oil", set("mains_lost", 0)},
		{5 * time.Second, "the overload of pump 2 trips", set("pump2.overload", 1)},
		{10 * time.Second, "the overload of pump 2 is reset", set("pump2.overload", 0)},
		{6 * time.Second, "the level transmitter's wire breaks", set("level.open", 1)},
		{20 * time.Second, "the wire is mended", set("level.open", 0)},
		{10 * time.Second, "the valves open again; from here on the unit is left to its panel", func(p *simulator.Plant) error { p.Restore(); return nil }},
	}
}

// tell plays the story.
func tell(ctx context.Context, n *narrator, plant *simulator.Plant) error {
	for _, s := range story() {
		select {
		case <-time.After(s.after):
		case <-ctx.Done():
			return nil
		}
		n.say("plant", s.text)
		if err := s.do(plant); err != nil {
			return fmt.Errorf("story: %s: %w", s.text, err)
		}
	}
	<-ctx.Done()
	return nil
}

// narrator writes one line a happening. It is safe for concurrent use.
type narrator struct {
	mu     sync.Mutex
	out    io.Writer
	system quantity.System
	shown  time.Time
}

func newNarrator(out io.Writer, system quantity.System) *narrator {
	return &narrator{out: out, system: system}
}

func (n *narrator) say(who, text string) {
	n.mu.Lock()
	defer n.mu.Unlock()
	fmt.Fprintf(n.out, "%s  %-8s %s\n", time.Now().Format("15:04:05"), who, text)
}

// listen subscribes at the broker like any other listener would.
func (n *narrator) listen(ctx context.Context, address string) error {
	options := mqtt.NewClientOptions().AddBroker("tcp://" + address).SetClientID("demo-listener").SetProtocolVersion(4)
	client := mqtt.NewClient(options)
	if token := client.Connect(); token.Wait() && token.Error() != nil {
		return fmt.Errorf("listener: %w", token.Error())
	}
	defer client.Disconnect(100)
	token := client.Subscribe("strokebank/#", 1, func(_ mqtt.Client, m mqtt.Message) { n.hear(m.Topic(), m.Payload()) })
	if token.Wait() && token.Error() != nil {
		return fmt.Errorf("listener: %w", token.Error())
	}
	<-ctx.Done()
	return nil
}

// hear turns a message into a line.
func (n *narrator) hear(topic string, payload []byte) {
	switch topic[strings.LastIndex(topic, "/")+1:] {
	case "event":
		var e rules.Entry
		if err := json.Unmarshal(payload, &e); err != nil {
			n.say("broker", "a message that cannot be read: "+err.Error())
			return
		}
		if text := eventLine(&e); text != "" {
			n.say("broker", text)
		}
	case "live":
		var a rules.Assessment
		if err := json.Unmarshal(payload, &a); err != nil {
			n.say("broker", "a message that cannot be read: "+err.Error())
			return
		}
		if time.Since(n.shown) >= 5*time.Second {
			n.shown = time.Now()
			n.say("broker", liveLine(&a, n.system))
		}
	}
}

// eventLine is an event in one line; empty for what tells a watcher nothing.
func eventLine(e *rules.Entry) string {
	switch {
	case e.Kind == rules.AlarmEvent && e.To == "unacknowledged":
		return fmt.Sprintf("ALARM    %s, %s priority (%s)%s", e.Title, e.Priority, e.Source, values(e.Values))
	case e.Kind == rules.AlarmEvent && e.To == "returned unacknowledged" && e.From != "unknown":
		return fmt.Sprintf("cleared  %s (%s), to be acknowledged%s", e.Title, e.Source, values(e.Values))
	case e.Kind == rules.AlarmEvent && e.To == "suppressed by design":
		return fmt.Sprintf("hidden   %s (%s): %s", e.Title, e.Source, e.Reason)
	case e.Kind == rules.AlarmEvent && e.To == "normal" && e.From != "unknown" && e.By != "":
		return fmt.Sprintf("normal   %s (%s), acknowledged by %s", e.Title, e.Source, e.By)
	case e.Kind == rules.AlarmEvent && e.To == "normal" && e.From != "unknown":
		return fmt.Sprintf("cleared  %s (%s)%s", e.Title, e.Source, values(e.Values))
	case e.Kind == rules.AlarmEvent:
		return ""
	default:
		return strings.TrimSpace(fmt.Sprintf("event    %s %s%s", e.Source, e.Name, values(e.Values)))
	}
}

// values lists what caused an event.
func values(list []rules.Value) string {
	var parts []string
	for _, v := range list {
		if v.Value.Known() {
			parts = append(parts, strings.TrimSpace(fmt.Sprintf("%s %.4g %s", strings.ReplaceAll(v.Name, "_", " "), float64(v.Value), v.Unit)))
		}
	}
	if len(parts) == 0 {
		return ""
	}
	return ": " + strings.Join(parts, ", ")
}

// liveLine is the present state in one line.
func liveLine(a *rules.Assessment, system quantity.System) string {
	f := &a.Reserve
	reserve := "reserve unknown: " + f.Reason
	if f.Known {
		reserve = fmt.Sprintf("at least %.0f cycles (expected %.1f, full charge %.1f, required %d)",
			float64(f.AtLeast), float64(f.Expected), float64(f.FullCharge), f.Required)
	}
	pressure := "unknown"
	for _, r := range a.Readings {
		if r.ID == signal.Pressure && r.Reading.Known() {
			pressure = quantity.Format(r.Reading.Value, quantity.Pressure, system)
		}
	}
	level := "unknown"
	if a.Level.Known() {
		level = quantity.Format(a.Level.Value, quantity.Length, system)
	}
	return fmt.Sprintf("live     %s, %s, level %s", reserve, pressure, level)
}
