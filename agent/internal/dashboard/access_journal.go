package dashboard

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net/http"
	"sync"
	"time"

	"strokebank/rules"
)

// Who came in, who did not, and who left, goes the way of every command: to
// the journal of the first unit. A synced entry costs a gateway's flash about
// 20 kB, so of those who are refused only a few in a time have an entry of
// their own; the next entry counts the others.
const (
	mostRefused   = 5
	refusedWithin = 10 * time.Minute
	mostWaiting   = 16 // entries on their way; one more stands in the log only
)

// refusals decides which refused log-in gets an entry. Safe for concurrent use.
type refusals struct {
	mu           sync.Mutex
	since        time.Time
	told, silent int
}

// next reports whether one more gets an entry, and how many before it did not.
func (f *refusals) next(now time.Time) (tell bool, silent int) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if now.Sub(f.since).Abs() > refusedWithin {
		f.since, f.told = now, 0
	}
	if f.told >= mostRefused {
		f.silent++
		return false, 0
	}
	f.told++
	silent, f.silent = f.silent, 0
	return true, silent
}

func (h *handler) refused(r *http.Request, by string, err error) {
	if errors.Is(err, context.Canceled) {
		return // who asked has gone before anything was compared
	}
	h.Log.Warn("log-in refused", "by", by, "from", h.remote(r), "cause", err)
	tell, silent := h.refusals.next(h.Now())
	if !tell {
		return
	}
	words := fmt.Sprintf("log-in refused, from %s: %v", h.remote(r), err)
	if silent > 0 {
		words += fmt.Sprintf("; %d more before it", silent)
	}
	h.enterJournal(r, by, "", words)
}

func (h *handler) admitted(r *http.Request, by string, role rules.Role) {
	h.Log.Info("logged in", "by", by, "role", role, "from", h.remote(r))
	h.enterJournal(r, by, role, "logged in to "+string(role)+", from "+h.remote(r))
}

func (h *handler) left(r *http.Request, by string, role rules.Role) {
	h.Log.Info("logged out", "by", by, "from", h.remote(r))
	h.enterJournal(r, by, role, "logged out, from "+h.remote(r))
}

// enterJournal puts a note in the queue of commands and does not wait for the
// scan that takes it: a log-in must not last as long as a slow one. What waits
// is bounded in number, and each in time.
func (h *handler) enterJournal(r *http.Request, by string, role rules.Role, words string) {
	all := h.Units.Latest()
	if h.Commands == nil || len(all) == 0 {
		return // nothing has been read yet, so there is no journal to write in
	}
	select {
	case h.waiting <- struct{}{}:
	default:
		h.Log.Warn("journal has no entry of a log-in: too many wait", "by", by)
		return
	}
	note := rules.Command{ID: rand.Text(), Order: rules.Note, Unit: all[0].Unit, By: by, Role: role, Via: rules.LogIn, Reason: words}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(r.Context()), h.CommandWait)
	go func() {
		defer func() { cancel(); <-h.waiting }()
		out, err := h.Commands.Submit(ctx, note)
		if err != nil || !out.Accepted {
			h.Log.Warn("journal has no entry of a log-in", "by", by, "cause", err, "why", out.Why)
		}
	}()
}
