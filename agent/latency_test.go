package main

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/simonvetter/modbus"

	"strokebank/configs"
)

// servedUnit is the unit of the whole-chain test as a Modbus server inside the
// test: a change is there at once, which the independent peer cannot do.
type servedUnit struct {
	mu       sync.Mutex
	pressure uint16
}

func (r *servedUnit) set(pressure uint16) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.pressure = pressure
}

func (r *servedUnit) HandleCoils(q *modbus.CoilsRequest) ([]bool, error) {
	on := make([]bool, q.Quantity)
	for i := range on {
		on[i] = true // mains is there
	}
	return on, nil
}

func (r *servedUnit) HandleDiscreteInputs(q *modbus.DiscreteInputsRequest) ([]bool, error) {
	return make([]bool, q.Quantity), nil
}

func (r *servedUnit) HandleHoldingRegisters(q *modbus.HoldingRegistersRequest) ([]uint16, error) {
	out := make([]uint16, q.Quantity)
	for i := range out {
		if int(q.Addr)+i == 10 {
			out[i] = 0x4000 // 2.0 m as a float32
		}
	}
	return out, nil
}

func (r *servedUnit) HandleInputRegisters(q *modbus.InputRegistersRequest) ([]uint16, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	out := make([]uint16, q.Quantity)
	for i := range out {
		switch int(q.Addr) + i {
		case 0:
			out[i] = r.pressure
		case 2:
			out[i] = 200 // 20.0 °C
		}
	}
	return out, nil
}

// prompt is the agent in this process with everything around it, all delays
// zero.
type prompt struct {
	plant *servedUnit
	hears *arrivals
	scan  time.Duration
}

// newPrompt starts it on a history of so many unsent events.
func newPrompt(b *testing.B, scan string, events int) *prompt {
	b.Helper()
	p := &prompt{plant: &servedUnit{pressure: 12000}}
	port, mqtt, dir := freePort(b), broker(b), filepath.Join(b.TempDir(), "history")
	server, err := modbus.NewServer(&modbus.ServerConfiguration{URL: "tcp://" + at(port), MaxClients: 5,
		Logger: slog.NewLogLogger(slog.DiscardHandler, slog.LevelInfo)}, p.plant)
	if err != nil {
		b.Fatal(err)
	}
	if err := server.Start(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = server.Stop() })
	text, err := os.ReadFile(configuration(b, "chain.yaml", map[string]string{"PORT_MODBUS": fmt.Sprint(port),
		"PORT_MQTT": fmt.Sprint(mqtt), "PORT_HTTP": fmt.Sprint(freePort(b)), "STORE": dir, "scan: 200 ms": "scan: " + scan, "timeout: 190 ms": "timeout: 80 ms"}))
	if err != nil {
		b.Fatal(err)
	}
	cfg, err := configs.Parse(bytes.NewReader(text))
	if err != nil {
		b.Fatal(err)
	}
	p.scan = cfg.Scan
	unsent(b, dir, events)
	p.hears = arrive(b, mqtt)
	s, err := assemble(context.Background(), cfg, slog.New(slog.DiscardHandler))
	if err != nil {
		b.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error)
	go func() { ended <- s.Run(ctx) }()
	b.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			b.Error(err)
		}
		if err := s.Close(); err != nil {
			b.Error(err)
		}
	})
	return p
}

// change changes the pressure and returns how long a message about it took.
func (p *prompt) change(pressure uint16, what string) time.Duration {
	p.hears.forget(what)
	began := time.Now()
	p.plant.set(pressure)
	return p.hears.await(what).at.Sub(began)
}

// forget lets await wait for the next such message.
func (a *arrivals) forget(what string) {
	a.mu.Lock()
	defer a.mu.Unlock()
	delete(a.marks, what)
}

const (
	lowEvent = "event low_pressure unacknowledged"
	lowState = "state low_pressure unacknowledged"
)

// BenchmarkChangeToSubscriber is the way from a change at the Modbus server to
// the event at a subscriber, durable and in order: at most one scan until the
// change is read, and what is reported as "after-scan" for all the rest.
func BenchmarkChangeToSubscriber(b *testing.B) {
	for _, scan := range []string{"100 ms", "200 ms"} {
		b.Run("scan="+scan, func(b *testing.B) {
			p := newPrompt(b, scan, 0)
			p.change(9800, lowEvent)
			var took []time.Duration
			for b.Loop() {
				p.change(12000, "state low_pressure returned unacknowledged")
				time.Sleep(rand.N(2 * p.scan)) // at any moment of a scan
				took = append(took, p.change(9800, lowEvent))
			}
			slices.Sort(took)
			at := func(percent int) float64 {
				return float64(took[(len(took)-1)*percent/100].Microseconds()) / 1000
			}
			b.ReportMetric(at(50), "p50-ms")
			b.ReportMetric(at(99), "p99-ms")
			b.ReportMetric(at(99)-float64(p.scan.Milliseconds()), "p99-after-scan-ms")
		})
	}
}

// BenchmarkBacklog is what a subscriber sees of an alarm that is raised while
// a week's events drain: its retained state, its event in order, and the end
// of the backlog.
func BenchmarkBacklog(b *testing.B) {
	var state, event, drained time.Duration
	for b.Loop() {
		b.StopTimer()
		p := newPrompt(b, "100 ms", backlog)
		b.StartTimer()
		eventually(b, "the backlog comes", func() bool { return p.hears.reached() > 0 })
		began := time.Now()
		p.plant.set(9800)
		state += p.hears.await(lowState).at.Sub(began)
		event += p.hears.await(lowEvent).at.Sub(began)
		eventually(b, "all is there", func() bool { return p.hears.reached() > backlog })
		drained += time.Since(p.hears.first)
	}
	b.ReportMetric(float64(state.Milliseconds())/float64(b.N), "state-ms")
	b.ReportMetric(float64(event.Milliseconds())/float64(b.N), "event-ms")
	b.ReportMetric(float64(drained.Milliseconds())/float64(b.N), "drain-ms")
}
