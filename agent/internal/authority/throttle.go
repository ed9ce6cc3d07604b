package authority

import (
	"slices"
	"strings"
	"time"
)

// The bounds of guessing. *Common practice, no source.*
const (
	mostWrong    = 5  // from one address, and under one name
	mostWrongAll = 20 // from all places together
	forget       = time.Minute
	mostPlaces   = 200 // remembered one by one
	mostKnown    = 64  // addresses that have entered
)

// everywhere stands for all places together.
const everywhere = ""

// failures is the wrong secrets of one place within the last minute.
type failures struct {
	count int
	since time.Time
}

// under is a name as a place; spelling it otherwise is no other place.
func under(name string) string { return "name " + strings.ToLower(strings.TrimSpace(name)) }

// throttled reports whether an address, a name, or all together, have failed
// too often.
func (a *Authority) throttled(from, name string) bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.recent(from) >= mostWrong {
		return true
	}
	if slices.Contains(a.known, from) {
		return false
	}
	return a.recent(everywhere) >= mostWrongAll || name != "" && a.recent(under(name)) >= mostWrong
}

// welcome remembers an address that has entered.
func (a *Authority) welcome(from string) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if i := slices.Index(a.known, from); i >= 0 {
		a.known = slices.Delete(a.known, i, i+1)
	}
	if a.known = append(a.known, from); len(a.known) > mostKnown {
		a.known = slices.Delete(a.known, 0, 1)
	}
}

// recent is how often a place has failed within the last minute; the caller
// holds the lock. A clock that was set back forgets.
func (a *Authority) recent(from string) int {
	f := a.wrong[from]
	if f == nil || a.cfg.Now().Sub(f.since).Abs() > forget {
		return 0
	}
	return f.count
}

// fail counts a wrong secret.
func (a *Authority) fail(from, name string) {
	a.mu.Lock()
	defer a.mu.Unlock()
	places := []string{from, everywhere}
	if name != "" {
		places = append(places, under(name))
	}
	for _, place := range places {
		if n := a.recent(place); n > 0 {
			a.wrong[place].count = n + 1
			continue
		}
		if len(a.wrong) >= mostPlaces {
			a.sweep()
		}
		if len(a.wrong) < mostPlaces || place == everywhere {
			a.wrong[place] = &failures{1, a.cfg.Now()}
		}
	}
}

// sweep forgets what is over.
func (a *Authority) sweep() {
	for place := range a.wrong {
		if a.recent(place) == 0 {
			delete(a.wrong, place)
		}
	}
}
