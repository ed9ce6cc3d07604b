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
// 20 kB, so of what comes often only a few in a time have an entry of their
// own, and a line in the log; the next one counts the others.
const (
	mostTold    = 5  // of who is refused; log-ins of one name from one place, and log-outs
	mostToldAll = 30 // log-ins to one role, and log-outs: who may see does not hide who acts
	toldWithin  = 10 * time.Minute
	mostWaiting = 16 // entries on their way; one more stands in the log only
)

// telling decides what gets an entry. Safe for concurrent use.
type telling struct {
	mu sync.Mutex
	of map[string]*told // by what happened
}

// told is how often something was told within a time.
type told struct {
	since  time.Time
	all    int
	each   map[string]int // by whose it was
	silent int            // how often not, since the last one that was
}

// next reports whether one more gets an entry, most being told of all of its
// kind, and how many before it did not.
func (f *telling) next(what, whose string, most int, now time.Time) (tell bool, silent int) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.of == nil {
		f.of = map[string]*told{}
	}
	one := f.of[what]
	if one == nil {
		one = &told{}
		f.of[what] = one
	}
	if now.Sub(one.since).Abs() > toldWithin {
		one.since, one.all, one.each = now, 0, map[string]int{}
	}
	if one.all >= most || one.each[whose] >= mostTold {
		one.silent++
		return false, 0
	}
	one.all++
	one.each[whose]++
	silent, one.silent = one.silent, 0
	return true, silent
}

func (h *handler) refused(r *http.Request, by string, err error) {
	if errors.Is(err, context.Canceled) || temporary(err) {
		return // nothing was compared
	}
	h.LogIns.refused.Add(1)
	if tell, silent := h.LogIns.telling.next("refused", "", mostTold, h.Now()); tell {
		h.Log.Warn("log-in refused", "by", by, "from", h.remote(r), "cause", err, "not_told_before", silent)
		h.enterJournal(r, by, "", fmt.Sprintf("log-in refused, from %s: %v%s", h.remote(r), err, more(silent)))
	}
}

func (h *handler) admitted(r *http.Request, by string, role rules.Role) {
	if tell, silent := h.LogIns.telling.next("admitted to "+string(role), by+" "+h.place(r), mostToldAll, h.Now()); tell {
		h.Log.Info("logged in", "by", by, "role", role, "from", h.remote(r), "not_told_before", silent)
		h.enterJournal(r, by, role, fmt.Sprintf("logged in to %s, from %s%s", role, h.remote(r), more(silent)))
	}
}

func (h *handler) left(r *http.Request, by string, role rules.Role) {
	if tell, silent := h.LogIns.telling.next("left "+string(role), by+" "+h.place(r), mostToldAll, h.Now()); tell {
		h.Log.Info("logged out", "by", by, "from", h.remote(r), "not_told_before", silent)
		h.enterJournal(r, by, role, fmt.Sprintf("logged out, from %s%s", h.remote(r), more(silent)))
	}
}

// more says how many have no entry of their own.
func more(silent int) string {
	if silent == 0 {
		return ""
	}
	return fmt.Sprintf("; %d more before it", silent)
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
