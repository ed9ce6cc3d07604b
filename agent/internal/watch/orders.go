package watch

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"

	"strokebank/rules"
	"strokebank/sensors/signal"
)

// mostOrders bounds the commands that wait for the next scan. One more is
// refused at once: people do not give that many within a scan.
const mostOrders = 32

// mostIDs is how many ids of commands are remembered, so that one that comes
// twice by a repeated request is carried out once.
const mostIDs = 256

// ErrOutcomeUnknown says that nobody waited long enough for the answer: the
// command was carried out and is not known to be recorded.
var ErrOutcomeUnknown = errors.New("the command was carried out, but it is not known yet whether it is recorded")

// order is a command on its way.
type order struct {
	command rules.Command
	outcome rules.Outcome
	answer  chan rules.Outcome // capacity 1
}

// orders is the one queue of commands of a unit. The zero value is ready.
type orders struct {
	mu      sync.Mutex
	waiting []*order
	ids     []string // the last ones, oldest first
	ended   bool
}

// Submit hands a command to the unit and waits for the answer: until the next
// scan where it is refused, and until the disk has what it did where it is
// accepted. Safe for concurrent use, before and during Run.
//
// A command whose context ends before the next scan is not carried out, and
// the error is the context's; ErrOutcomeUnknown is for one that ends later.
func (w *Watch) Submit(ctx context.Context, c rules.Command) (rules.Outcome, error) {
	if err := c.Check(); err != nil {
		return rules.Refused(c.ID, err.Error()), nil
	}
	o := &order{command: c, answer: make(chan rules.Outcome, 1)}
	if why := w.orders.add(o); why != "" {
		return rules.Refused(c.ID, why), nil
	}
	select {
	case out := <-o.answer:
		return out, nil
	case <-ctx.Done():
	}
	if w.orders.withdraw(o) {
		return rules.Outcome{}, fmt.Errorf("command not carried out: %w", ctx.Err())
	}
	select { // it may have come in the same moment
	case out := <-o.answer:
		return out, nil
	default:
		return rules.Outcome{}, ErrOutcomeUnknown
	}
}

// add puts an order in line; otherwise it says why not.
func (q *orders) add(o *order) string {
	q.mu.Lock()
	defer q.mu.Unlock()
	switch {
	case q.ended:
		return "the agent is stopping"
	case len(q.waiting) >= mostOrders:
		return "too many commands wait: try again after the next scan"
	case slices.Contains(q.ids, o.command.ID):
		return "a command with this id was given before"
	}
	q.waiting = append(q.waiting, o)
	q.ids = append(q.ids, o.command.ID)
	if over := len(q.ids) - mostIDs; over > 0 {
		q.ids = slices.Delete(q.ids, 0, over)
	}
	return ""
}

// withdraw takes an order back that has not been carried out.
func (q *orders) withdraw(o *order) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	i := slices.Index(q.waiting, o)
	if i < 0 {
		return false
	}
	q.waiting = slices.Delete(q.waiting, i, i+1)
	q.ids = slices.DeleteFunc(q.ids, func(id string) bool { return id == o.command.ID })
	return true
}

// take empties the queue.
func (q *orders) take() []*order {
	q.mu.Lock()
	defer q.mu.Unlock()
	list := q.waiting
	q.waiting = nil
	return list
}

// end refuses what waits and what comes.
func (q *orders) end() {
	q.mu.Lock()
	q.ended = true
	q.mu.Unlock()
	for _, o := range q.take() {
		o.answer <- rules.Refused(o.command.ID, "the agent is stopping")
	}
}

// carryOut applies what waits with the scan that is about to be judged, so
// that the same commands before the same scans always come to the same. What
// is refused is answered at once, the rest goes with the parcel to be
// recorded first.
func (w *Watch) carryOut(p *parcel, list []*order, scan *signal.Scan) {
	for _, o := range list {
		events, err := w.Judge.Apply(&o.command, scan)
		if err != nil {
			w.Log.Info("command refused", "unit", w.Unit, "command", o.command.Order, "by", o.command.By, "via", o.command.Via, "cause", err)
			o.answer <- rules.Refused(o.command.ID, err.Error())
			continue
		}
		w.Log.Info("command carried out", "unit", w.Unit, "command", o.command.Order, "by", o.command.By, "via", o.command.Via)
		o.outcome = rules.Outcome{ID: o.command.ID, Accepted: true}
		p.events = append(p.events, events...)
		p.orders = append(p.orders, o)
	}
}

// commandsOf is what the orders ask for.
func commandsOf(list []*order) []rules.Command {
	if len(list) == 0 {
		return nil
	}
	commands := make([]rules.Command, len(list))
	for i, o := range list {
		commands[i] = o.command
	}
	return commands
}

// confirm answers the orders of a parcel that stands in the record.
func confirm(list []*order, entries []rules.Entry) {
	for _, o := range list {
		o.outcome.Durable = true
		for _, e := range entries {
			if e.Command == o.command.ID {
				o.outcome.Events = append(o.outcome.Events, e.ID)
				o.outcome.Durable = o.outcome.Durable && e.Durable
			}
		}
		o.outcome.Durable = o.outcome.Durable && len(o.outcome.Events) > 0
		o.answer <- o.outcome
	}
}
