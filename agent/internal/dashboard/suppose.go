package dashboard

import (
	"bytes"
	"context"
	"net/http"
	"net/url"
	"strings"
	"time"
)

// supposer answers what the reserve would be.
type supposer interface {
	// Suppose answers for a unit as changed by what was given, as JSON. faults
	// is all that is wrong with what was given, in words for a person; nil
	// with a nil answer says that there is no unit of this name.
	Suppose(unit string, given url.Values) (answer []byte, faults []string)
}

// The bounds of suppositions: a long one takes a hundredth of a second of a fast
// core, many times that of a gateway's, and the scans need it. *Common practice,
// no source.*
const (
	maxSupposed  = 2000 // bytes that may be written into one question
	maxSupposing = 2    // at a time
	supposeWait  = 5 * time.Second
)

func (h *handler) supposed(w http.ResponseWriter, r *http.Request) {
	given := r.URL.Query()
	unit := given.Get("unit")
	given.Del("unit")
	if len(r.URL.RawQuery) > maxSupposed {
		refuse(w, http.StatusRequestURITooLong, "too much is supposed at once")
		return
	}
	if !h.turn(r.Context()) {
		w.Header().Set("Retry-After", "5")
		refuse(w, http.StatusServiceUnavailable, "too much is supposed at a time")
		return
	}
	answer, faults := h.suppose(unit, given)
	switch {
	case len(faults) > 0:
		reply(w, http.StatusBadRequest, map[string]any{"error": strings.Join(faults, "; "), "faults": faults})
	case answer == nil:
		refuse(w, http.StatusNotFound, "no unit of this name is configured")
	default:
		answer = bytes.TrimSpace(answer)
		deliver(w, r, jsonKind, tagOf(answer), answer, nil)
	}
}

// turn waits for a turn, but not for ever; false: there is none.
func (h *handler) turn(ctx context.Context) bool {
	ctx, cancel := context.WithTimeout(ctx, h.queue)
	defer cancel()
	select {
	case h.turns <- struct{}{}:
		return true
	case <-ctx.Done():
		return false
	}
}

// suppose takes the turn that there is, and gives it back.
func (h *handler) suppose(unit string, given url.Values) ([]byte, []string) {
	defer func() { <-h.turns }()
	return h.Suppose.Suppose(unit, given)
}

// views are the routes that stand only where their source does.
func (h *handler) views(mux *http.ServeMux) {
	if h.Past != nil {
		mux.HandleFunc("GET /api/v1/trends", h.trends)
		mux.HandleFunc("GET /api/v1/marks", h.marks)
	}
	if h.Suppose != nil {
		mux.HandleFunc("GET /api/v1/suppose", h.supposed)
	}
}
