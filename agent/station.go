package main

import (
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"net/http"
	"slices"
	"time"

	"strokebank/agent/internal/authority"
	"strokebank/agent/internal/dashboard"
	"strokebank/agent/internal/history"
	"strokebank/agent/internal/recording"
	"strokebank/agent/internal/registers"
	"strokebank/agent/internal/uplink"
	"strokebank/agent/internal/watch"
	"strokebank/configs"
	"strokebank/configs/quantity"
	"strokebank/rules"
	"strokebank/sensors"
)

// station is one configuration put together: every room joined to the others.
type station struct {
	log     *slog.Logger
	store   *history.Store
	board   *watch.Board
	poller  *sensors.Poller
	uplink  *uplink.Uplink    // nil where nothing is published
	server  *registers.Server // nil where nothing is served over Modbus
	page    *dashboard.Server
	watches desk

	recorder  *recording.Recorder // nil where nothing is recorded
	authority *authority.Authority
	people    *people
}

// assemble joins the rooms of a configuration and opens what must be open
// before anything starts: the store and the page's socket. Close it.
func assemble(ctx context.Context, cfg *configs.Config, log *slog.Logger) (*station, error) {
	return assembleWith(ctx, cfg, log, outfit{clock: watch.SystemClock})
}

// assembleWith is assemble with what the configuration does not say.
func assembleWith(ctx context.Context, cfg *configs.Config, log *slog.Logger, o outfit) (*station, error) {
	clock := o.clock
	store, err := history.Open(ctx, history.Options{
		Dir: cfg.History.Dir, Agent: cfg.Agent, Log: log, Now: clock.Wall,
		Retain: history.Retain{Events: cfg.History.KeepEvents, Trends: cfg.History.KeepTrends},
	})
	if err != nil {
		return nil, err
	}
	s := &station{log: log, store: store, board: watch.NewBoard(unitNames(cfg)), recorder: newRecorder(o.record, log), people: o.people}
	if s.people == nil {
		s.people = newPeople()
	}
	if err := s.join(ctx, cfg, clock); err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return s, nil
}

// join puts the parts on top of the open store.
func (s *station) join(ctx context.Context, cfg *configs.Config, clock watch.ClockSources) error {
	newest, err := newestTime(ctx, s.store)
	if err != nil {
		s.log.Error("the newest event could not be read: the clock is not held against it", "err", err)
	}
	now := watch.NewClock(clock, newest, cfg.Clock.RequireSync)
	if s.poller, err = sensors.New(cfg.Links, now, s.log); err != nil {
		return err
	}
	for i := range cfg.Units {
		w, err := s.watchOf(ctx, cfg, i)
		if err != nil {
			return err
		}
		s.watches = append(s.watches, w)
	}
	if s.authority, err = authorityOf(cfg, s.people.memory); err != nil {
		return err
	}
	if cfg.Broker != nil {
		if s.uplink, err = uplink.New(s.uplinkConfig(cfg), s.store, s.board, s.log); err != nil {
			return err
		}
	}
	if s.server, err = registerServer(cfg, s.board, s.log); err != nil {
		return err
	}
	handler, err := s.handler(cfg)
	if err != nil {
		return err
	}
	s.noteChanges(ctx, cfg, now)
	s.page, err = dashboard.Listen(pageAt(cfg, s.authority, s.log), handler)
	return err
}

// watchOf restores one unit and makes its watch. The first unit has the
// agent's own alarms besides: one event each instead of one a unit.
func (s *station) watchOf(ctx context.Context, cfg *configs.Config, at int) (*watch.Watch, error) {
	unit := cfg.Units[at]
	name := unit.Rules.Unit
	source, err := s.poller.Source(name, unit.Points)
	if err != nil {
		return nil, err
	}
	w := &watch.Watch{Site: unit.Rules.Site, Unit: name, Source: source, Recorder: s.store, Shower: s.board, Log: s.log}
	points := slices.Clone(source.Points())
	if at == 0 {
		w.Source = watch.Self{Source: source, History: s.condition}
		points = append(points, watch.SelfPoints()...)
	}
	state, beat := s.past(ctx, name)
	s.onTape(w, cfg, points, state, beat)
	w.Judge, err = rules.New(unit.Rules, points, state, beat)
	return w, err
}

var errSpoiled = errors.New("the disk gave it back spoiled")

