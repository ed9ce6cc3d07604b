package gas

import "math"

// StandardPressure is the pressure of the standard atmosphere at sea level,
// Pa absolute (ISO 2533).
const StandardPressure = 101325.0

// Atmosphere is the pressure of the standard atmosphere, Pa absolute, at an
// elevation in m above sea level (ISO 2533, troposphere, formula from
// memory). It holds from -1000 to 11000 m; weather moves the true pressure
// by up to about 3 % around it.
func Atmosphere(elevation float64) float64 {
	return StandardPressure * math.Pow(1-0.0065*elevation/288.15, 5.25588)
}
