package reliability

import (
	"math"

	"strokebank/sensors/signal"
)

// leastFailures is the fewest failures of which a shape is estimated: common
// practice, no source.
const leastFailures = 3

// Weibull is a fitted life distribution, S(t) = exp(-(t/η)^β).
type Weibull struct {
	Known         bool          `json:"known"`
	Reason        string        `json:"reason,omitempty"` // why it is not
	Scale         signal.Number `json:"scale"`            // η, characteristic life
	Shape         Estimate      `json:"shape"`            // β: under 1 early failures, over 1 wear
	LogLikelihood signal.Number `json:"log_likelihood"`
	Failures      int           `json:"failures"`
	Censored      int           `json:"censored"` // still running, or taken out before a failure
	// Bound is what the data say where no shape can be told: the mean time
	// between failures for a constant rate.
	Bound Estimate `json:"bound"`
}

// FitWeibull is the maximum likelihood fit to lives that ended in a failure and
// to running ones (censored to the right), as in the NIST/SEMATECH e-Handbook
// 8.4.1.3. The limits of β are normal in ln β with the curvature of the profile
// likelihood (Meeker and Escobar, Statistical Methods for Reliability Data,
// 1998; from memory). Fewer than three failures, or failures all of one age,
// are not fitted.
func FitWeibull(failed, running []float64, confidence float64) Weibull {
	w := Weibull{Scale: signal.Unknown(), LogLikelihood: signal.Unknown(), Failures: len(failed), Censored: len(running)}
	s := newSample(failed, running)
	w.Bound = MTBF(s.total, w.Failures, confidence)
	w.Reason = s.refuse(w.Bound.Reason)
	w.Shape = unknown(w.Reason, w.Failures, confidence)
	if w.Reason != "" {
		return w
	}
	beta := s.shape()
	mean, spread, sum := s.weighted(beta)
	r := float64(w.Failures)
	eta := s.largest * math.Exp(math.Log(sum/r)/beta)
	// At the fit the sum of (t/η)^β is r.
	logs := r*math.Log(beta) - r*beta*math.Log(eta) + (beta-1)*(s.logs+r*math.Log(s.largest)) - r
	if !positive(eta) || math.IsNaN(mean) || math.IsInf(logs, 0) || math.IsNaN(logs) {
		w.Reason, w.Shape.Reason = outOfRange, outOfRange
		return w
	}
	wide := math.Exp(normal((1+confidence)/2) / math.Sqrt(r*(1+beta*beta*spread)))
	w.Known, w.Scale, w.LogLikelihood = true, signal.Number(eta), signal.Number(logs)
	w.Shape.Known, w.Shape.Time = true, s.total
	w.Shape.Value, w.Shape.Low, w.Shape.High = signal.Number(beta), signal.Number(beta/wide), signal.Number(beta*wide)
	return w
}

// sample holds lives relative to the largest, so that no power overflows.
type sample struct {
	lives    []float64 // logarithms of life / largest
	failures int
	logs     float64 // sum of those that ended in a failure
	largest  float64
	total    float64
	sound    bool // all positive and finite
	distinct bool // failures of different ages
}

func newSample(failed, running []float64) sample {
	s := sample{failures: len(failed), sound: true}
	for _, part := range [][]float64{failed, running} {
		for _, t := range part {
			s.sound = s.sound && positive(t)
			s.largest = max(s.largest, t)
			s.total += t
		}
	}
	for i, part := range [][]float64{failed, running} {
		for _, t := range part {
			log := math.Log(t / s.largest)
			s.lives = append(s.lives, log)
			if i == 0 {
				s.logs += log
				s.distinct = s.distinct || t != failed[0]
			}
		}
	}
	return s
}

func (s *sample) refuse(bound string) string {
	switch {
	case !s.sound:
		return badTime
	case bound != "" && bound != noFailure:
		return bound
	case s.failures < leastFailures:
		return fewFailures
	case !s.distinct:
		return noSpread
	}
	return ""
}

// weighted is mean and variance of ln t, weighted with t^β, and the sum of the
// weights.
func (s *sample) weighted(beta float64) (mean, variance, sum float64) {
	square := 0.0
	for _, l := range s.lives {
		w := math.Exp(beta * l)
		sum += w
		mean += w * l
		square += w * l * l
	}
	mean /= sum
	return mean, max(0, square/sum-mean*mean), sum
}

// shape solves the likelihood equation for β: its left side rises with β from
// minus infinity, and ends above zero where two failures differ.
func (s *sample) shape() float64 {
	rest := s.logs / float64(s.failures)
	low, high := -30.0, 30.0 // ln β
	for range 100 {
		m := (low + high) / 2
		beta := math.Exp(m)
		if mean, _, _ := s.weighted(beta); mean-1/beta-rest < 0 {
			low = m
		} else {
			high = m
		}
	}
	return math.Exp((low + high) / 2)
}
