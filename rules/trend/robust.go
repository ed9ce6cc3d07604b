// Package trend tells a change from noise: smoothing, cumulative sums, robust
// lines with their intervals, rank tests for a trend, and the date at which a
// line falls under a limit. Health puts them together for one machine. It is
// pure computation: no clock, no random source, no I/O. Nothing in it is safe
// for concurrent use of one value.
package trend

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// toSigma turns a median absolute deviation into the standard deviation of a
// normal distribution: 1/Φ⁻¹(3/4).
const toSigma = 1.482602218505602

// Median is the middle of x, in the unit of x; not known where x is empty or
// holds what is no finite number. It leaves x alone.
func Median(x []float64) (float64, bool) {
	if len(x) == 0 || !finite(x...) {
		return 0, false
	}
	return median(slices.Clone(x)), true
}

// MAD is the median distance from the median, scaled by 1.4826 to be the
// standard deviation where x is normal (Hampel 1974). Known as Median is.
func MAD(x []float64) (float64, bool) {
	m, ok := Median(x)
	if !ok {
		return 0, false
	}
	far := make([]float64, len(x))
	for i, v := range x {
		far[i] = math.Abs(v - m)
	}
	return toSigma * median(far), true
}

// median orders x and takes its middle. x must not be empty.
func median(x []float64) float64 {
	slices.Sort(x)
	n := len(x)
	return mid(x[(n-1)/2], x[n/2])
}

// mid is halfway from a to b, without overflow.
func mid(a, b float64) float64 { return a/2 + b/2 }

// finite reports whether every x is a number.
func finite(x ...float64) bool {
	for _, v := range x {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}

// normalQuantile is z with Φ(z) = p.
func normalQuantile(p float64) float64 { return distuv.UnitNormal.Quantile(p) }

// nth puts the value that would stand at k, were a in order, in its place, with
// none larger before it and none smaller behind, and returns it (Hoare's
// selection). a holds no NaN.
func nth(a []float64, k int) float64 {
	low, high := 0, len(a)-1
	for low < high {
		pivot := a[low+(high-low)/2]
		i, j := low, high
		for i <= j {
			for a[i] < pivot {
				i++
			}
			for a[j] > pivot {
				j--
			}
			if i <= j {
				a[i], a[j] = a[j], a[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			high = j
		case k >= i:
			low = i
		default:
			return a[k]
		}
	}
	return a[k]
}
