package main

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"maps"
	"net"
	"os"
	"time"

	"strokebank/agent/internal/simulator"
	"strokebank/agent/internal/watch"
	"strokebank/configs"
	"strokebank/rules"
	"strokebank/rules/alarm"
)

// demoExample is the example configuration that the demo runs on: the same
// file that `run` would take, with the addresses of the demo put in.
const demoExample = "quillen-reach"

// demoSpeed is how many times faster than a real one the simulated unit lives,
// so that a refill does not take minutes.
const demoSpeed = 3

func demo(ctx context.Context, sh shell, args []string) int {
	fs := flag.NewFlagSet("demo", flag.ContinueOnError)
	page := fs.String("page", "127.0.0.1:8480", "serve the page, the API and /metrics at this `address`")
	broker := fs.String("broker", "127.0.0.1:18830", "run the MQTT broker at this `address`")
	panel := fs.String("modbus", "127.0.0.1:15020", "let the simulated unit answer Modbus TCP at this `address`")
	dir := fs.String("dir", "", "keep history in this `directory` (default: one that is removed at the end)")
	limit := fs.Duration("for", 0, "end after this `time` (default: until told to stop)")
	level := fs.String("log-level", "warn", "log from `debug, info, warn or error` on")
	if code, done := parse(fs, sh, args, "demo [flags]", 0); done {
		return code
	}
	log, err := logger(sh, configs.Log{Level: *level, Format: "text"})
	if err != nil {
		fmt.Fprintln(sh.err, "strokebank:", err)
		return exitUsage
	}
	if *limit > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, *limit)
		defer cancel()
	}
	if *dir == "" {
		if *dir, err = os.MkdirTemp("", "strokebank-demo-"); err != nil {
			fmt.Fprintln(sh.err, "strokebank:", err)
			return exitFailed
		}
		defer os.RemoveAll(*dir)
	}
	if err := stage(ctx, sh, log, *page, *broker, *panel, *dir); err != nil {
		fmt.Fprintln(sh.err, "strokebank:", err)
		return exitFailed
	}
	return exitOK
}

// stage puts a plant, a broker and an agent beside each other and lets a
// listener at the broker tell what it hears.
func stage(ctx context.Context, sh shell, log *slog.Logger, page, brokerAt, panelAt, dir string) error {
	cfg, err := demoConfig(page, brokerAt, panelAt, dir)
	if err != nil {
		return err
	}
	broker, err := startBroker(brokerAt)
	if err != nil {
		return err
	}
	defer broker.Close()
	s, err := assemble(ctx, cfg, log)
	if err != nil {
		return err
	}
	plant, server, err := demoPlant(panelAt)
	if err != nil {
		return errors.Join(err, s.Close())
	}
	fmt.Fprintf(sh.out, `A simulated accumulator unit, AU-7 at Quillen Reach (invented), is watched live.

  page       http://%[1]s/
  metrics    http://%[1]s/metrics
  broker     mqtt://%[2]s   topics strokebank/#
  panel      modbus tcp %[3]s, device 7

The unit lives %[4]d times faster than a real one, and some alarms wait less, so
that it fits into a minute. Stop with Ctrl-C. Below: what is done to the unit,
and what a listener at the broker hears of it.

`, page, brokerAt, panelAt, demoSpeed)
	n := newNarrator(sh.out, cfg.Units[0].Display)
	err = watch.Supervise(ctx, log,
		watch.Stage{{Name: "panel", Run: server.Run}},
		watch.Stage{{Name: "agent", Run: s.Run}},
		watch.Stage{
			{Name: "listener", Run: func(ctx context.Context) error { return n.listen(ctx, brokerAt) }},
			{Name: "story", Run: func(ctx context.Context) error { return tell(ctx, n, plant) }},
		})
	return errors.Join(err, s.Close())
}

// demoConfig is the example file with the demo's addresses.
func demoConfig(page, broker, panel, dir string) (*configs.Config, error) {
	text, err := configs.Example(demoExample)
	if err != nil {
		return nil, err
	}
	cfg, err := configs.Parse(bytes.NewReader(text))
	if err != nil {
		return nil, err
	}
	cfg.HTTP.Listen, cfg.History.Dir = page, dir
	for i := range cfg.Links {
		cfg.Links[i].Address = panel
	}
	cfg.Broker = &configs.Broker{Address: "tcp://" + broker, LivePeriod: 2 * time.Second}
	cfg.Access = configs.Access{ActWithoutSecret: true} // the page may acknowledge
	hurry(&cfg.Units[0].Rules)
	return cfg, nil
}

// hurry makes the story fit into a minute: more cycles are required than on a
// real unit of this size, and three alarms wait less.
func hurry(unit *rules.Config) {
	unit.Reserve.Required = 9
	unit.Alarms = maps.Clone(unit.Alarms)
	if unit.Alarms == nil {
		unit.Alarms = map[string]alarm.Setting{}
	}
	for _, name := range []string{alarm.LowReserve, alarm.MainsLost, alarm.ReserveUnknown} {
		setting := unit.Alarms[name]
		on, off := 3*time.Second, 3*time.Second
		setting.OnDelay, setting.OffDelay = &on, &off
		unit.Alarms[name] = setting
	}
}

// demoPlant is the simulated unit behind its Modbus server.
func demoPlant(address string) (*simulator.Plant, *simulator.Server, error) {
	build := simulator.QuillenReach()
	build.Routine = simulator.Routine{} // the story strokes the valves
	build.Start.Pressure, build.Start.Oil = 8.52e5, 0.845
	plant, err := simulator.New(build, 7)
	if err != nil {
		return nil, nil, err
	}
	listener, err := net.Listen("tcp", address)
	if err != nil {
		return nil, nil, fmt.Errorf("simulated panel: %w", err)
	}
	server, err := simulator.NewServer(listener, demoSpeed, plant)
	if err != nil {
		return nil, nil, errors.Join(err, listener.Close())
	}
	return plant, server, nil
}
