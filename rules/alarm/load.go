package alarm

import (
	"cmp"
	"slices"
	"time"

	"strokebank/sensors/signal"
)

// The figures by which the load of alarms is judged (ISA-18.2 / IEC 62682,
// from memory; for one operator): about 150 a day are acceptable, 300 the
// most; more than 10 within 10 minutes are a flood, which is over when a
// stretch of 10 minutes has brought fewer than 5; three within a minute
// chatter.
const (
	AcceptableADay = 150
	MostADay       = 300
	FloodOver      = 10 // within ten minutes
	Chatterings    = 3  // within ChatterTime
	ChatterTime    = time.Minute

	floodUnder = 5
)

const (
	stretch   = 10 * time.Minute
	stretches = 144 // of one day
	frequent  = 10
)

// Load counts how often the alarms of one unit ask for attention, over the
// last day of watched time: in stretches of ten minutes, so its memory is
// bounded whatever happens. Its JSON form is what a restart needs. One
// goroutine at a time.
type Load struct {
	Clock   time.Duration `json:"clock_ns"` // time that has passed, watched or known to have passed
	Parts   []part        `json:"parts"`    // at most a day's, oldest first; those without a raise left out
	Minutes [10]uint16    `json:"minutes"`
	Flood   bool          `json:"flood"`
	Watched time.Duration `json:"watched_ns"` // of the last day, at most
}

// part is what one stretch brought.
type part struct {
	At       int    `json:"at"` // number of the stretch
	High     uint16 `json:"high,omitempty"`
	Medium   uint16 `json:"medium,omitempty"`
	Low      uint16 `json:"low,omitempty"`
	Floods   uint16 `json:"floods,omitempty"`
	Chatters uint16 `json:"chatters,omitempty"`
}

func (p *part) raised() int { return int(p.High) + int(p.Medium) + int(p.Low) }

// Tally counts how often one alarm asked for attention: by hours of the last
// day, and its last three times.
type Tally struct {
	Hours [24]uint16       `json:"hours"`
	Last  [3]time.Duration `json:"last_ns"` // by Load.Clock, newest first
	Hour  int              `json:"hour"`    // that Hours was last brought up to
	Count uint16           `json:"count"`   // in Last, at most 3
}

// Pass lets time go by: dt of it, watched or not. It reports whether a minute
// has ended, after which the figures may read otherwise.
func (l *Load) Pass(dt time.Duration, watched bool) bool {
	dt = max(dt, 0)
	before := l.Clock
	l.Clock += dt
	if watched {
		l.Watched = min(l.Watched+dt, stretches*stretch)
	} else {
		l.Watched = max(l.Watched-dt, 0)
	}
	from, to := int(before/time.Minute), int(l.Clock/time.Minute)
	if from == to {
		return false
	}
	for m := from + 1; m <= min(to, from+len(l.Minutes)); m++ {
		l.Minutes[m%len(l.Minutes)] = 0
	}
	if l.tenMinutes() < floodUnder {
		l.Flood = false
	}
	oldest := int(l.Clock/stretch) - stretches
	l.Parts = slices.DeleteFunc(l.Parts, func(p part) bool { return p.At <= oldest })
	return true
}

// Call counts one alarm that asks for attention.
func (l *Load) Call(t *Tally, p Priority) {
	now := l.part()
	switch p {
	case High:
		now.High++
	case Medium:
		now.Medium++
	default:
		now.Low++
	}
	l.Minutes[int(l.Clock/time.Minute)%len(l.Minutes)]++
	if !l.Flood && l.tenMinutes() > FloodOver {
		l.Flood = true
		now.Floods++
	}
	was := t.Chattering(l)
	t.bring(l)
	t.Hours[t.Hour%len(t.Hours)]++
	t.Last[2], t.Last[1], t.Last[0] = t.Last[1], t.Last[0], l.Clock
	t.Count = min(t.Count+1, Chatterings)
	if !was && t.Chattering(l) {
		now.Chatters++
	}
}

// part is the present stretch's.
func (l *Load) part() *part {
	at := int(l.Clock / stretch)
	if n := len(l.Parts); n == 0 || l.Parts[n-1].At != at {
		l.Parts = append(l.Parts, part{At: at})
	}
	return &l.Parts[len(l.Parts)-1]
}

func (l *Load) tenMinutes() (n int) {
	for _, m := range l.Minutes {
		n += int(m)
	}
	return n
}

