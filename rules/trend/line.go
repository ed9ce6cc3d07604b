package trend

import "math"

// Why something is not known.
const (
	tooFew       = "too few values"
	notFinite    = "a value is no finite number"
	oneMoment    = "all values are of one moment"
	lengthsApart = "as many x as y are needed"
	badLevel     = "the confidence is not between 0 and 1"
	neverFalls   = "the line does not surely fall"
	farAway      = "too far away to say"
)

// Line is a robust straight line through points, in the units of x and y.
type Line struct {
	Known      bool
	Reason     string // why it is not known
	N          int
	Confidence float64 // two-sided, of Low to High
	Slope      float64
	Low, High  float64 // limits of Slope; infinite where N is too small for them
	X, Y       float64 // median x, and the line there
	YError     float64 // standard error of Y
	Noise      float64 // standard deviation around the line, from the MAD
}

// TheilSen is the line whose slope is the median of the slopes of all pairs
// (Theil 1950, Sen 1968), with Sen's limits: exact by Kendall's distribution
// up to 20 points (Hollander, Wolfe, Chicken, Nonparametric Statistical
// Methods, section 9.3), normal beyond. confidence is two-sided, such as 0.95.
func TheilSen(x, y []float64, confidence float64) Line {
	pairs := len(x) * max(len(x)-1, 0) / 2
	return theilSen(x, y, confidence, make([]float64, max(pairs, len(x))))
}

// theilSen works in scratch, which holds a float64 for every pair of points,
// at least one for every point.
func theilSen(x, y []float64, confidence float64, scratch []float64) Line {
	l := Line{N: len(x), Confidence: confidence}
	if l.Reason = refuse(x, y, confidence); l.Reason != "" {
		return l
	}
	slopes := scratch[:0]
	for i := range x {
		for j := i + 1; j < len(x); j++ {
			if d := x[j] - x[i]; d != 0 {
				slopes = append(slopes, (y[j]-y[i])/d)
			}
		}
	}
	if len(slopes) == 0 {
		l.Reason = oneMoment
		return l
	}
	n := len(slopes)
	l.Slope = mid(nth(slopes, (n-1)/2), nth(slopes, n/2))
	l.Low, l.High = slopeLimits(slopes, x, confidence)

	points := scratch[:len(x)]
	copy(points, x)
	l.X = median(points)
	for i := range x {
		points[i] = y[i] - l.Slope*(x[i]-l.X)
	}
	l.Y = median(points)
	for i := range points {
		points[i] = math.Abs(points[i] - l.Y)
	}
	l.Noise = toSigma * median(points)
	// The median of n normal values spreads by sqrt(π/2) more than their mean.
	l.YError = math.Sqrt(math.Pi/2) * l.Noise / math.Sqrt(float64(l.N))
	if l.Known = finite(l.Slope, l.X, l.Y, l.Noise); !l.Known {
		l.Reason = notFinite
	}
	return l
}

// refuse says why no line can be drawn.
func refuse(x, y []float64, confidence float64) string {
	switch {
	case len(x) != len(y):
		return lengthsApart
	case len(x) < 2:
		return tooFew
	case !(confidence > 0 && confidence < 1):
		return badLevel
	case !finite(x...) || !finite(y...):
		return notFinite
	}
	return ""
}

// slopeLimits takes Sen's limits from the slopes.
func slopeLimits(slopes, x []float64, confidence float64) (low, high float64) {
	n, tail := len(slopes), (1-confidence)/2
	variance, tied := rankVariance(x)
	c := 0.0
	if len(x) <= mostExact && !tied {
		s, ok := exactQuantile(len(x), tail)
		if !ok {
			return math.Inf(-1), math.Inf(1)
		}
		c = float64(s - 2)
	} else {
		c = normalQuantile(1-tail) * math.Sqrt(variance)
	}
	m := int(math.Floor((float64(n) - c) / 2)) // counts from 1
	if m < 1 {
		return math.Inf(-1), math.Inf(1)
	}
	m = min(m, (n+1)/2)
	return nth(slopes, m-1), nth(slopes, n-m)
}

// At is the line at x.
func (l *Line) At(x float64) float64 { return l.Y + l.Slope*(x-l.X) }

// AtError is the standard error of the line at x, the slope's limits taken as
// those of a normal distribution; infinite where they are.
func (l *Line) AtError(x float64) float64 {
	if !l.Known || math.IsInf(l.High, 0) || math.IsInf(l.Low, 0) {
		return math.Inf(1)
	}
	slope := (l.High - l.Low) / 2 / normalQuantile(mid(1, l.Confidence))
	return math.Hypot(l.YError, slope*(x-l.X))
}

// Crossing is where a line falls under a limit.
type Crossing struct {
	Known           bool
	Reason          string // why it is not known
	At, Early, Late float64
}

// Falls is the x at which the line falls under limit, which may lie in the
// past, and the interval from the limits of the slope and of the line's middle
// together. It is unknown where the interval is unbounded: a line that may not
// fall at all has no date.
func (l *Line) Falls(limit float64) Crossing {
	switch {
	case !l.Known:
		return Crossing{Reason: l.Reason}
	case !finite(limit):
		return Crossing{Reason: notFinite}
	case !(l.High < 0) || math.IsInf(l.Low, 0):
		return Crossing{Reason: neverFalls}
	}
	d := normalQuantile(mid(1, l.Confidence)) * l.YError
	above := l.Y - limit
	at := l.X + above/-l.Slope
	// Over the limit the steeper slope is the earlier one, under it the later.
	early := math.Min((above-d)/-l.Low, (above-d)/-l.High)
	late := math.Max((above+d)/-l.Low, (above+d)/-l.High)
	c := Crossing{Known: true, At: at, Early: l.X + early, Late: l.X + late}
	if !finite(c.At, c.Early, c.Late) {
		return Crossing{Reason: farAway}
	}
	return c
}
