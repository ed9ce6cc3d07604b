package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"sync"

	"strokebank/configs"
)

// service is the program as it stays: a station, and after a right reload the
// next one.
type service struct {
	file   string
	logger func(*configs.Config) (*slog.Logger, error) // what the command line says goes before the file
	hangup <-chan os.Signal                            // read the file again
	tell   notifier
	heart  heart
	outfit outfit

	log *slog.Logger
	cfg *configs.Config
}

// run watches until ctx ends or a part fails. At a hang-up signal the file is
// read and checked: where it is wrong, all that is wrong is logged and the
// station goes on; where it is right, the station stops in order, with
// everything recorded, and one of the new configuration takes its place.
func (s *service) run(ctx context.Context, cfg *configs.Config) error {
	var err error
	if s.log, err = s.logger(cfg); err != nil {
		return err
	}
	s.cfg = cfg
	st, err := assembleWith(ctx, cfg, s.log, s.outfit)
	if err != nil {
		return err
	}
	s.heart.restart(unitNames(cfg), cfg.Scan)
	defer s.feeding(ctx)()
	for st != nil && err == nil {
		st, err = s.serve(ctx, st)
	}
	return err
}

// feeding feeds the watchdog, where there is one, until the function that it
// gives is called.
func (s *service) feeding(ctx context.Context) (stop func()) {
	if s.tell.watchdog <= 0 {
		return func() {}
	}
	ctx, cancel := context.WithCancel(ctx)
	log := s.log
	var feed sync.WaitGroup
	feed.Go(func() {
		s.heart.feed(ctx, s.tell.watchdog/3, func() { s.tell.say("WATCHDOG=1") }, func(units []string) {
			log.Error("units do not scan any more, the watchdog is not fed", "units", units)
		})
	})
	return func() {
		cancel()
		feed.Wait()
	}
}

// serve runs one station to its end, and gives the next one where there is
// to be one.
func (s *service) serve(ctx context.Context, st *station) (*station, error) {
	for _, w := range st.watches {
		w.Source = beating{w.Source, &s.heart, w.Unit}
	}
	running, stop := context.WithCancel(ctx)
	defer stop()
	ended := make(chan error, 1)
	go func() { ended <- st.Run(running) }()
	s.log.Info("watching", "site", s.cfg.Site, "units", unitNames(s.cfg), "version", release, "commit", commit(),
		"installation", st.store.Installation(), "page", st.page.URL())
	s.notify("READY=1", fmt.Sprintf("STATUS=watching %d unit(s)", len(st.watches)))
	for {
		select {
		case err := <-ended:
			s.notify("STOPPING=1")
			return nil, errors.Join(err, st.Close())
		case <-s.hangup:
		}
		next, log := s.reread()
		if next == nil {
			continue
		}
		s.notify("RELOADING=1")
		stop()
		if err := errors.Join(<-ended, st.Close()); err != nil || ctx.Err() != nil {
			return nil, err
		}
		return s.replace(ctx, next, log)
	}
}

// reread reads the file again; nil where it is wrong.
func (s *service) reread() (*configs.Config, *slog.Logger) {
	cfg, err := read(s.file)
	var log *slog.Logger
	if err == nil {
		log, err = s.logger(cfg)
	}
	if err == nil {
		return cfg, log
	}
	var problems configs.Problems
	if !errors.As(err, &problems) {
		s.log.Error("reload refused", "err", err)
	}
	for _, p := range problems {
		s.log.Error("reload refused", "err", p.Error())
	}
	s.notify(fmt.Sprintf("STATUS=reload refused (see the log); still watching %d unit(s)", len(s.cfg.Units)))
	return nil, nil
}

// replace is the station of a new configuration. Where that cannot be put
// together after all (its port is taken, its directory is read-only), the old
// one comes back.
func (s *service) replace(ctx context.Context, next *configs.Config, log *slog.Logger) (*station, error) {
	s.heart.restart(unitNames(next), next.Scan)
	st, err := assembleWith(ctx, next, log, s.outfit)
	if err == nil {
		s.cfg, s.log = next, log
		s.log.Info("reloaded", "file", s.file)
		return st, nil
	}
	s.log.Error("reload failed, going back to the configuration before", "err", err)
	s.heart.restart(unitNames(s.cfg), s.cfg.Scan)
	return assembleWith(ctx, s.cfg, s.log, s.outfit)
}

func (s *service) notify(lines ...string) {
	if err := s.tell.say(lines...); err != nil {
		s.log.Warn("service manager not told", "err", err)
	}
}
