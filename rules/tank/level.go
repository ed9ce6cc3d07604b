package tank

// gravity is the standard acceleration of free fall, m/s² (ISO 80000-3).
const gravity = 9.80665

// LevelFromDifferential is the oil level above the lower tapping, m, of a
// cell that measures the differential pressure dp, Pa, between the lower
// tapping and the gas: dp = (oil - gas) g h + leg. Densities in kg/m³; leg is
// what the cell shows on an empty tank, Pa, negative for a filled reference
// leg. The gas counts: at 9 bar it weighs over 1 % of the oil. Hydrostatics;
// 0/0 where the densities are equal.
func LevelFromDifferential(dp, leg, oil, gas float64) float64 {
	return (dp - leg) / ((oil - gas) * gravity)
}

// Column is the pressure of an oil column of a height, m, under gas: Pa;
// densities in kg/m³.
func Column(height, oil, gas float64) float64 { return (oil - gas) * gravity * height }

// GasPressure is the pressure of the gas, Pa, where the transmitter sits at
// tap, m above the lowest inside point, and the oil stands at level: below
// the oil's surface it also reads the oil above it, which is taken off. A tap
// in the gas, or below 0, reads the gas. Measured and result are both gauge
// or both absolute.
func GasPressure(measured, tap, level, oil float64) float64 {
	if tap < 0 || level <= tap {
		return measured
	}
	return measured - float64(oil*gravity*(level-tap))
}
