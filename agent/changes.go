package main

import (
	"context"
	"encoding/json"
	"maps"
	"slices"
	"strings"
	"time"

	"strokebank/agent/internal/watch"
	"strokebank/configs"
	"strokebank/rules"
)

// ownState is the name under which the agent keeps what concerns no unit.
const ownState = ""

// noteChanges compares the configuration with the one that held before and
// records each key that differs, with old and new, in one transaction with
// the configuration itself: no change is told twice or not at all.
func (s *station) noteChanges(ctx context.Context, cfg *configs.Config, clock *watch.Clock) {
	var before map[string]string
	state, err := s.store.State(ctx, ownState)
	if err == nil && state != nil {
		err = json.Unmarshal(state, &before)
	}
	if err != nil {
		s.log.Error("the configuration that held before could not be read: changes of it are not recorded", "err", err)
		before = nil
	}
	now, err := json.Marshal(cfg.Effective)
	if err != nil {
		s.log.Error("the configuration could not be kept", "err", err)
		return
	}
	var events []rules.Event
	if before != nil {
		wall, _, trusted := clock.Now()
		events = changes(before, cfg.Effective, wall, trusted)
	}
	if before != nil && len(events) == 0 {
		return
	}
	for i := range events {
		events[i].Site = cfg.Site
	}
	if _, err := s.store.Record(ctx, ownState, events, nil, now); err != nil {
		s.log.Error("changes of the configuration could not be recorded", "err", err)
	}
}

// changes is an event for every key that differs, in the order of the paths.
func changes(before, now map[string]string, at time.Time, trusted bool) []rules.Event {
	paths := map[string]bool{}
	for path := range before {
		paths[path] = true
	}
	for path := range now {
		paths[path] = true
	}
	var events []rules.Event
	for _, path := range slices.Sorted(maps.Keys(paths)) {
		from, was := before[path]
		to, is := now[path]
		if from == to && was == is {
			continue
		}
		e := rules.Event{Kind: rules.ConfigEvent, Time: at, ClockTrusted: trusted, Source: path, Name: "changed",
			From: from, To: to, By: "configuration file"}
		switch {
		case !was:
			e.Name = "added"
		case !is:
			e.Name = "removed"
		}
		e.Unit, e.Source = owner(path)
		events = append(events, e)
	}
	return events
}

// owner takes the unit out of a key's path: units.AU-7.reserve.cycle is the
// unit AU-7's reserve.cycle. A unit's name may have points in it, and so its
// own keys tell where it ends.
func owner(path string) (unit, key string) {
	rest, ok := strings.CutPrefix(path, "units.")
	if !ok {
		return "", path
	}
	for _, own := range configs.UnitKeys() {
		if name, _, found := strings.Cut(rest, "."+own); found && name != "" {
			if tail := rest[len(name)+1:]; tail == own || strings.HasPrefix(tail, own+".") {
				return name, tail
			}
		}
	}
	return "", path
}
