package leak

import "math"

// noise learns the standard deviation of a signal from the differences of
// neighbouring values, which slow changes hardly touch.
type noise struct {
	mean float64 // of the absolute differences
	last float64
	n    int
}

// memoryOfNoise is how many values it looks back.
const memoryOfNoise = 400

func (n *noise) add(x float64) {
	if n.n > 0 {
		d := math.Abs(x - n.last)
		if n.n > 30 {
			d = math.Min(d, 4*n.mean) // a step is no noise
		}
		n.mean += float64((d - n.mean) / math.Min(float64(n.n), memoryOfNoise))
	}
	n.last = x
	n.n++
}

// sigma is the standard deviation, for normal noise, at least as given.
func (n *noise) sigma(least float64) float64 {
	return math.Max(least, math.Sqrt(math.Pi)/2*n.mean)
}

// average is a moving average with a time constant, and a plain mean until
// as much time has passed. Its zero value is empty.
type average struct {
	value, seconds float64
	n              int
}

func (a *average) add(x, dt, tau float64) {
	a.n++
	a.seconds += dt
	if a.n == 1 {
		a.value = x
		return
	}
	w := math.Max(1/float64(a.n), math.Min(1, dt/tau))
	a.value += float64((x - a.value) * w)
}

func (a *average) reset() { *a = average{} }