// past is what the unit's rules knew at the last stop. Without it alarms and
// counters start from nothing, and without the heartbeat a run that was under
// way is shorter than it was; neither is a reason not to watch.
func (s *station) past(ctx context.Context, unit string) (state, beat []byte) {
	state, err := s.store.State(ctx, unit)
	if err == nil && state != nil && !json.Valid(state) {
		err = errSpoiled
	}
	if err != nil {
		s.log.Error("saved state could not be read: alarms and counters start from nothing", "unit", unit, "err", err)
		state = nil
	}
	beat, _, err = s.store.LastBeat(unit)
	if err == nil && beat != nil && !json.Valid(beat) {
		err = errSpoiled
	}
	if err != nil {
		s.log.Warn("heartbeat could not be read", "unit", unit, "err", err)
		beat = nil
	}
	return state, beat
}

// condition is how the record stands.
func (s *station) condition() (durable, room bool) {
	h := s.store.Health()
	return h.Durable, h.Room
}

// Run runs all parts until ctx ends or one of them fails.
func (s *station) Run(ctx context.Context) error {
	outside := watch.Stage{{Name: "page", Run: s.page.Run}}
	if s.uplink != nil {
		outside = append(outside, watch.Part{Name: "uplink", Run: s.uplink.Run})
	}
	if s.server != nil {
		outside = append(outside, watch.Part{Name: "modbus server", Run: s.server.Run})
	}
	var units watch.Stage
	for _, w := range s.watches {
		units = append(units, watch.Part{Name: "watch " + w.Unit, Run: w.Run})
	}
	records := watch.Stage{{Name: "history", Run: s.store.Run}}
	if s.recorder != nil {
		records = append(records, watch.Part{Name: "recording", Run: s.recorder.Run})
	}
	return watch.Supervise(ctx, s.log,
		records,
		outside,
		watch.Stage{{Name: "sensors", Run: s.poller.Run}},
		units)
}

// Close closes the store, and a socket that was never served.
func (s *station) Close() error {
	if s.server != nil {
		s.server.Close()
	}
	return s.store.Close()
}

// handler is the page with the metrics beside it.
func (s *station) handler(cfg *configs.Config) (http.Handler, error) {
	scraped, err := s.metrics()
	if err != nil {
		return nil, err
	}
	return dashboard.New(dashboard.Options{
		Gate: s.authority, LogIns: s.people.logins, Commands: s.watches, CommandWait: commandWait(cfg), BehindProxy: cfg.HTTP.BehindProxy,
		Beside: map[string]http.Handler{"/metrics": scraped},
		Units:  s.board, Names: unitNames(cfg), Events: s.store, Log: s.log, Version: release,
		Past: s.store, Works: s.store, Suppose: supposes{cfg.Units},
		USUnits: cfg.Units[0].Display == quantity.US, StaleAfter: staleAfter(cfg),
	}), nil
}

// staleAfter is how old what is shown may be before it counts for nothing.
func staleAfter(cfg *configs.Config) time.Duration { return max(3*cfg.Scan, 3*time.Second) }

// newestTime is the time of the newest event in history: the clock cannot be
// right before it.
func newestTime(ctx context.Context, store *history.Store) (time.Time, error) {
	last := store.Newest()
	if last == 0 {
		return time.Time{}, nil
	}
	entries, err := store.Entries(ctx, last-1, 1)
	if err != nil || len(entries) == 0 || !entries[0].ClockTrusted {
		return time.Time{}, err
	}
	return entries[0].Time, nil
}

func unitNames(cfg *configs.Config) []string {
	var names []string
	for _, u := range cfg.Units {
		names = append(names, u.Rules.Unit)
	}
	return names
}

// uplinkConfig is the broker part of a configuration in the uplink's words.
func (s *station) uplinkConfig(cfg *configs.Config) uplink.Config {
	c := brokerOf(cfg)
	c.Installation, c.Commands, c.Commander, c.Gate = s.store.Installation(), cfg.Broker.Commands, s.watches, s.authority
	c.CommandWait = commandWait(cfg)
	return c
}

// brokerOf is the way to the broker that a configuration names.
func brokerOf(cfg *configs.Config) uplink.Config {
	b := cfg.Broker
	return uplink.Config{
		Broker: b.Address, Site: cfg.Site, Agent: cfg.Agent, Units: unitNames(cfg), Version: release,
		User: b.User, PasswordFile: b.PasswordFile, PasswordEnv: b.PasswordEnv,
		CAFile: b.CAFile, CertFile: b.CertificateFile, KeyFile: b.KeyFile, ServerName: b.ServerName,
		AcceptAnyServerCertificate: b.SkipCertificateCheck, AllowPlainPassword: b.AllowPlainText,
		LivePeriod: b.LivePeriod,
	}
}
