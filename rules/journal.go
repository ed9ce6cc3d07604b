package rules

import (
	"slices"
	"time"

	"strokebank/rules/machine"
)

// NumberedRun is a run with its number in history: a later one is higher.
type NumberedRun struct {
	Number uint64 `json:"number"`
	machine.Run
}

// Search asks for entries of the journal, the newest first. A zero field asks
// for everything.
type Search struct {
	Unit     string
	Kinds    []Kind
	Source   string
	From, To time.Time // at the source: at or after From, before To
	Before   uint64    // sequence numbers below it: where the last answer ended
	Limit    int       // 1 at least
}

// Fits reports whether an entry is asked for.
func (s *Search) Fits(e *Entry) bool {
	return (s.Unit == "" || e.Unit == s.Unit) && (len(s.Kinds) == 0 || slices.Contains(s.Kinds, e.Kind)) &&
		(s.Source == "" || e.Source == s.Source) &&
		(s.From.IsZero() || !e.Time.Before(s.From)) && (s.To.IsZero() || e.Time.Before(s.To)) &&
		(s.Before == 0 || e.Seq < s.Before)
}
