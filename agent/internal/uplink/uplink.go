// Package uplink publishes what happens to an MQTT 3.1.1 broker: every event
// at least once and in order, the present state of each alarm and of the
// reserve as retained messages, and live values at their own lower rate.
//
// The durable history is the outbox. Nothing waits in memory while the broker
// is away, except what has to be known now; an event counts as sent when the
// broker has acknowledged it and not before. The reference of all topics and
// payloads stands in the folder reference.
package uplink

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net"
	"sync"
	"sync/atomic"
	"time"

	"strokebank/rules"
)

// bookmark is the name of the cursor that the uplink keeps in the outbox.
const bookmark = "uplink"

// journal gives the numbered events in order.
type journal interface {
	// Entries are at most limit events numbered above after, oldest first.
	Entries(ctx context.Context, after uint64, limit int) ([]rules.Entry, error)
	// Newest is the number of the last event; 0 where there is none.
	Newest() uint64
	// Wait returns nil once there is an event numbered above after, or once
	// the last event is numbered below it, when numbers given out without a
	// readable disk have been replaced by the true ones.
	Wait(ctx context.Context, after uint64) error
}

// cursors remember how far a reader has come. SaveCursor may write lazily: a
// cursor that is too low only makes events arrive twice, with the same id.
type cursors interface {
	Cursor(ctx context.Context, name string) (uint64, error)
	SaveCursor(name string, seq uint64)
}

type outbox interface {
	journal
	cursors
}

// latest is the present state of all units; what it hands out is not written
// to any more. Changed is closed at the next change after the call.
type latest interface {
	Latest() []*rules.Assessment
	Changed() <-chan struct{}
}

// timing is everything that passes by the clock.
type timing struct {
	firstRetry time.Duration // before the first new attempt
	lastRetry  time.Duration // the longest pause between attempts
	settled    time.Duration // a connection that lasted this long starts the pauses afresh
	connect    time.Duration // until the broker has accepted
	write      time.Duration // one write to the network
	handover   time.Duration // one try to hand a message to the client's writer
	ping       time.Duration // for the answer to a ping
	ack        time.Duration // for one acknowledgement
	cursor     time.Duration // between two savings of the cursor
	store      time.Duration // before the outbox is asked again after an error
	quiet      time.Duration // after which the broker has shown all that it keeps
	linger     time.Duration // at shutdown, for acknowledgements under way
}

// The pauses follow the wish to be back within half a second after a broker's
// restart and to cost a broken one little: *common practice, no source*.
var normal = timing{
	firstRetry: 400 * time.Millisecond, lastRetry: 30 * time.Second, settled: time.Minute,
	connect: 10 * time.Second, write: 5 * time.Second, handover: 800 * time.Millisecond,
	ping: 10 * time.Second, ack: 15 * time.Second,
	cursor: 30 * time.Second, store: 2 * time.Second, quiet: 3 * time.Second, linger: 500 * time.Millisecond,
}

// Stats is a snapshot of the uplink.
type Stats struct {
	Connected      bool
	ConnectedSince time.Time // zero while not connected
	Connections    uint64    // accepted by the broker since the start
	Failures       uint64    // attempts refused or without answer, and connections lost
	LastError      string    // of the last failure; empty while connected
	Events         uint64    // events acknowledged since the start, doubles included
	Messages       uint64    // all publications acknowledged or, at QoS 0, written
	Dropped        uint64    // commands by message that came too fast to be answered
	Refused        uint64    // commands by message that were answered with a refusal
	Expired        uint64    // events that retention took before they could be sent
	Acknowledged   uint64    // number up to which the broker has everything
	Waiting        uint64    // events not acknowledged yet
}

// Uplink is one agent's connection to its broker. New makes it; Run it once.
// Stats may be called at any time from any goroutine.
type Uplink struct {
	cfg    Config
	addr   address
	outbox outbox
	latest latest
	log    *slog.Logger
	timing timing

	acked    atomic.Uint64
	events   atomic.Uint64
	messages atomic.Uint64
	expired  atomic.Uint64
	dropped  atomic.Uint64
	refused  atomic.Uint64
	refusals sparing // the log's; of the one session that there is

	saving sync.Mutex
	saved  uint64 // the cursor that the outbox has

	mu    sync.Mutex
	state Stats  // the fields about the connection
	cause string // of the last failure, in words that repeat
}

