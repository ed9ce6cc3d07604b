package tank

import "math"

// base is the reference temperature of petroleum volumes, 15 °C in K.
const base = 288.15

// VolumeFactor is the volume of oil at 15 °C over its volume at t K, for a
// lubricating or hydraulic oil of mineral base with the density at 15 °C in
// kg/m³ (ASTM D1250-80, table 54D: α = 0.6278/ρ15, factor
// exp(-αΔt(1+0.8αΔt)); secondary source).
func VolumeFactor(density15, t float64) float64 {
	alpha := 0.6278 / density15
	d := alpha * (t - base)
	return math.Exp(-d * (1 + float64(0.8*d)))
}

// OilDensity is the density, kg/m³, at t K of an oil with density15 kg/m³ at
// 15 °C, after VolumeFactor.
func OilDensity(density15, t float64) float64 {
	return density15 * VolumeFactor(density15, t)
}
