package work

import "math"

const (
	// slip is the part of a gear pump's displacement that runs back inside it
	// at the set pressure with oil of referenceViscosity; common practice, no
	// source.
	slip = 0.06
	// referenceViscosity is that of an ISO VG 46 oil at 40 °C, mm²/s (ISO 3448).
	referenceViscosity = 46.0
	// referenceTemperature is that of corrected figures, K.
	referenceTemperature = 293.15
	// clearance is the dead volume of a piston compressor over its stroke, and
	// polytropic the exponent of the air left in it; common practice, no
	// source.
	clearance, polytropic = 0.04, 1.3
)

// Viscosity is the kinematic viscosity, mm²/s, of an ISO VG 46 mineral oil at t
// K: the Walther line of ASTM D341, log10 log10 (ν+0.7) = A - B log10 T, through
// 46 mm²/s at 40 °C (ISO 3448) and 6.8 at 100 °C (from memory).
func Viscosity(t float64) float64 {
	return math.Pow(10, math.Pow(10, viscosityA-float64(viscosityB*math.Log10(t)))) - 0.7
}

var viscosityA, viscosityB = walther(313.15, referenceViscosity, 373.15, 6.8)

func walther(t1, v1, t2, v2 float64) (a, b float64) {
	y1, y2 := math.Log10(math.Log10(v1+0.7)), math.Log10(math.Log10(v2+0.7))
	b = (y1 - y2) / (math.Log10(t2) - math.Log10(t1))
	return y1 + float64(b*math.Log10(t1)), b
}

// PumpFactor turns a pump's flow at a gauge pressure and an oil temperature, K,
// into the one at the set pressure and 20 °C: slip grows with pressure and falls
// with viscosity (Wilson, Rotary-Pump Theory, Trans. ASME 68, 1946; from
// memory). A temperature that is not above 0 is not known and not corrected
// for.
func PumpFactor(pressure, set, t float64) float64 {
	if !(set > 0) {
		return 1
	}
	if !(t > 0) {
		t = referenceTemperature
	}
	part := func(p, t float64) float64 { return 1 - float64(slip*p/set*referenceViscosity/Viscosity(t)) }
	return part(set, referenceTemperature) / math.Max(part(math.Max(pressure, 0), t), 0.5)
}

// CompressorFactor turns the free air of a piston compressor at a pressure into
// that at the set pressure, all Pa absolute: volumetric efficiency
// 1 - c((p/p0)^(1/n) - 1), from memory.
func CompressorFactor(pressure, set, atmosphere float64) float64 {
	part := func(p float64) float64 {
		return 1 - float64(clearance*(math.Pow(math.Max(p/atmosphere, 1), 1/polytropic)-1))
	}
	return part(set) / part(pressure)
}

// FreeAir is the free air delivered by a pump-up, m³/s at the pressure p0 and
// the temperature t0 of the air outside: (p2 V2/T2 - p1 V1/T1) T0 / (p0 t).
// Pressures Pa absolute, gas volumes m³, temperatures K. ISO 1217 speaks of
// free air; the formula is that of a pump-up test (from memory).
func FreeAir(p1, v1, t1, p2, v2, t2, p0, t0, seconds float64) float64 {
	return (p2*v2/t2 - p1*v1/t1) * t0 / (p0 * seconds)
}
