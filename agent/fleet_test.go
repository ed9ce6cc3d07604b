package main

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// heldTo is a real broker that holds everybody to a list of deploy/broker and
// takes any password.
func heldTo(t *testing.T, list string) (port int) {
	t.Helper()
	acl, conf := filepath.Join(t.TempDir(), list), filepath.Join(t.TempDir(), "mosquitto.conf")
	put(t, acl, readText(t, "../deploy/broker/"+list))
	port = freePort(t)
	put(t, conf, fmt.Sprintf("listener %d 127.0.0.1\nallow_anonymous true\nacl_file %s\nuser %s\n", port, acl, ownName(t)))
	start(t, tool(t, "mosquitto", "mosquitto"), "-c", conf)
	listening(t, port)
	return port
}

// atBroker is somebody at a broker without TLS.
func atBroker(t *testing.T, port int, name string) mqtt.Client {
	t.Helper()
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + at(port)).SetClientID(name).SetUsername(name).SetProtocolVersion(4))
	done(t, c.Connect())
	t.Cleanup(func() { c.Disconnect(100) })
	return c
}

// With sites.acl at a real broker an agent's rights end at its site, and who
// looks sees all sites but no command. The broker takes any password here: who
// is who is held by the test of the other examples.
func TestSitesAtOneBroker(t *testing.T) {
	port := heldTo(t, "sites.acl")
	quillen, dunmorrow, viewer := atBroker(t, port, "quillen-reach"), atBroker(t, port, "dunmorrow-flats"), atBroker(t, port, "viewer")
	seen := listen(t, viewer, "strokebank/+/+/+")
	alarms := listen(t, viewer, "strokebank/+/+/alarm/+/+")
	orders := listen(t, dunmorrow, "strokebank/+/+/command")
	say := func(c mqtt.Client, topic string) { done(t, c.Publish(topic, 1, false, "{}")) }

	for _, last := range []string{"event", "status", "inspect", "reserve", "live", "reply", "alarm/unit/low_reserve"} {
		say(quillen, "strokebank/dunmorrow-flats/ACC-2/"+last) // another's site
		say(quillen, "strokebank/quillen-reach/AU-7/"+last)
		say(dunmorrow, "strokebank/dunmorrow-flats/ACC-2/"+last)
	}
	say(viewer, "strokebank/quillen-reach/AU-7/command")
	say(quillen, "strokebank/quillen-reach/AU-7/command")
	say(dunmorrow, "strokebank/dunmorrow-flats/ACC-2/event") // comes behind whatever else would

	alarms.await("the alarm of its own site", 0, func(h heard) bool { return h.topic == "strokebank/quillen-reach/AU-7/alarm/unit/low_reserve" })
	last := 0
	eventually(t, "the last message", func() bool {
		last = 0
		for _, h := range seen.all() {
			if h.topic == "strokebank/dunmorrow-flats/ACC-2/event" {
				last++
			}
		}
		return last == 2
	})
	count := map[string]int{}
	for _, h := range append(seen.all(), alarms.all()...) {
		count[h.topic]++
	}
	for _, unit := range []string{"quillen-reach/AU-7/", "dunmorrow-flats/ACC-2/"} {
		for _, last := range []string{"event", "status", "reserve", "live", "reply", "alarm/unit/low_reserve"} {
			want := 1
			if strings.HasPrefix(unit, "dunmorrow") && last == "event" {
				want = 2
			}
			if got := count["strokebank/"+unit+last]; got != want {
				t.Errorf("%s was heard %d times, want %d", unit+last, got, want)
			}
		}
	}
	if len(orders.all()) > 0 || count["strokebank/quillen-reach/AU-7/command"] > 0 || count["strokebank/quillen-reach/AU-7/inspect"] > 0 {
		t.Errorf("heard what was not for them: %v, %v", orders.all(), count)
	}
}

// What the broker keeps of a unit is cleared by the keeper alone, who reads and
// writes nothing else.
func TestKeeperClears(t *testing.T) {
	kept := []string{"AU-7/alarm/unit/low_reserve", "AU-7/reserve", "gateway-1/status"}
	for list, others := range map[string][]string{
		"access.acl": {"control-room", "stranger"},
		"sites.acl":  {"dunmorrow-flats"},
	} {
		t.Run(list, func(t *testing.T) {
			port := heldTo(t, list)
			name := map[string]string{"access.acl": "gateway-1", "sites.acl": "quillen-reach"}[list]
			agent, keeper, viewer := atBroker(t, port, name), atBroker(t, port, "keeper"), atBroker(t, port, "viewer")
			for _, last := range kept {
				done(t, agent.Publish("strokebank/quillen-reach/"+last, 1, true, "{}"))
			}
			clear := func(c mqtt.Client) {
				for _, last := range kept {
					done(t, c.Publish("strokebank/quillen-reach/"+last, 1, true, ""))
				}
			}
			left := func() (all []string) {
				seen := listen(t, keeper, "strokebank/quillen-reach/#")
				done(t, keeper.Publish("strokebank/quillen-reach/AU-7/reserve", 1, false, "{}")) // comes behind what is kept
				seen.await("the end of what is kept", 0, func(h heard) bool { return !h.retained })
				for _, h := range seen.all() {
					if h.retained {
						all = append(all, strings.TrimPrefix(h.topic, "strokebank/quillen-reach/"))
					}
				}
				done(t, keeper.Unsubscribe("strokebank/quillen-reach/#"))
				slices.Sort(all)
				return all
			}
			orders := listen(t, keeper, "strokebank/+/+/command")
			for _, other := range append(others, "viewer") {
				c := viewer // a second one of that name would push the first out
				if other != "viewer" {
					c = atBroker(t, port, other)
				}
				clear(c)
				done(t, c.Publish("strokebank/quillen-reach/AU-7/command", 1, false, "{}"))
				if got := left(); !slices.Equal(got, kept) {
					t.Fatalf("with %s there is left %v", other, got)
				}
			}
			events := listen(t, viewer, "strokebank/+/+/event")
			done(t, keeper.Publish("strokebank/quillen-reach/AU-7/event", 1, false, "{}"))
			done(t, agent.Publish("strokebank/quillen-reach/AU-7/event", 1, false, `{"of": "the agent"}`))
			events.await("the agent's event", 0, func(h heard) bool { return true })
			if got := events.all(); len(got) != 1 || got[0].payload["of"] != "the agent" {
				t.Errorf("the keeper spoke for the agent: %v", got)
			}
			clear(keeper)
			if got := left(); len(got) > 0 || len(orders.all()) > 0 {
				t.Errorf("there is left %v; orders heard: %v", got, orders.all())
			}
		})
	}
}
