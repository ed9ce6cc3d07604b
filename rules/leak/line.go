package leak

import (
	"math"
	"slices"
)

// Point is a mean: of Value at At, s.
type Point struct {
	At    float64 `json:"at"`
	Value float64 `json:"value"`
}

// mostPoints is how many points a line may have.
const mostPoints = 48

// liner draws robust lines without allocating: the median of the slopes of
// all pairs (Theil 1950, Sen 1968).
type liner struct {
	slopes [mostPoints * (mostPoints - 1) / 2]float64
	rest   [mostPoints]float64
}

// line gives the slope per second and its standard error, from the scatter
// around the line as for independent points evenly spread.
func (l *liner) line(p []Point) (slope, err float64) {
	n := len(p)
	if n < 3 {
		return 0, math.Inf(1)
	}
	k := 0
	for i := range p {
		for j := i + 1; j < n; j++ {
			if dt := p[j].At - p[i].At; dt > 0 {
				l.slopes[k] = (p[j].Value - p[i].Value) / dt
				k++
			}
		}
	}
	if k == 0 {
		return 0, math.Inf(1)
	}
	slope = median(l.slopes[:k])
	for i := range p {
		l.rest[i] = p[i].Value - float64(slope*(p[i].At-p[0].At))
	}
	middle := median(l.rest[:n])
	for i := range l.rest[:n] {
		l.rest[i] = math.Abs(l.rest[i] - middle)
	}
	sigma := 1.4826 * median(l.rest[:n]) // of a normal distribution, by its median deviation
	span := p[n-1].At - p[0].At
	return slope, lineError(sigma, n, span)
}

// lineError is the standard error of the slope through n independent points
// evenly spread over a span, each with the standard deviation sigma. The
// median of slopes is a tenth worse than least squares.
func lineError(sigma float64, n int, span float64) float64 {
	return 1.1 * sigma * math.Sqrt(12/float64(n)) / span
}

// persistence is by what factor the error of the slope through the points is
// larger than that of independent ones, because what moves them lasts longer
// than from one to the next: weather. n points whose neighbours correlate by r
// tell as much as n (1-r)/(1+r) independent ones (Bayley and Hammersley 1946,
// from memory). What is left beside a fitted line shows r too small by about
// (2+4r)/n (Kendall 1954 for a mean, extended to a line; from memory); of fewer
// than a dozen points that would be more than they can tell.
func (l *liner) persistence(p []Point) float64 {
	if len(p) < 3 {
		return 1
	}
	slope, _ := l.line(p)
	mean := 0.0
	for i := range p {
		l.rest[i] = p[i].Value - float64(slope*(p[i].At-p[0].At))
		mean += l.rest[i] / float64(len(p))
	}
	own, next := 0.0, 0.0
	for i := range p {
		l.rest[i] -= mean
		own += float64(l.rest[i] * l.rest[i])
		if i > 0 {
			next += float64(l.rest[i-1] * l.rest[i])
		}
	}
	if !(own > 0) {
		return 1
	}
	r := next / own
	if n := len(p); n >= 12 {
		r += (2 + float64(4*r)) / float64(n)
	}
	r = math.Min(math.Max(r, 0), 0.9)
	return math.Sqrt((1 + r) / (1 - r))
}

// median orders x and takes its middle.
func median(x []float64) float64 {
	slices.Sort(x)
	n := len(x)
	return x[(n-1)/2]/2 + x[n/2]/2
}

// push appends to a ring that is a plain slice in order: the oldest goes.
func push[T any](ring []T, n *int, v T) {
	if *n == len(ring) {
		copy(ring, ring[1:])
		*n--
	}
	ring[*n] = v
	*n++
}
