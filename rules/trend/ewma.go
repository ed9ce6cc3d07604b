package trend

import "math"

// EWMA is an exponentially weighted moving average. Its zero value has seen
// nothing; its JSON form is its whole state.
type EWMA struct {
	Value float64 `json:"value"`
	Count int64   `json:"count"` // values taken in
}

// Update takes x in with weight λ in (0, 1] and returns the new average. The
// first value is taken as it is, unless Value was set and Count made 1 to
// start from a target. What is no finite number changes nothing.
func (e *EWMA) Update(x, lambda float64) float64 {
	if !finite(x) {
		return e.Value
	}
	if e.Count == 0 {
		e.Value = x
	} else {
		// The conversion keeps arm64 from fusing what amd64 rounds.
		e.Value += float64(lambda * (x - e.Value))
	}
	e.Count++
	return e.Value
}

// EWMALimits are the control limits of the average once it has run for long:
// target ± width σ sqrt(λ/(2-λ)) (NIST/SEMATECH e-Handbook 6.3.2.4).
func EWMALimits(target, sigma, lambda, width float64) (low, high float64) {
	d := width * sigma * math.Sqrt(lambda/(2-lambda))
	return target - d, target + d
}
