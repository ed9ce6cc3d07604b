package sensors

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"
)

// opener opens a link; it may block for several seconds.
type opener func(Link, *slog.Logger) (asker, error)

type opened struct {
	client asker
	err    error
}

// connection holds the one client of a link. It belongs to one goroutine.
//
// The client's dial knows no context and takes up to 5 s on a host that
// swallows packets. It therefore runs in a goroutine of its own, at most one a
// link, which hands the open client over or, once ctx has ended, closes it
// itself. So neither a scan nor the shutdown waits for a dial; after the
// shutdown such a goroutine ends by itself within the dial timeout. (A dial of
// our own before the client's would find the dead host as fast, but shows a
// device with a single connection slot two connections for one.)
type connection struct {
	link    Link
	open    opener
	log     *slog.Logger
	client  asker
	pending chan opened // of the dial under way, nil if none; unbuffered
}

var errDialing = errors.New("no connection yet")

// dialing reports whether a dial is under way.
func (c *connection) dialing() bool { return c.pending != nil }

// connect makes sure that the link is open. It waits at most wait for a dial,
// then gives errDialing and leaves the dial to finish for a later call.
func (c *connection) connect(ctx context.Context, wait time.Duration) error {
	if c.client != nil {
		return nil
	}
	if c.pending == nil {
		c.pending = make(chan opened)
		go dial(ctx, c.open, c.link, c.log, c.pending)
	}
	timer := time.NewTimer(wait)
	defer timer.Stop()
	select {
	case result := <-c.pending:
		c.pending = nil
		if result.err != nil {
			return fmt.Errorf("link %s (%s): %w", c.link.Name, c.link.Address, result.err)
		}
		c.client = result.client
		return nil
	case <-timer.C:
		return fmt.Errorf("link %s (%s): %w", c.link.Name, c.link.Address, errDialing)
	case <-ctx.Done():
		return ctx.Err()
	}
}

func dial(ctx context.Context, open opener, l Link, log *slog.Logger, result chan<- opened) {
	client, err := open(l, log)
	select {
	case result <- opened{client, err}:
	case <-ctx.Done():
		if client != nil {
			client.Close()
		}
	}
}

// drop closes the client and with it everything that was still on its way.
func (c *connection) drop() {
	if c.client != nil {
		c.client.Close()
		c.client = nil
	}
}
