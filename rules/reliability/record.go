package reliability

import (
	"cmp"
	"math"
	"slices"
	"time"
)

// Span is a time from From up to To.
type Span struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
}

// Failed is one failure of a machine.
type Failed struct {
	Time      time.Time
	Mode      string // code of ISO 14224
	Confirmed bool   // by a person
	// OnDemand: the machine would not have answered a demand.
	OnDemand bool
	Restored time.Time // zero: it is not yet
	Down     float64   // s from the failure to that; not a number where it is not known
}

// Machine is what is known of a position beside its runs. The slices are in
// any order.
type Machine struct {
	Position  string
	Failures  []Failed
	Exchanges []time.Time // another individual came
	Blind     []Span      // nobody knew what it did
}

// Record follows one machine through its runs over a time. All results are in
// hours. One goroutine at a time; the zero value is not ready.
type Record struct {
	span  Span
	m     Machine
	marks []mark // failures and exchanges, by time
	next  int

	operating, doubt float64
	starts           int
	lastStart        time.Time
	intervals        int
	sum, squares     float64
	longest          float64
}

// mark is a moment whose operating age is wanted.
type mark struct {
	at     time.Time
	failed int // index of the failure; negative: an exchange
	age    float64
}

// leastAge is what an age of nothing becomes, h: a machine can fail to start
// before it has ever run. One second, the least that is counted.
const leastAge = 1.0 / 3600

// NewRecord begins a record. Failures and exchanges outside of span are left
// out.
func NewRecord(span Span, m Machine) *Record {
	inside := func(t time.Time) bool { return !t.Before(span.From) && t.Before(span.To) }
	r := &Record{span: span, m: m}
	r.m.Failures = slices.DeleteFunc(slices.Clone(m.Failures), func(f Failed) bool { return !inside(f.Time) })
	slices.SortStableFunc(r.m.Failures, func(a, b Failed) int { return a.Time.Compare(b.Time) })
	for i, f := range r.m.Failures {
		r.marks = append(r.marks, mark{at: f.Time, failed: i})
	}
	for _, t := range m.Exchanges {
		if inside(t) {
			r.marks = append(r.marks, mark{at: t, failed: -1})
		}
	}
	slices.SortStableFunc(r.marks, func(a, b mark) int { return a.at.Compare(b.at) })
	return r
}

// Run adds a completed run, in the order in which they ended: what was watched
// of it, s, and the doubt in that; seen: its start was. A run that lies partly
// outside of the span counts by its part inside; one whose end stands before
// its start, because a clock was set back, counts whole where its end lies
// inside.
func (r *Record) Run(start, end time.Time, seconds, doubt float64, seen bool) {
	from, to, part := later(start, r.span.From), earlier(end, r.span.To), 1.0
	if whole := end.Sub(start); whole > 0 {
		part = float64(to.Sub(from)) / float64(whole)
	} else if end.Before(r.span.From) || !end.Before(r.span.To) {
		return
	}
	if !(part > 0) {
		return
	}
	hours := seconds * part / 3600
	for ; r.next < len(r.marks) && r.marks[r.next].at.Before(to); r.next++ {
		k := &r.marks[r.next]
		k.age = r.operating + math.Min(math.Max(k.at.Sub(from).Hours(), 0), hours)
	}
	r.operating += hours
	r.doubt += doubt * part / 3600
	if seen && !start.Before(r.span.From) {
		r.start(start)
	}
}

func later(a, b time.Time) time.Time {
	if a.Before(b) {
		return b
	}
	return a
}

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

// start is a start that was seen. One between a failure on demand and its
// repair proves nothing.
func (r *Record) start(at time.Time) {
	r.starts++
	for _, f := range r.m.Failures {
		if f.OnDemand && f.Confirmed && !at.Before(f.Time) && (f.Restored.IsZero() || at.Before(f.Restored)) {
			return
		}
	}
	if !r.lastStart.IsZero() {
		r.interval(at.Sub(r.lastStart).Hours())
	}
	r.lastStart = at
}

func (r *Record) interval(hours float64) {
	if !(hours > 0) {
		return // a clock was set back
	}
	r.intervals++
	r.sum += hours
	r.squares += hours * hours
	r.longest = max(r.longest, hours)
}

// ages are the operating ages of the failures that fit, h, and where each
// life, from a beginning or a failure on, ended: in a failure, or without one.
func (r *Record) ages(fits func(*Failed) bool) (ages, failed, running []float64) {
	for ; r.next < len(r.marks); r.next++ {
		r.marks[r.next].age = r.operating
	}
	began := 0.0
	for _, k := range r.marks {
		switch {
		case k.failed < 0:
			if k.age > began {
				running = append(running, k.age-began)
			}
			began = k.age
		case fits(&r.m.Failures[k.failed]):
			ages = append(ages, max(k.age, leastAge))
			failed = append(failed, max(k.age-began, leastAge))
			began = k.age
		}
	}
	if r.operating > began {
		running = append(running, r.operating-began)
	}
	return ages, failed, running
}

// count is how many failures fit.
func (r *Record) count(fits func(*Failed) bool) (n int) {
	for i := range r.m.Failures {
		if fits(&r.m.Failures[i]) {
			n++
		}
	}
	return n
}

// modes are the failure modes that occur, in the order of the alphabet.
func (r *Record) modes() []string {
	var codes []string
	for _, f := range r.m.Failures {
		codes = append(codes, f.Mode)
	}
	slices.Sort(codes)
	return slices.Compact(codes)
}

// blind is how long nobody watched, h, what overlaps counted once.
func (r *Record) blind() (hours float64) {
	spans := slices.Clone(r.m.Blind)
	slices.SortFunc(spans, func(a, b Span) int { return cmp.Or(a.From.Compare(b.From), a.To.Compare(b.To)) })
	until := r.span.From
	for _, s := range spans {
		s.From, s.To = later(s.From, until), earlier(s.To, r.span.To)
		if s.To.After(s.From) {
			hours += s.To.Sub(s.From).Hours()
			until = s.To
		}
	}
	return hours
}