// New checks the configuration, secrets and certificates included, and starts
// nothing. The error lists everything that is wrong.
func New(cfg Config, box outbox, now latest, log *slog.Logger) (*Uplink, error) {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	cfg.Units = append([]string(nil), cfg.Units...)
	addr, err := cfg.check()
	if err != nil {
		return nil, fmt.Errorf("uplink: %w", err)
	}
	return &Uplink{cfg: cfg, addr: addr, outbox: box, latest: now, log: log, timing: normal}, nil
}

// Run connects and publishes until ctx ends, for ever trying again; then it
// says goodbye to the broker within two seconds and returns nil. No broker,
// slow or gone, ever holds up the caller of another part: Run waits alone.
func (u *Uplink) Run(ctx context.Context) error {
	u.resume(ctx)
	for attempt := 0; ctx.Err() == nil; attempt++ {
		began := time.Now()
		err := u.serve(ctx)
		if u.outbox.Newest() < u.acked.Load() {
			u.resume(ctx)
		}
		if ctx.Err() != nil {
			break
		}
		u.down(err)
		if time.Since(began) > u.timing.settled {
			attempt = 0
		}
		rest(ctx, pause(attempt, u.timing.firstRetry, u.timing.lastRetry, rand.Float64()))
	}
	u.saveCursor()
	return nil
}

// resume finds out how far the broker was served before this start.
func (u *Uplink) resume(ctx context.Context) {
	for told := false; ctx.Err() == nil; {
		seq, err := u.outbox.Cursor(ctx, bookmark)
		if err == nil {
			if newest := u.outbox.Newest(); seq > newest {
				u.log.Warn("cursor is ahead of the history: publishing from its beginning", "cursor", seq, "newest", newest)
				seq = 0
			}
			u.acked.Store(seq)
			u.saving.Lock()
			u.saved = seq
			u.saving.Unlock()
			return
		}
		if !told && ctx.Err() == nil {
			u.log.Error("cursor cannot be read", "err", err)
			told = true
		}
		rest(ctx, u.timing.store)
	}
}

// saveCursor hands the cursor to the outbox if it has moved.
func (u *Uplink) saveCursor() {
	u.saving.Lock()
	defer u.saving.Unlock()
	if seq := u.acked.Load(); seq != u.saved {
		u.outbox.SaveCursor(bookmark, seq)
		u.saved = seq
	}
}

// Stats is the present state. Waiting is exact only while nothing moves.
func (u *Uplink) Stats() Stats {
	u.mu.Lock()
	out := u.state
	u.mu.Unlock()
	out.Acknowledged, out.Events = u.acked.Load(), u.events.Load()
	out.Messages, out.Expired = u.messages.Load(), u.expired.Load()
	out.Dropped, out.Refused = u.dropped.Load(), u.refused.Load()
	if newest := u.outbox.Newest(); newest > out.Acknowledged {
		out.Waiting = newest - out.Acknowledged
	}
	return out
}

func (u *Uplink) up(now time.Time) {
	u.mu.Lock()
	u.state.Connected, u.state.ConnectedSince, u.state.LastError = true, now.UTC(), ""
	u.cause = ""
	u.state.Connections++
	u.mu.Unlock()
	u.log.Info("broker connected", "broker", u.addr.String())
}

// down notes a failure and logs it where it is a new one.
func (u *Uplink) down(err error) {
	u.mu.Lock()
	was, news := u.state.Connected, u.cause != cause(err)
	u.cause = cause(err)
	u.state.Connected, u.state.ConnectedSince, u.state.LastError = false, time.Time{}, err.Error()
	u.state.Failures++
	u.mu.Unlock()
	switch {
	case was:
		u.log.Warn("broker lost", "broker", u.addr.String(), "err", err)
	case news:
		u.log.Warn("broker cannot be reached", "broker", u.addr.String(), "err", err)
	}
}

// cause is err without the addresses in it: a local port that differs each
// time must not make an old failure look like a new one.
func cause(err error) string {
	var op *net.OpError
	if errors.As(err, &op) {
		return op.Op + ": " + op.Err.Error()
	}
	return err.Error()
}
