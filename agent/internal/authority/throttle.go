package authority

import "time"

// The bounds of guessing. *Common practice, no source.*
const (
	mostWrong    = 5  // from one place
	mostWrongAll = 50 // from all places together
	forget       = time.Minute
	mostPlaces   = 200 // remembered one by one
)

// everywhere stands for all places together.
const everywhere = ""

// failures is the wrong secrets of one place within the last minute.
type failures struct {
	count int
	since time.Time
}

// throttled reports whether a place, or all together, have failed too often.
func (a *Authority) throttled(from string) bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.recent(from) >= mostWrong || a.recent(everywhere) >= mostWrongAll
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
func (a *Authority) fail(from string) {
	a.mu.Lock()
	defer a.mu.Unlock()
	for _, place := range []string{from, everywhere} {
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
