package trend

import "math"

// CUSUM is a two-sided tabular cumulative sum (Montgomery, Introduction to
// Statistical Quality Control, chapter 9) of values in units of their standard
// deviation around the target. Its zero value is a fresh start; its JSON form
// is its whole state.
type CUSUM struct {
	Up        float64 `json:"up"`         // C+
	Down      float64 `json:"down"`       // C-
	UpCount   int64   `json:"up_count"`   // N+: values since Up was last 0
	DownCount int64   `json:"down_count"` // N-
}

// Update takes in z, in standard deviations from the target. k is the
// reference value: half the shift to be found. What is no finite number
// changes nothing.
func (c *CUSUM) Update(z, k float64) {
	if !finite(z, k) {
		return
	}
	c.Up, c.UpCount = accumulate(c.Up, c.UpCount, z-k)
	c.Down, c.DownCount = accumulate(c.Down, c.DownCount, -z-k)
}

func accumulate(sum float64, count int64, d float64) (float64, int64) {
	sum += d
	if !(sum > 0) {
		return 0, 0
	}
	return math.Min(sum, math.MaxFloat64), count + 1
}

// siegmund is how far a random walk of normal steps shoots over a limit, both
// ends together.
const siegmund = 1.166

// RunLength is the mean number of in-control values until one side of a CUSUM
// with reference k > 0 passes h > 0, for independent normal values: the
// approximation of Siegmund (Sequential Analysis, 1985), as in Montgomery,
// equation 9.6. Two sides alarm twice as often. 0 where k or h is not
// positive; what exceeds the range of a float64 is +Inf.
func RunLength(k, h float64) float64 {
	if !(k > 0) || !(h > 0) {
		return 0
	}
	b := h + siegmund
	return runLength(k, b)
}

func runLength(k, b float64) float64 {
	e := 2 * k * b
	return (math.Expm1(e) - e) / (2 * k * k)
}

// DecisionLimit is the h at which one side of a CUSUM with reference k has the
// in-control run length, where neighbouring values correlate with rho in
// [0, 1) and the correlation dies out geometrically: the sum then spreads like
// one whose σ is larger by sqrt((1+ρ)/(1-ρ)), and k and h are smaller by as
// much (a diffusion argument; held by simulation in the tests). Not known
// where an argument is out of its range.
func DecisionLimit(k, length, rho float64) (float64, bool) {
	if !(k > 0) || !(length > 1) || !(rho >= 0 && rho < 1) || !finite(k, length) {
		return 0, false
	}
	wide := math.Sqrt((1 + rho) / (1 - rho))
	low, high := 0.0, 1.0
	for runLength(k/wide, high) < length {
		high *= 2
	}
	for range 100 {
		m := mid(low, high)
		if runLength(k/wide, m) < length {
			low = m
		} else {
			high = m
		}
	}
	// The overshoot belongs to single steps, which correlation does not widen.
	return math.Max(0, high*wide-siegmund), true
}
