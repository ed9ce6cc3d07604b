package gas

import "math"

// The widest τ that a fit looks at, as a factor of the guess either way, and
// the widest doubt, as a ratio of τ, with which a fit is accepted.
const (
	searched   = 8
	leastSharp = 0.35
)

// fit is τ from the collected recovery: pV = S - B exp(-t/τ) by least
// squares. S and B are linear, so that only τ is searched, by golden section
// in its logarithm. It is refused where pV did not rise, where τ lies at an
// end of the search, or where the samples' own scatter leaves it in doubt.
func (l *Learner) fit() (tau float64, ok bool) {
	low, high := math.Log(l.guess/searched), math.Log(l.guess*searched)
	const golden = 0.6180339887498949
	a, b := high-float64(golden*(high-low)), low+float64(golden*(high-low))
	left, right := l.misfit(math.Exp(a)), l.misfit(math.Exp(b))
	for high-low > 1e-3 {
		if left < right {
			high, b, right = b, a, left
			a = high - float64(golden*(high-low))
			left = l.misfit(math.Exp(a))
		} else {
			low, a, left = a, b, right
			b = low + float64(golden*(high-low))
			right = l.misfit(math.Exp(b))
		}
	}
	tau = math.Exp((low + high) / 2)
	if tau < l.guess/searched*1.05 || tau > l.guess*searched/1.05 {
		return 0, false
	}
	least, slope, sharp := l.line(tau)
	if slope >= 0 || l.filled < 8 {
		return 0, false
	}
	// With the scatter s² = SSE/(n-3), τ is known to where SSE grows by s².
	scatter := least / float64(l.filled-3)
	return tau, sharp > 0 && l.misfit(tau*(1+leastSharp)) > least+scatter && l.misfit(tau/(1+leastSharp)) > least+scatter
}

func (l *Learner) misfit(tau float64) float64 {
	sse, _, _ := l.line(tau)
	return sse
}

// line is the straight fit of pV over exp(-t/τ): the sum of squares left, the
// slope -B, and the spread of exp(-t/τ).
func (l *Learner) line(tau float64) (sse, slope, spread float64) {
	n := float64(l.filled)
	mx, my := 0.0, 0.0
	for i := range l.filled {
		mx += math.Exp(-l.times[i] / tau)
		my += l.samples[i]
	}
	mx, my = mx/n, my/n
	xx, xy, yy := 0.0, 0.0, 0.0
	for i := range l.filled {
		x, y := math.Exp(-l.times[i]/tau)-mx, l.samples[i]-my
		xx += float64(x * x)
		xy += float64(x * y)
		yy += float64(y * y)
	}
	if xx == 0 {
		return yy, 0, 0
	}
	slope = xy / xx
	return yy - float64(slope*xy), slope, xx
}
