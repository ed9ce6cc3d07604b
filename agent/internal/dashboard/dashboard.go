// Package dashboard serves what is known of the units to people and to
// programs: a page, a JSON interface and a live stream; and it takes what
// those who may act do to alarms: acknowledge, shelve, note and the like.
//
// The page uses nothing but the interface under /api/v1 and asks no other
// server for anything. Nothing here reaches a unit's panel.
package dashboard

import (
	"context"
	"log/slog"
	"net/http"
	"time"

	"strokebank/rules"
)

// units gives the present state. An assessment that Latest has returned must
// not be written to afterwards: streams encode it later, and several at once.
type units interface {
	// Latest is the newest assessment of every unit, in the order of the
	// configuration; a unit without a first scan is left out.
	Latest() []*rules.Assessment
	// Changed is closed at the next change after the call. Ask for it
	// before Latest, so that no change is missed between the two.
	Changed() <-chan struct{}
}

// ledger gives what happened.
type ledger interface {
	// Entries are at most limit events with a sequence number above after,
	// oldest first.
	Entries(ctx context.Context, after uint64, limit int) ([]rules.Entry, error)
	// Newest is the sequence number of the last event; 0 where there is none.
	Newest() uint64
	// Journal is what a search asks for, newest first.
	Journal(ctx context.Context, q rules.Search) ([]rules.Entry, error)
}

// Options is what the dashboard needs. Units and Events are required.
type Options struct {
	Units   units
	Names   []string // of all units; nil: those that Units has when asked
	Events  ledger
	Log     *slog.Logger // nil: discarded
	Version string       // shown on the page
	Past    past         // nil: no trends
	Suppose supposer     // nil: nothing can be supposed
	Works   works        // nil: nothing of what the machines did before

	// Gate knows who may see and act; nil: everybody may see and nobody act.
	Gate gate
	// LogIns are those of the handler before this one; nil: none.
	LogIns *LogIns
	// Commands takes commands; nil: nobody acts.
	Commands commander
	// CommandWait is the longest wait for what comes of one; 0: 30 s.
	CommandWait time.Duration
	// BehindProxy says that a proxy stands in front, as in Listening.
	BehindProxy bool
	// Beside are handlers of further paths, for those who may see.
	Beside map[string]http.Handler

	// USUnits is what the page shows until its reader chooses otherwise:
	// psi, gallons and inches instead of bar, litres and metres.
	USUnits bool
	// StaleAfter is how old the newest scan may be and still count as
	// fresh; 0: 3 s. Give three scan periods where these are longer.
	StaleAfter time.Duration
	// MaxStreams bounds the live streams open at once; 0: 32. One more gets
	// 503 and the page tries again.
	MaxStreams int
	// Now is the wall clock; nil: time.Now.
	Now func() time.Time
}

// Timing of the live stream. A page that hears nothing for 2 s says so, so
// three beats may come late before it does. *Common practice,
// no source.*
const (
	beatEvery  = 500 * time.Millisecond
	leastGap   = 200 * time.Millisecond // between two assessments of a stream
	listEvery  = time.Second            // for a stream that shows all units
	patience   = 5 * time.Second        // for a reader that does not take what was written
	maxStreams = 32
	staleAfter = 3 * time.Second
)

// handler answers all routes. Its fields are fixed after New except the
// frames and the streams, which lock for themselves.
type handler struct {
	Options
	frames   frames
	waiting  chan struct{} // one slot per entry of a log-in on its way
	streams  chan struct{} // one slot per open stream
	turns    chan struct{} // one slot per supposition under way
	queue    time.Duration // the longest wait for a turn
	beat     time.Duration
	gap      time.Duration
	patience time.Duration
	recheck  time.Duration
	began    time.Time
}

// New is the handler of the page and of everything under /api/v1. It starts
// nothing and is safe for concurrent use. It serves "/", "/assets/",
// "/api/v1/" and "/healthz", so other paths can be mounted beside it.
func New(o Options) http.Handler { return newHandler(o).routes() }

func newHandler(o Options) *handler {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.LogIns == nil {
		o.LogIns = &LogIns{}
	}
	if o.StaleAfter <= 0 {
		o.StaleAfter = staleAfter
	}
	if o.CommandWait <= 0 {
		o.CommandWait = commandWait
	}
	if o.MaxStreams <= 0 {
		o.MaxStreams = maxStreams
	}
	return &handler{
		Options: o, streams: make(chan struct{}, o.MaxStreams), waiting: make(chan struct{}, mostWaiting),
		turns: make(chan struct{}, maxSupposing), queue: supposeWait,
		beat: beatEvery, gap: leastGap, patience: patience, recheck: recheck, began: time.Now(),
	}
}

func (h *handler) routes() http.Handler {
	seen := http.NewServeMux() // for those who may see
	seen.HandleFunc("GET /api/v1/{$}", h.index)
	seen.HandleFunc("GET /api/v1/units", h.list)
	seen.HandleFunc("GET /api/v1/units/{unit}", h.unit)
	seen.HandleFunc("GET /api/v1/events", h.events)
	seen.HandleFunc("GET /api/v1/journal", h.journal)
	seen.HandleFunc("GET /api/v1/live", h.live)
	h.views(seen)
	h.workViews(seen)
	mux := http.NewServeMux()
	for _, a := range loadAssets() {
		mux.Handle("GET "+a.path, a)
	}
	mux.Handle("/api/v1/", h.watched(seen))
	for path, other := range h.Beside {
		mux.Handle(path, h.watched(other))
	}
	mux.HandleFunc("GET /healthz", h.health)
	mux.HandleFunc("GET /api/v1/session", h.who)
	mux.HandleFunc("POST /api/v1/commands", h.command)
	mux.HandleFunc("POST /api/v1/login", h.enter)
	mux.HandleFunc("POST /api/v1/logout", h.leave)
	return guarded(own(mux))
}

// own refuses what changes something and comes, as a browser says, from
// another site's page.
func own(next http.Handler) http.Handler {
	protection := http.NewCrossOriginProtection()
	protection.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		refuse(w, http.StatusForbidden, "the request comes from another site's page")
	}))
	return protection.Handler(next)
}

// policy lets the page load its own files and nothing else, run no inline
// script or style, and be framed by nobody.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; " +
	"connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// guarded puts the headers that narrow what a browser may do on every answer.
func guarded(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		narrow(w.Header())
		next.ServeHTTP(w, r)
	})
}

// narrow sets what every answer has. Nobody is to keep an answer; the page's
// own files say otherwise for themselves.
//
// Strict-Transport-Security is left out. With it a browser lets nobody past a
// certificate that is out of date or for another name, or past a clock that
// runs wrong, and that is when somebody may need the page most; it would hold
// for every other service of that host as well, whatever its port, and not at
// all where the page is reached by number (RFC 6797, sections 8.1.1, 8.3 and 12.1).
// Nothing is served without TLS at an address that has a certificate.
func narrow(head http.Header) {
	head.Set("Cache-Control", "no-store")
	head.Set("Content-Security-Policy", policy)
	head.Set("X-Content-Type-Options", "nosniff")
	head.Set("Referrer-Policy", "no-referrer")
	head.Set("Cross-Origin-Opener-Policy", "same-origin")
	head.Set("Cross-Origin-Resource-Policy", "same-origin")
}
