package trend

import "math"

// Kendall is the outcome of a Mann-Kendall test for a monotone trend.
type Kendall struct {
	N        int
	S        int     // pairs that rise less pairs that fall
	Variance float64 // of S where there is no trend, ties taken off
	Z        float64 // standard normal, corrected for continuity
	P        float64 // two-sided
	Exact    bool    // P is from the exact distribution
	Known    bool
	Reason   string // why nothing is known
}

// mostExact is the largest sample whose P is taken from the exact distribution.
const mostExact = 20

// MannKendall tests y, in its order of time, for a trend (Mann 1945; Kendall,
// Rank Correlation Methods). Without ties and up to 20 values P is exact,
// otherwise it is normal with the variance corrected for ties. It does not
// allocate. Daily looks at the same data alarm far more often than P says.
func MannKendall(y []float64) Kendall {
	k := Kendall{N: len(y), P: 1}
	if k.N < 3 {
		k.Reason = tooFew
		return k
	}
	if !finite(y...) {
		k.Reason = notFinite
		return k
	}
	for i, a := range y {
		for _, b := range y[i+1:] {
			if b > a {
				k.S++
			} else if b < a {
				k.S--
			}
		}
	}
	var tied bool
	k.Variance, tied = rankVariance(y)
	k.Known = true
	if !(k.Variance > 0) {
		return k
	}
	switch {
	case k.S > 0:
		k.Z = float64(k.S-1) / math.Sqrt(k.Variance)
	case k.S < 0:
		k.Z = float64(k.S+1) / math.Sqrt(k.Variance)
	}
	if k.Exact = !tied && k.N <= mostExact; k.Exact {
		k.P = exactKendall(k.N, k.S)
	} else {
		k.P = math.Erfc(math.Abs(k.Z) / math.Sqrt2)
	}
	return k
}

// rankVariance is the variance of S where v has no trend. A group of t equal
// values takes off t(t-1)(2t+5)/18, shared out over its members.
func rankVariance(v []float64) (variance float64, tied bool) {
	n := float64(len(v))
	off := 0.0
	for _, a := range v {
		t := 0.0
		for _, b := range v {
			if a == b {
				t++
			}
		}
		off += (t - 1) * (2*t + 5)
	}
	return (n*(n-1)*(2*n+5) - off) / 18, off > 0
}

// inversions are the probabilities of 0, 1, 2, ... inversions.
type inversions [mostExact*(mostExact-1)/2 + 1]float64

// countInversions is the distribution of the inversions of n untied values
// without a trend: value m adds 0 to m-1 of them, each as likely.
func countInversions(n int) (p inversions) {
	p[0] = 1
	for m := 2; m <= n; m++ {
		old, sum := p, 0.0
		for i := range m*(m-1)/2 + 1 {
			sum += old[i]
			if i >= m {
				sum -= old[i-m]
			}
			p[i] = sum / float64(m)
		}
	}
	return p
}

// exactKendall is P(|S| ≥ |s|). S is pairs - 2 inversions, and symmetric.
func exactKendall(n, s int) float64 {
	if s == 0 {
		return 1
	}
	if s < 0 {
		s = -s
	}
	p, tail := countInversions(n), 0.0
	for i := 0; i <= (n*(n-1)/2-s)/2; i++ {
		tail += p[i]
	}
	return math.Min(1, 2*tail)
}

// exactQuantile is the smallest s with P(S ≥ s) ≤ tail, not known where even
// the largest S is likelier than that.
func exactQuantile(n int, tail float64) (int, bool) {
	p, pairs, sum, found := countInversions(n), n*(n-1)/2, 0.0, -1
	for i := 0; i <= pairs; i++ {
		if sum += p[i]; sum > tail {
			break
		}
		found = i
	}
	return pairs - 2*found, found >= 0
}
