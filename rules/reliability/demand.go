package reliability

import (
	"math"

	"strokebank/sensors/signal"
)

// rare is the rate times proof interval and repair time up to which the
// simplified forms are close; common practice, no source.
const rare = 0.1

// OneOfOne is the average probability that a single machine fails on demand:
// λ (T/2 + repair), the simplified form of IEC 61508-6 annex B for failures
// that only a proof finds (from memory). rate is its rate of dangerous
// undetected failures, interval the time between two proofs, repair the mean
// time from the proof to the end of the repair. Low, High and Confidence are
// those of the rate alone; a rate of which only the upper bound is known gives
// an upper bound only. No figure is above 1.
func OneOfOne(rate Estimate, interval, repair float64) Estimate {
	return onDemand(rate, interval, repair, 0, func(rate float64) float64 {
		return rate * (interval/2 + repair)
	})
}

// OneOfTwo is the average probability that both machines of a pair fail on
// demand: 2 ((1-β) λ)² (T/2 + repair)(T/3 + repair) + β λ (T/2 + repair), with
// the arguments of OneOfOne, λ the rate of one machine, and β the share of
// failures with a common cause, 0 to 1. It assumes equal machines, proofs of
// both at the same interval, a constant rate and proofs that find everything.
func OneOfTwo(rate Estimate, beta, interval, repair float64) Estimate {
	return onDemand(rate, interval, repair, beta, func(rate float64) float64 {
		alone := (1 - beta) * rate
		both := 2 * (alone * (interval/2 + repair)) * (alone * (interval/3 + repair))
		return both + beta*rate*(interval/2+repair)
	})
}

// onDemand takes value and limits of the rate through a form that rises with
// it.
func onDemand(rate Estimate, interval, repair, beta float64, form func(float64) float64) Estimate {
	e := unknown(badRate, rate.Failures, rate.Confidence)
	e.Time = rate.Time
	if !positive(interval) || !(repair >= 0) || math.IsInf(repair, 0) || !(beta >= 0 && beta <= 1) ||
		rate.Value < 0 || rate.Low < 0 || rate.High < 0 {
		return e
	}
	e.Known, e.Reason = rate.Known && rate.Value.Known(), rate.Reason
	high := 0.0
	through := func(r signal.Number) signal.Number {
		if !r.Known() {
			return signal.Unknown()
		}
		high = max(high, float64(r)*(interval+repair))
		return signal.Number(math.Min(1, form(float64(r))))
	}
	e.Value, e.Low, e.High = through(rate.Value), through(rate.Low), through(rate.High)
	if high > rare && e.Reason == "" {
		e.Reason = coarse
	}
	return e
}

// Jain is the fairness of shares, (Σx)²/(n Σx²): 1 where all are equal, 1/n
// where one has everything (Jain, Chiu, Hawe 1984; from memory). Unknown where
// there are no shares, all are 0 or one is no finite number from 0 up.
func Jain(shares ...float64) signal.Number {
	largest, sum, square := 0.0, 0.0, 0.0
	for _, x := range shares {
		if !(x >= 0) || math.IsInf(x, 0) {
			return signal.Unknown()
		}
		largest = max(largest, x)
	}
	if largest == 0 {
		return signal.Unknown()
	}
	for _, x := range shares {
		x /= largest
		sum += x
		square += x * x
	}
	return signal.Number(sum * sum / (float64(len(shares)) * square))
}
