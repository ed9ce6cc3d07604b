// Package proof keeps, for each protective function, when it was last seen to
// work, by which event, and when it is due again; and the record of a test
// that a person has announced. It is pure: time comes in. Nothing in it is
// safe for concurrent use of one value.
package proof

import "time"

// Function is one thing that must work when it is needed.
type Function struct {
	Name  string        // "pump1.delivers"
	Title string        // for a person
	Every time.Duration // it must be seen again within this time; not above 0: never due
}

// Status is the present view of one function.
type Status struct {
	Function string    `json:"function"`
	Title    string    `json:"title"`
	Proven   bool      `json:"proven"` // false: not proven yet
	Last     time.Time `json:"last_proven,omitzero"`
	By       string    `json:"proven_by,omitempty"` // the event that proved it
	Count    int       `json:"times_proven"`
	Failed   time.Time `json:"last_failed,omitzero"`
	Why      string    `json:"failed_because,omitempty"`
	Due      time.Time `json:"due,omitzero"`
	Overdue  bool      `json:"overdue"`
}

// State is all that a Book remembers, to be saved and restored.
type State struct {
	Since   time.Time `json:"since,omitzero"` // watched since
	Records []Status  `json:"records"`
	Test    *Test     `json:"test,omitempty"`
}

// Book keeps the proofs of one unit.
type Book struct {
	functions []Function
	status    []Status
	since     time.Time
	test      *Test
}

// New begins with nothing proven. The order of the functions is that of the
// indices of Prove and Fail.
func New(functions []Function) *Book {
	b := &Book{functions: functions, status: make([]Status, len(functions))}
	for i, f := range functions {
		b.status[i] = Status{Function: f.Name, Title: f.Title}
	}
	return b
}

// State is what to save.
func (b *Book) State() State {
	return State{Since: b.since, Records: append([]Status(nil), b.status...), Test: b.test.Clone()}
}

// Restore goes on from a saved state. Functions that are gone are dropped,
// new ones begin unproven.
func (b *Book) Restore(s State) {
	b.since = s.Since
	for _, r := range s.Records {
		for i := range b.status {
			if b.status[i].Function == r.Function {
				r.Title = b.functions[i].Title
				b.status[i] = r
			}
		}
	}
	if s.Test != nil {
		b.test = b.sheet(s.Test.By, s.Test.Note, s.Test.Begin)
		b.test.take(s.Test.Results)
	}
}

// Step brings the due dates up to now, the wall clock, which counts only
// while it is trusted. It does not allocate.
func (b *Book) Step(now time.Time, trusted bool) {
	if !trusted {
		return
	}
	if b.since.IsZero() {
		b.since = now
	}
	for i := range b.status {
		s, every := &b.status[i], b.functions[i].Every
		if every <= 0 {
			s.Due, s.Overdue = time.Time{}, false
			continue
		}
		from := b.since
		if s.Proven {
			from = s.Last
		}
		s.Due = from.Add(every)
		s.Overdue = now.After(s.Due)
	}
}

// Prove records that function i was seen to work, by an event in words. It
// reports whether that is news: proven for the first time, after a failure,
// when overdue, or in a test.
func (b *Book) Prove(i int, now time.Time, by string) bool {
	s := &b.status[i]
	news := !s.Proven || s.Overdue || s.Failed.After(s.Last)
	s.Proven, s.Last, s.By, s.Overdue = true, now, by, false
	s.Count++
	if b.test != nil && b.test.Results[i].Outcome == NotSeen {
		b.test.Results[i].Outcome, b.test.Results[i].By = Pass, by
		news = true
	}
	return news
}

// Fail records that function i was needed and did not work. It does not take
// back that it was proven before.
func (b *Book) Fail(i int, now time.Time, why string) {
	s := &b.status[i]
	s.Failed, s.Why = now, why
	if b.test != nil {
		b.test.Results[i].Outcome, b.test.Results[i].By = Fail, why
	}
}

// All is the status of every function, in order; it belongs to the Book.
func (b *Book) All() []Status { return b.status }

// Test is the test under way, nil without one; it belongs to the Book.
func (b *Book) Test() *Test { return b.test }
