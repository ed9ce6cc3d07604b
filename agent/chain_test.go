package main

import (
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// chain is the agent as a process, on real parts.
type chain struct {
	image            *image
	modbus, mqtt     int
	http             int
	config, store    string
	agent            *process
	hears            *subscriber
	strokebank, unit string
}

// startChain runs the agent on an independent Modbus server and a real broker.
func startChain(t *testing.T) *chain {
	t.Helper()
	return startChainWith(t, func(config string) string { return config })
}

// startChainWith is startChain with a configuration that the test changes.
func startChainWith(t *testing.T, change func(string) string) *chain {
	t.Helper()
	c := &chain{mqtt: broker(t), http: freePort(t), unit: "strokebank/quillen-reach/AU-9/"}
	c.image, c.modbus = peer(t, "chain-image.json")
	c.store = filepath.Join(t.TempDir(), "history")
	c.config = configuration(t, "chain.yaml", map[string]string{
		"PORT_MODBUS": strconv.Itoa(c.modbus), "PORT_MQTT": strconv.Itoa(c.mqtt),
		"PORT_HTTP": strconv.Itoa(c.http), "STORE": c.store,
	})
	c.rewrite(t, change)
	c.hears = subscribe(t, c.mqtt, "strokebank/#")
	path, err := program()
	if err != nil {
		t.Fatal(err)
	}
	c.strokebank = path
	c.agent = start(t, path, "run", c.config)
	listening(t, c.http)
	return c
}

// rewrite changes the agent's configuration file.
func (c *chain) rewrite(t *testing.T, change func(string) string) {
	t.Helper()
	text, err := os.ReadFile(c.config)
	if err == nil {
		err = os.WriteFile(c.config, []byte(change(string(text))), 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// cycles fits a reserve message with that many whole cycles.
func (c *chain) cycles(n float64) func(heard) bool {
	return func(h heard) bool {
		r, _ := h.payload["reserve"].(map[string]any)
		return h.topic == c.unit+"reserve" && r["at_least_cycles"] == n
	}
}

// change fits the event of an alarm that enters a state.
func (c *chain) change(name, source, to string) func(heard) bool {
	return func(h heard) bool {
		return h.topic == c.unit+"event" && h.payload["name"] == name && h.payload["source"] == source && h.payload["to"] == to
	}
}

// The figures below are worked out by hand, isothermal since a stroke takes
// 60 time constants: 2.000 m³ of gas at 8.0 bar gauge (9.01325 bar absolute)
// down to 5.0 (6.01325) give 0.99780 m³ of oil, 0.9879 with each stroke taken
// larger by 1 % for the real gas. A cycle takes 0.200 m³ and may end after its
// closing strokes at 0.120: four cycles and a last one to 0.920 make five; the
// 0.0778 m³ beyond are 0.39 of the opening and closing that would make six.
// From 5.8 bar there are 0.2661 m³: one cycle, and 0.320 for a second one is
// too much.
func TestWholeChainOnRealParts(t *testing.T) {
	c := startChain(t)
	first, at := c.hears.await("five cycles", 0, c.cycles(5))
	r := first.payload["reserve"].(map[string]any)
	if expected := r["expected_cycles"].(float64); math.Abs(expected-5.389) > 0.005 {
		t.Errorf("expected %v cycles, want 5.389", expected)
	}
	if full := r["full_charge_cycles"].(float64); math.Abs(full-5.389) > 0.005 {
		t.Errorf("full charge %v cycles, want 5.389", full)
	}

	c.image.set("input", 0, 9800) // 5.8 bar
	_, raised := c.hears.await("low_reserve raised", at, c.change("low_reserve", "unit", "unacknowledged"))
	c.hears.await("one cycle", at, c.cycles(1))
	c.hears.await("low_pressure raised", at, c.change("low_pressure", "unit", "unacknowledged"))
	c.checkPrometheus(t)
	c.image.set("input", 0, 12000)
	c.hears.await("low_reserve cleared", raised, c.change("low_reserve", "unit", "returned unacknowledged"))

	c.image.set("input", 20, 1<<3)
	c.hears.await("overload of pump1 raised", 0, c.change("overload", "pump1", "unacknowledged"))
	if c.hears.find(0, c.change("overload", "pump2", "unacknowledged")) >= 0 {
		t.Error("overload of pump2 raised from pump1's bit")
	}
	c.image.set("discrete_inputs", 1, 1)
	c.hears.await("start of pump2", 0, func(h heard) bool {
		return h.topic == c.unit+"event" && h.payload["source"] == "pump2" && h.payload["name"] == "started"
	})

	c.lostTransmitter(t)
	c.sequence(t)
	c.lateSubscriber(t)
	if code := c.agent.stop(); code != exitOK {
		t.Errorf("stopped with exit code %d", code)
	}
	c.hears.await("a clean goodbye", 0, func(h heard) bool {
		return h.topic == "strokebank/quillen-reach/gateway-test/status" && h.payload["state"] == "offline_clean"
	})
	readReference(t).holdAll(t, c.hears.all())
}

// lostTransmitter: a failure current makes the reserve unknown, everywhere,
// and the last figure stands in a field of its own.
func (c *chain) lostTransmitter(t *testing.T) {
	t.Helper()
	from := len(c.hears.all())
	c.image.set("input", 0, 3600) // 3.6 mA
	h, _ := c.hears.await("an unknown reserve", from, func(h heard) bool {
		r, _ := h.payload["reserve"].(map[string]any)
		return h.topic == c.unit+"reserve" && r["known"] == false
	})
	r := h.payload["reserve"].(map[string]any)
	if v, there := r["at_least_cycles"]; !there || v != nil || r["reason"] == "" {
		t.Errorf("reserve %v; want null with a reason", r)
	}
	last, _ := h.payload["last_known_reserve"].(map[string]any)
	if last["at_least_cycles"] != 5.0 || last["age_seconds"] == nil {
		t.Errorf("last known reserve %v; want 5 cycles with their age", last)
	}
	c.hears.await("transmitter_failed", from, c.change("transmitter_failed", "pressure", "unacknowledged"))
	text := get(t, fmt.Sprintf("http://127.0.0.1:%d/metrics", c.http))
	if strings.Contains(text, "strokebank_reserve_cycles{") || !strings.Contains(text, "strokebank_reserve_known{site=\"quillen-reach\",unit=\"AU-9\"} 0\n") {
		t.Error("the metrics show cycles while the reserve is unknown")
	}
	c.image.set("input", 0, 12000)
	c.hears.await("five cycles again", from, c.cycles(5))
}

// sequence: the events came complete and in order, each with an id of its own.
func (c *chain) sequence(t *testing.T) {
	t.Helper()
	next, ids := 1.0, map[any]bool{}
	for _, h := range c.hears.all() {
		if h.topic != c.unit+"event" {
			continue
		}
		if h.payload["sequence"] != next || ids[h.payload["id"]] || h.payload["durable"] != true {
			t.Errorf("event %v %v durable %v; want number %v", h.payload["sequence"], h.payload["id"], h.payload["durable"], next)
		}
		ids[h.payload["id"]] = true
		next++
	}
	if next < 8 {
		t.Errorf("only %v events", next-1)
	}
}

// lateSubscriber: who comes late finds the present state retained.
func (c *chain) lateSubscriber(t *testing.T) {
	t.Helper()
	late := subscribe(t, c.mqtt, "strokebank/#")
	for _, topic := range []string{c.unit + "reserve", c.unit + "alarm/pump1/overload", c.unit + "alarm/unit/low_reserve", "strokebank/quillen-reach/gateway-test/status"} {
		late.await(topic+" retained", 0, func(h heard) bool { return h.topic == topic && h.retained })
	}
}

// checkPrometheus lets the real Prometheus scrape the agent and asks it, and
// the real checker look at the metrics.
func (c *chain) checkPrometheus(t *testing.T) {
	t.Helper()
	check := exec.Command(tool(t, "promtool", "prometheus"), "check", "metrics")
	check.Stdin = strings.NewReader(get(t, fmt.Sprintf("http://127.0.0.1:%d/metrics", c.http)))
	if out, err := check.CombinedOutput(); err != nil || len(strings.TrimSpace(string(out))) > 0 {
		t.Errorf("promtool check metrics: %v\n%s", err, out)
	}
	dir, port := t.TempDir(), freePort(t)
	conf := fmt.Sprintf("global: {scrape_interval: 200ms, scrape_timeout: 200ms}\nscrape_configs: [{job_name: strokebank, static_configs: [{targets: ['127.0.0.1:%d']}]}]\n", c.http)
	if err := os.WriteFile(dir+"/prometheus.yml", []byte(conf), 0o600); err != nil {
		t.Fatal(err)
	}
	start(t, tool(t, "prometheus", "prometheus"), "--config.file="+dir+"/prometheus.yml", "--storage.tsdb.path="+dir+"/data", "--web.listen-address="+at(port))
	listening(t, port)
	query := func(q string) string { return askPrometheus(port, q) }
	eventually(t, "Prometheus knows of one cycle", func() bool {
		return query(`strokebank_reserve_cycles{site="quillen-reach",unit="AU-9",figure="at_least"}`) == "1"
	})
	if got := query(`strokebank_alarm_active{alarm="low_reserve",source="unit"}`); got != "1" {
		t.Errorf("Prometheus sees low_reserve as %q", got)
	}
	for q, want := range map[string]string{
		`strokebank_pair_available_machines{pair="pump"}`:                                                   "2",
		`strokebank_service_run_until_due_seconds{source="pump1",task="strainer"} <= bool 3600000`:          "1",
		`strokebank_service_calendar_until_due_seconds{source="unit",task="relief_valve"} > bool 364*86400`: "1",
		`count(strokebank_proof_proven == 0) > bool 5`:                                                      "1",
		`count(strokebank_machine_output_ratio)`:                                                            "", // nothing has run yet
	} {
		if got := query(q); got != want {
			t.Errorf("Prometheus answers %s with %q, want %q", q, got, want)
		}
	}
}
