// Package gas knows the air above the oil: the gas law with heat exchange to
// the tank's wall, the atmosphere outside, and how to follow and learn both
// from measured values.
//
// Symbols: p Pa absolute, V m³, T K, θ = T/Tw the gas temperature over the
// wall temperature, τ s the thermal time constant, S = pV/θ the settled
// product (what pV becomes once the gas has the wall's temperature).
//
// The package is pure: no I/O, no clock, no goroutine.
package gas

import "math"

// Properties of dry air as an ideal gas. The reserve is computed between
// about 1 and 20 bar absolute and 0 to 60 °C, where the compressibility
// factor stays within 2 % of 1 (Lemmon et al., J. Phys. Chem. Ref. Data 29,
// 2000).
const (
	Constant = 287.05 // J/(kg K), specific gas constant (ISO 2533: 287.05287)
	Gamma    = 1.4    // ratio of specific heats
)

// Density is the density of air, kg/m³, at p Pa absolute and t K, ideal.
func Density(p, t float64) float64 { return p / (Constant * t) }

// Isothermal is how much an ideal gas of volume v, m³, grows, m³, while its
// pressure falls slowly from p to end, Pa absolute. Not negative.
func Isothermal(v, p, end float64) float64 {
	return math.Max(0, v*(p/end-1))
}

// Adiabatic is Isothermal for an expansion too fast for any heat to enter.
func Adiabatic(v, p, end float64) float64 {
	return math.Max(0, v*(math.Pow(p/end, 1/Gamma)-1))
}
