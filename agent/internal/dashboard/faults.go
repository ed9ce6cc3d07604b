package dashboard

import (
	"context"
	"net/http"
	"slices"
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/rules/machine"
)

// mostRead bounds how many events one question about faults reads; an answer
// that ends there says where the next one begins.
const mostRead = 4 * maxEvents

// found is one fault of a machine or a pair when it was found: the alarm that
// tells of it with the figures that led to it.
type found struct {
	Seq      uint64         `json:"sequence"`
	Time     time.Time      `json:"time"`
	Source   string         `json:"source"`
	Alarm    string         `json:"alarm"`
	Title    string         `json:"title"`
	Priority alarm.Priority `json:"priority"`
	Code     string         `json:"failure_mode,omitempty"` // ISO 14224, where one fits
	Meaning  string         `json:"meaning"`
	Causes   []string       `json:"likely_causes"`
	Reason   string         `json:"reason,omitempty"`
	Values   []rules.Value  `json:"evidence"`
	Test     bool           `json:"test,omitempty"`
	Now      alarm.State    `json:"state_now,omitempty"`
}

// faults is what was found of the machines, newest first.
func (h *handler) faults(w http.ResponseWriter, r *http.Request) {
	unit, source := r.URL.Query().Get("unit"), r.URL.Query().Get("machine")
	a := h.unitNamed(unit)
	p, why := whichPage(r)
	if a == nil {
		why = "unit must name a unit that has been read"
	}
	if why != "" {
		refuse(w, http.StatusBadRequest, why)
		return
	}
	list, next, err := h.foundOf(r.Context(), a, source, p)
	if err != nil {
		h.unreadable(w, "faults", unit, err)
		return
	}
	h.answer(w, r, struct {
		Schema int     `json:"schema"`
		Unit   string  `json:"unit"`
		Next   uint64  `json:"next"`
		Faults []found `json:"faults"`
	}{rules.Schema, unit, next, list})
}

// foundOf reads the journal page by page until there are enough.
func (h *handler) foundOf(ctx context.Context, a *rules.Assessment, source string, p page) (list []found, next uint64, err error) {
	list = []found{}
	q := rules.Search{Unit: a.Unit, Source: source, Kinds: []rules.Kind{rules.AlarmEvent}, Before: p.before, Limit: maxEvents}
	for range mostRead / maxEvents {
		events, err := h.Events.Journal(ctx, q)
		if err != nil {
			return nil, 0, err
		}
		for i := range events {
			e := &events[i]
			q.Before = e.Seq
			if e.To != string(alarm.Unacknowledged) || e.From != string(alarm.Normal) || !ofMachine(a, e.Source) {
				continue
			}
			if list = append(list, fault(a, e)); len(list) == p.limit {
				return list, e.Seq, nil
			}
		}
		if len(events) < maxEvents {
			return list, 0, nil
		}
	}
	return list, q.Before, nil
}

// ofMachine reports whether a source is a machine or a pair.
func ofMachine(a *rules.Assessment, source string) bool {
	return source == "pumps" || source == "compressors" ||
		slices.ContainsFunc(a.Machines, func(m machine.Status) bool { return m.Position == source })
}

func fault(a *rules.Assessment, e *rules.Entry) found {
	f := found{Seq: e.Seq, Time: e.Time, Source: e.Source, Alarm: e.Name, Title: e.Title, Priority: e.Priority,
		Reason: e.Reason, Values: append([]rules.Value{}, e.Values...), Test: e.Test, Causes: []string{}}
	if d, ok := alarm.Find(e.Name); ok {
		f.Code, f.Meaning, f.Causes = d.Code, d.Meaning, append(f.Causes, d.Causes...)
	}
	for i := range a.Alarms {
		if s := &a.Alarms[i]; s.Name == e.Name && s.Source == e.Source {
			f.Now = s.State
		}
	}
	return f
}
