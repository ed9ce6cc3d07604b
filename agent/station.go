package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"time"

	"strokebank/agent/internal/dashboard"
	"strokebank/agent/internal/history"
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
	uplink  *uplink.Uplink // nil where nothing is published
	page    *dashboard.Server
	watches []*watch.Watch
}

// assemble joins the rooms of a configuration and opens what must be open
// before anything starts: the store and the page's socket. Close it.
func assemble(ctx context.Context, cfg *configs.Config, log *slog.Logger) (*station, error) {
	store, err := history.Open(ctx, history.Options{
		Dir: cfg.History.Dir, Agent: cfg.Agent, Log: log,
		Retain: history.Retain{Events: cfg.History.KeepEvents, Trends: cfg.History.KeepTrends},
	})
	if err != nil {
		return nil, err
	}
	s := &station{log: log, store: store, board: watch.NewBoard(unitNames(cfg))}
	if err := s.join(ctx, cfg); err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return s, nil
}

// join puts the parts on top of the open store.
func (s *station) join(ctx context.Context, cfg *configs.Config) error {
	newest, err := newestTime(ctx, s.store)
	if err != nil {
		return err
	}
	if s.poller, err = sensors.New(cfg.Links, watch.NewClock(newest, cfg.Clock.RequireSync), s.log); err != nil {
		return err
	}
	for _, unit := range cfg.Units {
		w, err := s.watchOf(ctx, unit)
		if err != nil {
			return err
		}
		s.watches = append(s.watches, w)
	}
	if cfg.Broker != nil {
		if s.uplink, err = uplink.New(uplinkConfig(cfg, s.store.Installation()), s.store, s.board, s.log); err != nil {
			return err
		}
	}
	handler, err := s.handler(cfg)
	if err != nil {
		return err
	}
	s.page, err = dashboard.Listen(dashboard.Listening{Address: cfg.HTTP.Listen, Log: s.log}, handler)
	return err
}

// watchOf restores one unit and makes its watch.
func (s *station) watchOf(ctx context.Context, unit configs.Unit) (*watch.Watch, error) {
	name := unit.Rules.Unit
	source, err := s.poller.Source(name, unit.Points)
	if err != nil {
		return nil, err
	}
	state, err := s.store.State(ctx, name)
	if err != nil {
		return nil, fmt.Errorf("unit %s: saved state: %w", name, err)
	}
	beat, _, err := s.store.LastBeat(name)
	if err != nil {
		// Without it a run under way at the stop is shorter than it was; that
		// is no reason not to watch.
		s.log.Warn("heartbeat could not be read", "unit", name, "err", err)
	}
	judge, err := rules.New(unit.Rules, source.Points(), state, beat)
	if err != nil {
		return nil, err
	}
	return &watch.Watch{Site: unit.Rules.Site, Unit: name, Source: source, Judge: judge,
		Recorder: s.store, Shower: s.board, Log: s.log}, nil
}

// Run runs all parts until ctx ends or one of them fails.
func (s *station) Run(ctx context.Context) error {
	outside := watch.Stage{{Name: "page", Run: s.page.Run}}
	if s.uplink != nil {
		outside = append(outside, watch.Part{Name: "uplink", Run: s.uplink.Run})
	}
	var units watch.Stage
	for _, w := range s.watches {
		units = append(units, watch.Part{Name: "watch " + w.Unit, Run: w.Run})
	}
	return watch.Supervise(ctx, s.log,
		watch.Stage{{Name: "history", Run: s.store.Run}},
		outside,
		watch.Stage{{Name: "sensors", Run: s.poller.Run}},
		units)
}

// Close closes the store.
func (s *station) Close() error { return s.store.Close() }

// handler is the page with the metrics beside it.
func (s *station) handler(cfg *configs.Config) (http.Handler, error) {
	scraped, err := s.metrics()
	if err != nil {
		return nil, err
	}
	mux := http.NewServeMux()
	mux.Handle("/metrics", scraped)
	mux.Handle("/", dashboard.New(dashboard.Options{
		Units: s.board, Events: s.store, Log: s.log, Version: release,
		USUnits: cfg.Units[0].Display == quantity.US, StaleAfter: max(3*cfg.Scan, 3*time.Second),
	}))
	return mux, nil
}

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
func uplinkConfig(cfg *configs.Config, installation string) uplink.Config {
	b := cfg.Broker
	return uplink.Config{
		Broker: b.Address, Site: cfg.Site, Agent: cfg.Agent, Units: unitNames(cfg),
		Installation: installation, Version: release,
		User: b.User, PasswordFile: b.PasswordFile, PasswordEnv: b.PasswordEnv,
		CAFile: b.CAFile, CertFile: b.CertificateFile, KeyFile: b.KeyFile, ServerName: b.ServerName,
		AcceptAnyServerCertificate: b.SkipCertificateCheck, AllowPlainPassword: b.AllowPlainText,
		LivePeriod: b.LivePeriod,
	}
}
