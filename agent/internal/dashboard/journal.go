package dashboard

import (
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"strokebank/rules"
)

// journal is the searched record, newest first. The answer's next is what to
// give as before for the page after it; 0 at the end.
func (h *handler) journal(w http.ResponseWriter, r *http.Request) {
	q, err := search(r.URL.Query())
	if err != nil {
		refuse(w, http.StatusBadRequest, err.Error())
		return
	}
	found, err := h.Events.Journal(r.Context(), q)
	if err != nil {
		h.Log.Error("journal cannot be read", "error", err)
		refuse(w, http.StatusServiceUnavailable, "the history cannot be read now")
		return
	}
	next := uint64(0)
	if len(found) == q.Limit {
		next = found[len(found)-1].Seq
	}
	h.answer(w, r, struct {
		Schema int           `json:"schema"`
		Next   uint64        `json:"next"`
		Events []rules.Entry `json:"events"`
	}{rules.Schema, next, append([]rules.Entry{}, found...)})
}

// search reads what is asked for.
func search(v url.Values) (rules.Search, error) {
	q := rules.Search{Unit: v.Get("unit"), Source: v.Get("source"), Limit: defaultEvents}
	for name := range v {
		switch name {
		case "unit", "source", "kind", "from", "to", "before", "limit":
		default:
			return q, fmt.Errorf("%s is nothing to search by", strconv.Quote(name))
		}
	}
	for list := range strings.SplitSeq(strings.Join(v["kind"], ","), ",") {
		if list != "" {
			q.Kinds = append(q.Kinds, rules.Kind(list))
		}
	}
	var err error
	for _, edge := range []struct {
		name string
		at   *time.Time
	}{{"from", &q.From}, {"to", &q.To}} {
		if s := v.Get(edge.name); s != "" {
			if *edge.at, err = time.Parse(time.RFC3339, s); err != nil {
				return q, fmt.Errorf("%s must be a time such as 2026-11-25T08:30:00Z", edge.name)
			}
		}
	}
	if s := v.Get("before"); s != "" {
		if q.Before, err = strconv.ParseUint(s, 10, 63); err != nil {
			return q, fmt.Errorf("before must be a sequence number")
		}
	}
	if s := v.Get("limit"); s != "" {
		if q.Limit, err = strconv.Atoi(s); err != nil || q.Limit < 1 || q.Limit > maxEvents {
			return q, fmt.Errorf("limit must be a whole number from 1 to %d", maxEvents)
		}
	}
	return q, nil
}
