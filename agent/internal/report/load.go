package report

import (
	"cmp"
	"slices"
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
)

// Load counts how often the alarms of a unit asked for attention over a span,
// and how long each stood. Its memory grows with the days of the span and the
// alarms that there are, not with events. One goroutine at a time.
type Load struct {
	span     Span
	raised   int
	days     []int // by elapsed days of the span
	priority map[alarm.Priority]int
	by       map[[2]string]*tally

	stretch   int64 // the present one of ten minutes, by the clock
	inStretch int
	worst     int
	floods    int
	chatters  int
}

// tally is one alarm at one source.
type tally struct {
	source, name, title string
	n                   int
	stood               float64 // s
	since               time.Time
	stands, told        bool
	last                [alarm.Chatterings - 1]time.Time
}

// NewLoad begins to count.
func NewLoad(span Span) *Load {
	days := max(0, int(span.To.Sub(span.From)/(24*time.Hour))+1)
	return &Load{span: span, days: make([]int, days), priority: map[alarm.Priority]int{}, by: map[[2]string]*tally{}}
}

// Take takes in an event of an alarm within the span; the events come in the
// order in which they happened.
func (l *Load) Take(e *rules.Entry) {
	key := [2]string{e.Source, e.Name}
	t := l.by[key]
	if t == nil {
		t = &tally{source: e.Source, name: e.Name, title: e.Title}
		l.by[key] = t
	}
	from, to := alarm.State(e.From), alarm.State(e.To)
	if !t.told && from.Active() {
		t.stands, t.since = true, l.span.From
	}
	t.told = true
	switch {
	case to.Active() && !t.stands:
		t.stands, t.since = true, e.Time
	case t.stands && (to == alarm.Normal || to == alarm.Returned || to == alarm.Latched):
		t.stands = false
		t.stood += max(e.Time.Sub(t.since).Seconds(), 0)
	}
	// What comes back into sight with its signal has asked before.
	if to == alarm.Unacknowledged && from != alarm.NotKnown {
		l.call(t, e)
	}
}

func (l *Load) call(t *tally, e *rules.Entry) {
	l.raised++
	t.n++
	l.priority[e.Priority]++
	if day := int(e.Time.Sub(l.span.From) / (24 * time.Hour)); day >= 0 && day < len(l.days) {
		l.days[day]++
	}
	if at := e.Time.Unix() / 600; at != l.stretch {
		l.stretch, l.inStretch = at, 0
	}
	l.inStretch++
	l.worst = max(l.worst, l.inStretch)
	if l.inStretch == alarm.FloodOver+1 {
		l.floods++
	}
	if first := t.last[0]; !first.IsZero() && e.Time.Sub(first) < alarm.ChatterTime {
		l.chatters++
	}
	copy(t.last[:], t.last[1:])
	t.last[len(t.last)-1] = e.Time
}

// of is how often an alarm was raised and how long it stood, s.
func (l *Load) of(name, source string) (n int, stood float64) {
	t := l.by[[2]string{source, name}]
	if t == nil {
		return 0, 0
	}
	return t.n, t.time(l.span.To)
}

// time is how long the alarm stood up to the end of the span, s.
func (t *tally) time(end time.Time) float64 {
	if t.stands {
		return t.stood + max(end.Sub(t.since).Seconds(), 0)
	}
	return t.stood
}

// frequent are the alarms that were raised, the most frequent first.
func (l *Load) frequent() (list []*tally) {
	for _, t := range l.by {
		if t.n > 0 {
			list = append(list, t)
		}
	}
	slices.SortFunc(list, func(a, b *tally) int {
		return cmp.Or(cmp.Compare(b.n, a.n), cmp.Compare(a.source, b.source), cmp.Compare(a.name, b.name))
	})
	return list
}

// rates are the figures of a day.
type rates struct {
	most, over, busy int     // most in one, days over the most, over the acceptable
	mean             float64 // a day
}

func (l *Load) rates() (r rates) {
	for _, n := range l.days {
		r.most = max(r.most, n)
		if n > alarm.MostADay {
			r.over++
		}
		if n > alarm.AcceptableADay {
			r.busy++
		}
	}
	if days := l.span.To.Sub(l.span.From).Hours() / 24; days > 0 {
		r.mean = float64(l.raised) / max(days, 1)
	}
	return r
}
