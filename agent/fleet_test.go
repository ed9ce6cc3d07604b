package main

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// With sites.acl at a real broker an agent's rights end at its site, and who
// looks sees all sites but no command. The broker takes any password here: who
// is who is held by the test of the other examples.
func TestSitesAtOneBroker(t *testing.T) {
	acl := filepath.Join(t.TempDir(), "sites.acl")
	put(t, acl, readText(t, "../deploy/broker/sites.acl"))
	conf, port := filepath.Join(t.TempDir(), "mosquitto.conf"), freePort(t)
	put(t, conf, fmt.Sprintf("listener %d 127.0.0.1\nallow_anonymous true\nacl_file %s\nuser %s\n", port, acl, ownName(t)))
	start(t, tool(t, "mosquitto", "mosquitto"), "-c", conf)
	listening(t, port)
	as := func(name string) mqtt.Client {
		c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + at(port)).SetClientID(name).SetUsername(name).SetProtocolVersion(4))
		done(t, c.Connect())
		t.Cleanup(func() { c.Disconnect(100) })
		return c
	}
	quillen, dunmorrow, viewer := as("quillen-reach"), as("dunmorrow-flats"), as("viewer")
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