// bring empties the hours that have passed since.
func (t *Tally) bring(l *Load) {
	hour := int(l.Clock / time.Hour)
	for h := max(t.Hour+1, hour-len(t.Hours)+1); h <= hour; h++ {
		t.Hours[h%len(t.Hours)] = 0
	}
	t.Hour = max(t.Hour, hour)
}

// Chattering reports whether the alarm asked for attention three times within
// the last minute.
func (t *Tally) Chattering(l *Load) bool {
	return t.Count == Chatterings && l.Clock-t.Last[2] < ChatterTime
}

// Day is how often it did within the last day, to the hour.
func (t *Tally) Day(l *Load) (n int) {
	t.bring(l)
	for _, h := range t.Hours {
		n += int(h)
	}
	return n
}

// Figures is the load as people read it. What is counted is alarms that ask
// for attention: raised and in sight, or come into sight.
type Figures struct {
	Observed   float64     `json:"observed_seconds"` // of the last day, watched
	Day        int         `json:"raised_24h"`
	TenMinutes int         `json:"raised_10min"`
	Worst      int         `json:"most_in_10min_24h"` // in a stretch by the clock
	Flood      bool        `json:"flood"`
	Floods     int         `json:"floods_24h"`
	Rating     string      `json:"rating"` // of the day: "acceptable", "manageable", "too many"
	Shares     [3]Share    `json:"shares"`
	Frequent   []Frequency `json:"most_frequent"` // at most ten, the most frequent first
	Chattering int         `json:"chattering"`    // now
	Chatters   int         `json:"chatters_24h"`  // how often one began to
	Stale      int         `json:"stale"`         // raised for longer than a day
	Shelved    int         `json:"shelved"`
	Suppressed int         `json:"suppressed"`
	Away       int         `json:"out_of_service"`
}

// Share is what one priority has of the day's alarms.
type Share struct {
	Priority Priority      `json:"priority"`
	Raised   int           `json:"raised_24h"`
	Share    signal.Number `json:"share"` // 0 to 1; unknown where there were none
}

// Frequency is how often one alarm asked for attention within a day.
type Frequency struct {
	Name   string `json:"alarm"`
	Source string `json:"source"`
	Raised int    `json:"raised_24h"`
}

// Clone is a copy that shares nothing.
func (f *Figures) Clone() Figures {
	c := *f
	c.Frequent = append([]Frequency(nil), f.Frequent...)
	return c
}

// Fill counts the load up. Statuses and tallies stand in the same order; the
// figures' own memory is used again.
func (l *Load) Fill(f *Figures, statuses []Status, tally func(int) *Tally) {
	list := f.Frequent[:0]
	*f = Figures{Observed: l.Watched.Seconds(), TenMinutes: l.tenMinutes(), Flood: l.Flood,
		Shares: [3]Share{{Priority: High}, {Priority: Medium}, {Priority: Low}}}
	for i := range l.Parts {
		p := &l.Parts[i]
		f.Day += p.raised()
		f.Worst = max(f.Worst, p.raised())
		f.Floods += int(p.Floods)
		f.Chatters += int(p.Chatters)
		for k, n := range [3]uint16{p.High, p.Medium, p.Low} {
			f.Shares[k].Raised += int(n)
		}
	}
	for k := range f.Shares {
		f.Shares[k].Share = unknown
		if f.Day > 0 {
			f.Shares[k].Share = signal.Number(float64(f.Shares[k].Raised) / float64(f.Day))
		}
	}
	f.Worst = max(f.Worst, f.TenMinutes)
	f.Rating = rating(f.Day)
	for i := range statuses {
		s, t := &statuses[i], tally(i)
		f.count(s)
		if t.Chattering(l) {
			f.Chattering++
		}
		if n := t.Day(l); n > 0 {
			list = append(list, Frequency{s.Name, s.Source, n})
		}
	}
	slices.SortStableFunc(list, func(a, b Frequency) int { return cmp.Compare(b.Raised, a.Raised) })
	f.Frequent = list[:min(len(list), frequent)]
}

func (f *Figures) count(s *Status) {
	switch s.State {
	case Shelved:
		f.Shelved++
	case Suppressed:
		f.Suppressed++
	case OutOfService:
		f.Away++
	}
	if s.Stale {
		f.Stale++
	}
}

func rating(day int) string {
	switch {
	case day <= AcceptableADay:
		return "acceptable"
	case day <= MostADay:
		return "manageable"
	default:
		return "too many"
	}
}
