package report

import (
	"math"
	"time"
)

// Span is a time from From up to To.
type Span struct{ From, To time.Time }

// Bins gathers values over a span in a fixed number of stretches, so that a
// year of runs needs no more memory than a day. One goroutine at a time.
type Bins struct {
	span Span
	list []bin
}

type bin struct {
	n, counts       int
	low, mean, high float64
}

// binsOfAChart is how many stretches a chart has room for.
const binsOfAChart = 160

// NewBins gathers over a span.
func NewBins(span Span) *Bins { return &Bins{span: span, list: make([]bin, binsOfAChart)} }

// Add takes in a value at a time. Counts says that it counts for health; what
// lies outside the span, or is no number, is left out.
func (b *Bins) Add(at time.Time, v float64, counts bool) {
	length := b.span.To.Sub(b.span.From)
	if length <= 0 || at.Before(b.span.From) || at.After(b.span.To) || math.IsNaN(v) || math.IsInf(v, 0) {
		return
	}
	i := min(int(float64(len(b.list))*(float64(at.Sub(b.span.From))/float64(length))), len(b.list)-1)
	s := &b.list[i]
	if counts && s.counts == 0 { // those that count stand for the stretch
		*s = bin{}
	}
	if !counts && s.counts > 0 {
		return
	}
	if s.n == 0 {
		s.low, s.high = v, v
	}
	s.n++
	if counts {
		s.counts++
	}
	s.low, s.high = math.Min(s.low, v), math.Max(s.high, v)
	s.mean += (v - s.mean) / float64(s.n)
}

// edges are the beginning and the end of a stretch.
func (b *Bins) edges(i int) (from, to time.Time) {
	part := float64(b.span.To.Sub(b.span.From)) / float64(len(b.list))
	return b.span.From.Add(time.Duration(part * float64(i))), b.span.From.Add(time.Duration(part * float64(i+1)))
}

// Duty is what the two machines of a pair did over a span: run seconds and
// starts in all and by the calendar. One goroutine at a time.
type Duty struct {
	edges   []time.Time
	each    string
	seconds [2][]float64
	Run     [2]float64 // s, of the runs that ended in the span
	Doubt   [2]float64 // s, by so much Run may be short
	Starts  [2]int     // that were seen
	Leads   [2]int     // runs that led
	Longest [2]float64 // s
}

// NewDuty gathers over a span by the calendar of a zone.
func NewDuty(span Span, zone *time.Location) *Duty {
	d := &Duty{}
	d.edges, d.each = calendar(span.From, span.To, zone)
	for i := range d.seconds {
		d.seconds[i] = make([]float64, len(d.edges)-1)
	}
	return d
}

// Ran takes in a run of machine which, 0 or 1: its time by the wall clock and
// the seconds that were watched.
func (d *Duty) Ran(which int, start, end time.Time, seconds, doubt float64, lead, startSeen bool) {
	d.Run[which] += seconds
	d.Doubt[which] += doubt
	d.Longest[which] = math.Max(d.Longest[which], seconds)
	if startSeen {
		d.Starts[which]++
	}
	if lead {
		d.Leads[which]++
	}
	last := len(d.edges) - 1
	for i := d.piece(start); i < last; i++ {
		from, to := d.edges[i], d.edges[i+1]
		if start.After(from) {
			from = start
		}
		if end.Before(to) {
			to = end
		}
		whole := end.Sub(start)
		switch {
		case whole <= 0: // the clock stepped meanwhile
			d.seconds[which][i] += seconds
			return
		case to.After(from):
			d.seconds[which][i] += seconds * (float64(to.Sub(from)) / float64(whole))
		}
		if !end.After(d.edges[i+1]) {
			return
		}
	}
}

// piece is the stretch that a time lies in, the first for what is before.
func (d *Duty) piece(t time.Time) int {
	low, high := 0, len(d.edges)-2
	for low < high {
		mid := (low + high + 1) / 2
		if d.edges[mid].After(t) {
			high = mid - 1
		} else {
			low = mid
		}
	}
	return low
}
