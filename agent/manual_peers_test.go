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

// panelAt is the simulated unit behind a real Modbus server.
func panelAt(t *testing.T, address string) string {
	t.Helper()
	plant, err := simulator.New(simulator.QuillenReach(), 5)
	if err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	server, err := simulator.NewServer(l, 1, plant)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- server.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		<-ended
	})
	return l.Addr().String()
}
