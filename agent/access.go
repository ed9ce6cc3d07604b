package main

import (
	"context"
	"time"

	"strokebank/agent/internal/authority"
	"strokebank/agent/internal/watch"
	"strokebank/configs"
	"strokebank/rules"
)

// desk takes commands, whichever way they came, to the watch of their unit.
type desk []*watch.Watch

// Submit waits until the unit has answered.
func (d desk) Submit(ctx context.Context, c rules.Command) (rules.Outcome, error) {
	for _, w := range d {
		if w.Unit == c.Unit {
			return w.Submit(ctx, c)
		}
	}
	return rules.Refused(c.ID, "there is no such unit here"), nil
}

// authorityOf reads who may see and who may act.
func authorityOf(cfg *configs.Config) (*authority.Authority, error) {
	a := cfg.Access
	return authority.New(authority.Config{
		See:       authority.Secret{File: a.SeeFile, Env: a.SeeEnv},
		Act:       authority.Secret{File: a.ActFile, Env: a.ActEnv},
		LocalActs: a.ActWithoutSecret,
	})
}

// commandWait is the longest wait for what comes of a command: it is carried
// out with the next scan, and the disk may be slow.
func commandWait(cfg *configs.Config) time.Duration { return 2*cfg.Scan + 10*time.Second }
