package reliability

import (
	"math"

	"strokebank/sensors/signal"
)

// PowerLaw is a repaired machine whose failures come more or less often with
// age: M(t) = a t^b failures are expected up to t.
type PowerLaw struct {
	Known    bool          `json:"known"`
	Reason   string        `json:"reason,omitempty"` // why it is not
	Exponent signal.Number `json:"exponent"`         // b: under 1 it gets better, over 1 worse
	Scale    signal.Number `json:"scale"`            // a
	MTBF     Estimate      `json:"mtbf"`             // at the end of the time; without a fit for a constant rate
	Failures int           `json:"failures"`
}

// FitPowerLaw fits failures at the ages times, in any order, of a machine
// watched up to the age end, where the clock ended the watch and not a failure:
// b = (N-1)/Σ ln(T/t), a = N/T^b, MTBF = T/(bN), with the limits of the
// NIST/SEMATECH e-Handbook 8.4.5.2. Fewer than three failures are not fitted.
func FitPowerLaw(times []float64, end, confidence float64) PowerLaw {
	n := len(times)
	p := PowerLaw{Exponent: signal.Unknown(), Scale: signal.Unknown(), Failures: n}
	p.MTBF = MTBF(end, n, confidence)
	if p.Reason = refuseTimes(times, end, confidence, leastFailures); p.Reason != "" {
		if p.Reason != fewFailures {
			p.MTBF = unknown(p.Reason, n, confidence)
		}
		return p
	}
	sum := 0.0
	for _, t := range times {
		sum += math.Log(end) - math.Log(t)
	}
	count := float64(n)
	b := (count - 1) / sum
	a := math.Exp(math.Log(count) - b*math.Log(end))
	mtbf := end / (b * count)
	if !positive(b) || !positive(a) || !positive(mtbf) {
		p.Reason = noSpread
		return p
	}
	z2 := math.Pow(normal((1+confidence)/2), 2)
	low := count + z2/4 + math.Sqrt(count*z2/2+z2*z2/16)
	high := count - math.Sqrt(count*z2/2)
	p.Known, p.Exponent, p.Scale = true, signal.Number(b), signal.Number(a)
	p.MTBF.Value = signal.Number(mtbf)
	p.MTBF.Low = signal.Number(mtbf * count * (count - 1) / (low * low))
	p.MTBF.High = signal.Unknown() // where N is too small for the approximation
	if high > 0 {
		p.MTBF.High = signal.Number(mtbf * count * (count - 1) / (high * high))
	}
	return p
}

// Trend is the outcome of a test for a change of the failure rate with age.
type Trend struct {
	Known    bool          `json:"known"`
	Reason   string        `json:"reason,omitempty"`
	U        signal.Number `json:"u"` // standard normal: over 0 failures come more often
	P        signal.Number `json:"p"` // two-sided
	Failures int           `json:"failures"`
}

// leastLaplace is the fewest failures for which U is normal enough: common
// practice, no source.
const leastLaplace = 4

// Laplace tests failures at the ages times of a machine watched up to the age
// end for a trend: U = (mean t - T/2) / (T sqrt(1/(12 N))) (Cox and Lewis, The
// Statistical Analysis of Series of Events, 1966; from memory). Fewer than four
// failures are not tested.
func Laplace(times []float64, end float64) Trend {
	n := len(times)
	t := Trend{U: signal.Unknown(), P: signal.Unknown(), Failures: n}
	if t.Reason = refuseTimes(times, end, 0.5, leastLaplace); t.Reason != "" {
		return t
	}
	mean := 0.0
	for _, at := range times {
		mean += at / end / float64(n)
	}
	u := (mean - 0.5) * math.Sqrt(12*float64(n))
	t.Known, t.U = true, signal.Number(u)
	t.P = signal.Number(math.Erfc(math.Abs(u) / math.Sqrt2))
	return t
}

func refuseTimes(times []float64, end, confidence float64, least int) string {
	if reason := refuse(end, len(times), confidence); reason != "" {
		return reason
	}
	for _, t := range times {
		if !positive(t) {
			return badTime
		}
		if t > end {
			return pastEnd
		}
	}
	if len(times) < least {
		return fewFailures
	}
	return ""
}
