package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	ossignal "os/signal"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/simonvetter/modbus"

	"strokebank/agent/internal/watch"
	"strokebank/configs"
	"strokebank/sensors"
	"strokebank/sensors/register"
)

// loopOf lets the test's own program, as a process, only read what a
// configuration names: "bare" on the library alone, "scan" through the room
// that scans. What each takes of the processor is held against the agent's.
const loopOf = "STROKEBANK_TEST_LOOP"

func loop(way, file string) int {
	ctx, stop := ossignal.NotifyContext(context.Background(), syscall.SIGTERM)
	defer stop()
	cfg, err := read(file)
	if err == nil {
		err = map[string]func(context.Context, *configs.Config) error{"bare": bareLoop, "scan": scanLoop}[way](ctx, cfg)
	}
	if err != nil && ctx.Err() == nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return 0
}

// scanLoop takes every unit's scans and looks at none.
func scanLoop(ctx context.Context, cfg *configs.Config) error {
	poller, err := sensors.New(cfg.Links, watch.NewClock(watch.SystemClock, time.Time{}, false), slog.New(slog.NewTextHandler(io.Discard, nil)))
	if err != nil {
		return err
	}
	for _, u := range cfg.Units {
		source, err := poller.Source(u.Rules.Unit, u.Points)
		if err != nil {
			return err
		}
		go func() {
			for err := error(nil); err == nil; {
				_, err = source.Next(ctx)
			}
		}()
	}
	return poller.Run(ctx)
}

// bareLoop reads the same registers in the same requests, with one client a
// link and nothing around it. The simulated units refuse what reaches over a
// register that they do not have, which the agent has found out by then.
func bareLoop(ctx context.Context, cfg *configs.Config) error {
	var parts sync.WaitGroup
	errs := make([]error, len(cfg.Links))
	for i, l := range cfg.Links {
		var points []sensors.Point
		for _, u := range cfg.Units {
			for _, p := range u.Points {
				if p.Link == l.Name {
					points = append(points, p)
				}
			}
		}
		parts.Go(func() { errs[i] = bareLine(ctx, l, sensors.Plan(points, 0)) })
	}
	parts.Wait()
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

func bareLine(ctx context.Context, l sensors.Link, plan []sensors.Request) error {
	// It is measured, not tested: an answer that a busy machine delays ends nothing.
	client, err := modbus.NewClient(&modbus.ClientConfiguration{URL: "tcp://" + strings.TrimPrefix(l.Address, "tcp://"), Timeout: patience})
	if err != nil {
		return err
	}
	if err := client.Open(); err != nil {
		return err
	}
	defer client.Close()
	tick := time.NewTicker(l.Period)
	defer tick.Stop()
	for {
		for _, r := range plan {
			client.SetUnitId(r.Device)
			if err := bareRead(client, r); err != nil {
				return fmt.Errorf("%s, device %d: %w", l.Name, r.Device, err)
			}
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return nil
		}
	}
}

func bareRead(client *modbus.ModbusClient, r sensors.Request) error {
	var err error
	switch r.Table {
	case register.Coils:
		_, err = client.ReadCoils(r.Address, r.Count)
	case register.DiscreteInputs:
		_, err = client.ReadDiscreteInputs(r.Address, r.Count)
	case register.HoldingRegisters:
		_, err = client.ReadRegisters(r.Address, r.Count, modbus.HOLDING_REGISTER)
	default:
		_, err = client.ReadRegisters(r.Address, r.Count, modbus.INPUT_REGISTER)
	}
	return err
}
