package authority

import (
	"slices"
	"strings"
	"time"
)

// The bounds of guessing. *Common practice, no source.*
//
// Who guesses from many addresses has twenty guesses a minute, and beyond
// these one from each further address, until as many addresses are remembered
// as may be for strangers: some 150 a minute, 2^27 in a year. A secret of 16
// characters outlasts that, unless it is a saying; one that is made by
// strokebank secret -new has 2^128 values. In stored form one core derives no
// more than ten a second besides. So nobody need be refused for what others
// have guessed, until these are very many.
const (
	mostWrong    = 5  // from one address, and under one name
	mostWrongAll = 20 // from all places together
	forget       = time.Minute
	mostPlaces   = 200 // remembered one by one, and as many names
	mostKnown    = 64  // addresses that have entered; among the places there is room for each
)

// failures is the wrong secrets of one place within the last minute.
type failures struct {
	count int
	since time.Time
}

// under is a name as it is counted; spelling it otherwise is no other one.
func under(name string) string { return strings.ToLower(strings.TrimSpace(name)) }

// throttled reports whether an address or a name has failed too often, or has
// a part in what all together have. A place whose mistakes could not be
// remembered any more has made too many. The caller holds the lock, as for all
// that follows.
func (a *Authority) throttled(from, name string) bool {
	own, known := a.recent(a.wrong[from]), a.isKnown(from)
	switch {
	case own >= mostWrong || own == 0 && !a.room(known):
		return true
	case known:
		return false
	case own > 0 && a.recent(a.all) >= mostWrongAll:
		return true
	}
	return name != "" && a.recent(a.names[under(name)]) >= mostWrong
}

// isKnown reports whether an address has entered before.
func (a *Authority) isKnown(from string) bool { return slices.Contains(a.known, from) }

// room reports whether one more place can be remembered.
func (a *Authority) room(known bool) bool {
	most := mostPlaces - mostKnown
	if known {
		most = mostPlaces
	}
	if len(a.wrong) >= most {
		a.sweep(a.wrong)
	}
	return len(a.wrong) < most
}

// welcome remembers an address that has entered.
func (a *Authority) welcome(from string) {
	if i := slices.Index(a.known, from); i >= 0 {
		a.known = slices.Delete(a.known, i, i+1)
	}
	if a.known = append(a.known, from); len(a.known) > mostKnown {
		a.known = slices.Delete(a.known, 0, 1)
	}
}

// recent is how many failures are not older than a minute. A clock that was
// set back forgets.
func (a *Authority) recent(f *failures) int {
	if f == nil || a.cfg.Now().Sub(f.since).Abs() > forget {
		return 0
	}
	return f.count
}

// count counts a secret as wrong: for its place, which has room as throttled
// has seen, for all together and for the name, while there is room for it.
func (a *Authority) count(q *question) {
	if a.recent(a.all) == 0 {
		a.all = &failures{since: a.cfg.Now()}
	}
	q.counted = []*failures{a.all, a.of(a.wrong, q.from)}
	if name := under(q.name); name != "" {
		if len(a.names) >= mostPlaces {
			a.sweep(a.names)
		}
		if a.names[name] != nil || len(a.names) < mostPlaces {
			q.counted = append(q.counted, a.of(a.names, name))
		}
	}
	for _, f := range q.counted {
		f.count++
	}
}

// of is what is counted under a key; where all of it is over it begins anew.
func (a *Authority) of(all map[string]*failures, key string) *failures {
	if a.recent(all[key]) == 0 {
		all[key] = &failures{since: a.cfg.Now()}
	}
	return all[key]
}

// takeBack undoes count.
func (a *Authority) takeBack(q *question) {
	for _, f := range q.counted {
		f.count--
	}
	q.counted = nil
}

// sweep forgets what is over.
func (a *Authority) sweep(all map[string]*failures) {
	for key, f := range all {
		if a.recent(f) == 0 {
			delete(all, key)
		}
	}
}
