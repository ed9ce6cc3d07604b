package main

import (
	"context"
	"net"
	"testing"

	"strokebank/agent/internal/simulator"
)

// brokerOfTheManual keeps messages of a unit that is no more.
func brokerOfTheManual(t *testing.T, port int) int {
	t.Helper()
	brokerAt(t, port)
	c := atBroker(t, port, "gateway-1")
	for _, last := range []string{"reserve", "alarm/unit/low_reserve"} {
		done(t, c.Publish("strokebank/quillen-reach/AU-6/"+last, 1, true, "{}"))
	}
	return port
}

// panelAt is a simulated unit behind a real Modbus server.
func panelAt(t *testing.T, address string) string {
	t.Helper()
	plant, err := simulator.New(simulator.QuillenReach(), 5)
	if err != nil {
		t.Fatal(err)
	}
	return panelOf(t, plant, 1, address)
}

// panelOf serves a plant, so many times as fast as time goes, until the test ends.
func panelOf(t *testing.T, plant *simulator.Plant, speed float64, address string) string {
	t.Helper()
	l, err := net.Listen("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	server, err := simulator.NewServer(l, speed, plant)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- server.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	return l.Addr().String()
}
