package tank

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"
)

// Tank computes the volumes of one shape. It is immutable after New and safe
// for concurrent use; none of its methods but Shape allocates.
type Tank struct {
	shape  Shape
	form   form
	height float64
	total  float64
	guess  [guesses + 1]float64 // levels at evenly spaced volumes
}

// guesses is the number of intervals of the starting table of Level: so many
// that its first step lands.
const guesses = 512

// form is the inside of a tank, from level 0 to its height. slope is the
// liquid's free surface, m², the derivative of volume.
type form interface {
	volume(level float64) float64
	slope(level float64) float64
	height() float64
}

// New checks a shape and prepares its tank. The error says which length is
// wrong and what would be right.
func New(s Shape) (*Tank, error) {
	f, err := s.form()
	if err != nil {
		return nil, fmt.Errorf("tank: %w", err)
	}
	h := f.height()
	s.Table = slices.Clone(s.Table)
	t := &Tank{shape: s, form: f, height: h, total: f.volume(h)}
	if !(t.total > 0) || math.IsInf(t.total, 0) {
		return nil, errors.New("tank: the shape has no inside volume: give its length, or heads with a depth")
	}
	for i := range t.guess {
		t.guess[i] = t.bisect(t.total * float64(i) / guesses)
	}
	return t, nil
}

// Shape is the shape that the tank was made of, for one that differs from it
// in something. Its table is a copy.
func (t *Tank) Shape() Shape {
	s := t.shape
	s.Table = slices.Clone(s.Table)
	return s
}

// Total is the whole inside volume, m³.
func (t *Tank) Total() float64 { return t.total }

// Height is the inside height, m: the highest level there can be.
func (t *Tank) Height() float64 { return t.height }

// Volume is the oil volume, m³, at a level in m above the lowest inside
// point. Levels outside the tank are clamped to its ends; whether such a
// level is believed is the caller's decision. NaN gives NaN.
func (t *Tank) Volume(level float64) float64 {
	switch {
	case math.IsNaN(level):
		return level
	case level <= 0:
		return t.form.volume(0)
	case level >= t.height:
		return t.total
	}
	return t.form.volume(level)
}

// Level is the level, m above the lowest inside point, at which the tank
// holds volume, m³. Volumes that the tank cannot hold are clamped to its
// ends. NaN gives NaN.
func (t *Tank) Level(volume float64) float64 {
	switch {
	case math.IsNaN(volume):
		return volume
	case volume <= t.form.volume(0):
		return 0
	case volume >= t.total:
		return t.height
	}
	i := min(int(volume/t.total*guesses), guesses-1)
	low, high := t.guess[i], t.guess[i+1]
	x := float64(volume/t.total*guesses) - float64(i)
	h := low + float64((high-low)*x)
	for range 60 {
		miss := t.form.volume(h) - volume
		next := h - miss/t.form.slope(h)
		if math.Abs(next-h) <= t.near(h) {
			return next
		}
		if miss > 0 {
			high = h
		} else {
			low = h
		}
		if !(next > low && next < high) {
			next = low + float64((high-low)/2)
		}
		h = next
	}
	return h
}

// near is how long the last step of Level may be for what it leaves to be
// within 1e-12 of the height. Newton's steps leave about their square over the
// distance from the nearer end, where the surface is smooth; a strapping
// table's has corners.
func (t *Tank) near(level float64) float64 {
	if t.shape.Mounting == Strapped {
		return 1e-12 * t.height
	}
	return 1e-6 * math.Min(level, t.height-level)
}

// bisect is Level without a starting table.
func (t *Tank) bisect(volume float64) float64 {
	low, high := 0.0, t.height
	for range 60 {
		mid := low + float64((high-low)/2)
		if t.form.volume(mid) < volume {
			low = mid
		} else {
			high = mid
		}
	}
	return high
}

// strapped is a strapping table, straight between its rows.
type strapped []Strap

func (s strapped) height() float64 { return s[len(s)-1].Level }

func (s strapped) volume(level float64) float64 {
	a, b := s.around(level)
	return a.Volume + float64((b.Volume-a.Volume)*((level-a.Level)/(b.Level-a.Level)))
}

func (s strapped) slope(level float64) float64 {
	a, b := s.around(level)
	return (b.Volume - a.Volume) / (b.Level - a.Level)
}

// around is the pair of rows that hold a level between them.
func (s strapped) around(level float64) (below, above Strap) {
	i := sort.Search(len(s)-2, func(i int) bool { return s[i+1].Level >= level })
	return s[i], s[i+1]
}
