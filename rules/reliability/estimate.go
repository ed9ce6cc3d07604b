// Package reliability gives the figures of failure statistics, each with the
// data that it stands on. Too little data gives the bound that it allows, and
// says so. Times are operating times in any one unit; figures come out in that
// unit, rates in its inverse. Everything is pure and safe for concurrent use.
package reliability

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"strokebank/sensors/signal"
)

// Why there is no estimate, or what is to be known about it.
const (
	noFailure     = "no failure yet: a bound only, one-sided"
	fewFailures   = "too few failures"
	noTime        = "no operating time"
	noDemand      = "no demand"
	badTime       = "a time is not a positive, finite number"
	badCount      = "the number of failures is negative"
	pastEnd       = "a failure lies after the end of the time watched"
	badConfidence = "the confidence is not from 0.01 to 0.9999"
	noSpread      = "the failure times do not tell a shape"
	badRate       = "the rate, interval, repair time or common share is out of its range"
	coarse        = "the rate is too high for the simplified form, which overstates here"
	outOfRange    = "out of the range of numbers"
)

// Estimate is a figure with its confidence limits and the data behind it. An
// unknown number is one that the data do not give; JSON null.
type Estimate struct {
	Known      bool          `json:"known"`            // Value is an estimate
	Reason     string        `json:"reason,omitempty"` // why it is not, or a caution
	Value      signal.Number `json:"value"`
	Low        signal.Number `json:"low"`
	High       signal.Number `json:"high"`
	Confidence float64       `json:"confidence"` // of Low to High, or of the only bound there is
	Failures   int           `json:"failures"`
	Time       float64       `json:"time"` // operating time
}

// unknown is an estimate that says only why.
func unknown(reason string, failures int, confidence float64) Estimate {
	no := signal.Unknown()
	if !sensible(confidence) {
		confidence = 0
	}
	return Estimate{Reason: reason, Value: no, Low: no, High: no, Confidence: confidence, Failures: failures}
}

// Given is a figure that was not estimated but handed in, as a rate from a
// data sheet: it has no limits and stands on no data.
func Given(v float64) Estimate {
	e := unknown("", 0, 0)
	if !(v >= 0) || math.IsInf(v, 0) {
		e.Reason = outOfRange
		return e
	}
	e.Known, e.Value = true, signal.Number(v)
	return e
}

// MTBF is the mean time between failures over an operating time that was ended
// by the clock, for a constant failure rate, with two-sided limits:
// 2T/χ²(1-α/2; 2r+2) and 2T/χ²(α/2; 2r) (NIST/SEMATECH e-Handbook 8.4.5.1).
// The confidence may be 0.01 to 0.9999. Without a failure there is no estimate, and Low is the one-sided bound at the
// confidence, 2T/χ²(1-α; 2).
func MTBF(time float64, failures int, confidence float64) Estimate {
	e := unknown(refuse(time, failures, confidence), failures, confidence)
	if e.Reason != "" {
		return e
	}
	e.Time = time
	if failures == 0 {
		e.Reason = noFailure
		e.Low = MTBFAtLeast(time, 0, confidence)
		return e
	}
	tail := (1 - confidence) / 2
	e.Known = true
	e.Value = signal.Number(time / float64(failures))
	e.Low = signal.Number(time / chi(1-tail, failures+1))
	e.High = signal.Number(time / chi(tail, failures))
	return e
}

// MTBFAtLeast is the one-sided lower bound of the mean time between failures at
// a confidence in (0, 1): 2T/χ²(1-α; 2r+2). Unknown where an argument is out of
// its range.
func MTBFAtLeast(time float64, failures int, confidence float64) signal.Number {
	if refuse(time, failures, confidence) != "" {
		return signal.Unknown()
	}
	return signal.Number(time / chi(confidence, failures+1))
}

// chi is half of the chi-squared quantile at 2n degrees of freedom, n > 0.
func chi(p float64, n int) float64 {
	return distuv.ChiSquared{K: 2 * float64(n)}.Quantile(p) / 2
}

// refuse says why no figure can come of the arguments.
func refuse(time float64, failures int, confidence float64) string {
	switch {
	case !sensible(confidence):
		return badConfidence
	case failures < 0:
		return badCount
	case time == 0:
		return noTime
	case !positive(time):
		return badTime
	}
	return ""
}

// sensible reports whether limits can be had at a confidence: nearer to 0 or 1
// the quantile panics.
func sensible(confidence float64) bool { return confidence >= 0.01 && confidence <= 0.9999 }

// positive reports whether v is a positive, finite number.
func positive(v float64) bool { return v > 0 && !math.IsInf(v, 0) }

// Rate turns a mean time into a rate: the limits change places.
func (e Estimate) Rate() Estimate {
	e.Value, e.Low, e.High = 1/e.Value, 1/e.High, 1/e.Low
	return e
}

// normal is z with Φ(z) = p.
func normal(p float64) float64 { return distuv.UnitNormal.Quantile(p) }
