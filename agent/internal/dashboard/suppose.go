package dashboard

import (
	"bytes"
	"net/http"
	"net/url"
	"strings"
)

// supposer answers what the reserve would be.
type supposer interface {
	// Suppose answers for a unit as changed by what was given, as JSON. faults
	// is all that is wrong with what was given, in words for a person; nil
	// with a nil answer says that there is no unit of this name.
	Suppose(unit string, given url.Values) (answer []byte, faults []string)
}

// maxSupposed bounds what may be written into one question, bytes.
const maxSupposed = 2000

func (h *handler) supposed(w http.ResponseWriter, r *http.Request) {
	given := r.URL.Query()
	unit := given.Get("unit")
	given.Del("unit")
	if len(r.URL.RawQuery) > maxSupposed {
		refuse(w, http.StatusRequestURITooLong, "too much is supposed at once")
		return
	}
	answer, faults := h.Suppose.Suppose(unit, given)
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
