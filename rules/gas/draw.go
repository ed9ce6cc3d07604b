package gas

import "math"

// Draw is one measured draw of oil from the tank. Pressures Pa absolute,
// volumes m³ of gas.
type Draw struct {
	StartPressure float64
	StartVolume   float64
	EndPressure   float64
	EndVolume     float64
	Seconds       float64
	Theta         float64 // gas over wall temperature at its start; settled: 1
}

// Exponent is the apparent polytropic exponent ln(p1/p2)/ln(V2/V1), for
// display only; NaN where the volume did not grow.
func (d Draw) Exponent() float64 {
	if d.EndVolume <= d.StartVolume {
		return math.NaN()
	}
	return math.Log(d.StartPressure/d.EndPressure) / math.Log(d.EndVolume/d.StartVolume)
}

// Comparison is a draw against what was predicted for it.
type Comparison struct {
	Predicted float64 // Pa absolute, end pressure by the best estimate
	Low       float64 // Pa absolute, with the bounds of τ, the real-gas allowance and the band
	High      float64
	Delivered float64 // m³ of oil drawn
	Promised  float64 // m³ of oil that the best estimate gives down to the measured end pressure
	Kept      bool    // the end pressure is not below Low: what was promised was delivered
}

// Compare predicts the end pressure of a draw from its start, with τ and its
// bounds in s and the ± band of the pressure, Pa, and holds the measured one
// against it. The real-gas allowance is 0.1 % of the oil per bar absolute, at
// least 1 % (from Lemmon et al., J. Phys. Chem. Ref. Data 29, 2000).
func (d Draw) Compare(tau, low, high, band float64) Comparison {
	s := d.StartPressure * d.StartVolume / d.Theta
	drawn := d.EndVolume - d.StartVolume
	end := func(oil, tau float64) float64 {
		v := d.StartVolume + oil
		return s * Expand(d.Theta, d.StartVolume, v, d.Seconds, tau) / v
	}
	more := float64(drawn * (1 + math.Max(0.01, d.StartPressure*1e-8)))
	c := Comparison{
		Predicted: end(drawn, tau), Delivered: drawn,
		Low:  math.Min(end(more, low), end(more, high)) - band,
		High: math.Max(end(drawn, low), end(drawn, high)) + band,
	}
	c.Kept = d.EndPressure >= c.Low
	c.Promised = d.promised(end, tau)
	return c
}

// promised is the oil at which the predicted pressure is the measured one, if
// it had been drawn in the same time.
func (d Draw) promised(end func(oil, tau float64) float64, tau float64) float64 {
	low, high := 0.0, 20*d.StartVolume
	for range 60 {
		mid := low + float64((high-low)/2)
		if end(mid, tau) > d.EndPressure {
			low = mid
		} else {
			high = mid
		}
	}
	return low
}
