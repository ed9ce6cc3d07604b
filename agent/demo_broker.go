package main

import (
	"fmt"
	"log/slog"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
)

// startBroker runs a broker inside the demo, so that it needs nothing else.
func startBroker(address string) (*mqtt.Server, error) {
	server := mqtt.New(&mqtt.Options{Logger: slog.New(slog.DiscardHandler)})
	if err := server.AddHook(new(openDoor), nil); err != nil {
		return nil, fmt.Errorf("demo broker: %w", err)
	}
	if err := server.AddListener(listeners.NewTCP(listeners.Config{ID: "demo", Address: address})); err != nil {
		return nil, fmt.Errorf("demo broker: %w", err)
	}
	if err := server.Serve(); err != nil {
		return nil, fmt.Errorf("demo broker: %w", err)
	}
	return server, nil
}

// openDoor lets everybody in: the demo's broker is reachable from this machine
// only, unless its address says otherwise. (The library's own hook for this
// would bring a second YAML parser along.)
type openDoor struct{ mqtt.HookBase }

func (*openDoor) ID() string { return "open-door" }

// Provides names the two questions that are answered.
func (*openDoor) Provides(b byte) bool {
	return b == mqtt.OnConnectAuthenticate || b == mqtt.OnACLCheck
}

func (*openDoor) OnConnectAuthenticate(*mqtt.Client, packets.Packet) bool { return true }

func (*openDoor) OnACLCheck(*mqtt.Client, string, bool) bool { return true }
