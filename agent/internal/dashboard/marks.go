package dashboard

import (
	"net/http"
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
)

// most marks in one answer: events that lie closer together than this share
// of the time asked for stand under one mark.
const maxMarks = 120

// eventMark is what happened in one part of a time: the most urgent event in
// words, and how many there were.
type eventMark struct {
	Time     time.Time      `json:"time"` // of the most urgent one
	Count    int            `json:"events"`
	Kind     rules.Kind     `json:"kind"`
	Source   string         `json:"source"`
	Title    string         `json:"title"`
	Priority alarm.Priority `json:"priority,omitempty"` // of an alarm that was raised
}

// markable reports whether an event belongs on a trend, and how urgent it is:
// alarms that came, times that nobody watched, changes of clock and
// configuration, what a person did. Every start of a machine would hide them.
func markable(e *rules.Entry) (weight int, ok bool) {
	switch e.Kind {
	case rules.AlarmEvent:
		if alarm.State(e.To) != alarm.Unacknowledged {
			return 0, false
		}
		return 10 + urgency[e.Priority], true
	case rules.GapEvent, rules.LossEvent:
		return 9, true
	case rules.TestEvent, rules.CommandEvent, rules.NoteEvent:
		return 5, true
	case rules.AgentEvent, rules.ClockEvent, rules.ConfigEvent:
		return 3, true
	}
	return 0, false
}

func (h *handler) marks(w http.ResponseWriter, r *http.Request) {
	a, why := h.whichPast(r)
	if why != "" {
		refuse(w, http.StatusBadRequest, why)
		return
	}
	part := max(a.to.Sub(a.from)/maxMarks, time.Second)
	marks, weights := map[int64]*eventMark{}, map[int64]int{}
	err := h.Past.Between(r.Context(), a.unit, a.from, a.to, func(e rules.Entry) bool {
		weight, ok := markable(&e)
		if !ok {
			return r.Context().Err() == nil
		}
		at := int64(e.Time.Sub(a.from) / part)
		m := marks[at]
		if m == nil {
			m = &eventMark{}
			marks[at] = m
		}
		m.Count++
		if weight > weights[at] {
			weights[at] = weight
			m.Time, m.Kind, m.Source, m.Title, m.Priority = e.Time, e.Kind, e.Source, titled(&e), ""
			if e.Kind == rules.AlarmEvent {
				m.Priority = e.Priority
			}
		}
		return r.Context().Err() == nil
	})
	if err != nil {
		h.Log.Error("events cannot be read", "unit", a.unit, "error", err)
		refuse(w, http.StatusServiceUnavailable, "the history cannot be read now")
		return
	}
	out := []eventMark{}
	for at := range int64(maxMarks + 1) {
		if m := marks[at]; m != nil {
			out = append(out, *m)
		}
	}
	h.answer(w, r, struct {
		Schema int         `json:"schema"`
		Unit   string      `json:"unit"`
		From   time.Time   `json:"from"`
		To     time.Time   `json:"to"`
		Marks  []eventMark `json:"marks"`
	}{rules.Schema, a.unit, a.from, a.to, out})
}

func titled(e *rules.Entry) string {
	if e.Title != "" {
		return e.Title
	}
	return e.Name
}
