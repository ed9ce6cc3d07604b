package simulator

import "math"

// Air, from memory. The virial coefficients B = virialB - virialA/T and C
// give Z 0.994 at 0 °C and 10 bar and a Boyle temperature of 344 K.
const (
	molarGas  = 8.314462618 // J/(mol K)
	molarMass = 28.965e-3   // kg/mol
	virialB   = 52e-6       // m³/mol
	virialA   = 17.891e-3   // m³ K/mol
	virialC   = 1.4e-9      // m⁶/mol²
	airCp     = 1004.3      // J/(kg K), of air at the compressor's outlet
	gravity   = 9.81
)

// Oil, an ISO VG 46 mineral oil, from memory.
const (
	oilExpansion = 7.2e-4 // 1/K
	oilHeat      = 1900.0 // J/(kg K)
	oilBunsen    = 0.09   // m³ of free air in a m³ of oil and bar
	steelHeat    = 490.0 * 7850
)

// celsius0 is 0 °C in K.
const celsius0 = 273.15

// airPressure is the absolute pressure of m kg of air in v m³ at t.
func airPressure(m, v, t float64) float64 {
	n := m / molarMass / v
	return n * molarGas * t * (1 + n*(virialB-virialA/t) + n*n*virialC)
}

// thermalPressure is t (∂p/∂t) at constant volume, which does the work in the
// energy balance of a real gas.
func thermalPressure(m, v, t float64) float64 {
	n := m / molarMass / v
	return n * molarGas * t * (1 + n*virialB + n*n*virialC)
}

// airMass is the mass that gives the absolute pressure p in v at t.
func airMass(p, v, t float64) float64 {
	m := p * v * molarMass / (molarGas * t)
	for range 20 {
		m *= p / airPressure(m, v, t)
	}
	return m
}

// airCv is the heat capacity at constant volume, J/(kg K).
func airCv(t float64) float64 { return 717.2 + 0.06*(t-290) }

// airEnergy is the inner energy, J/kg, with the attraction of a real gas.
func airEnergy(m, v, t float64) float64 {
	return 717.2*t + 0.03*(t-290)*(t-290) - molarGas*virialA*m/v/(molarMass*molarMass)
}

// film is the heat transfer coefficient of free convection along a surface
// that is dt warmer or colder than the gas, W/(m² K): Nu = 0.13 Ra^(1/3),
// turbulent, from memory; a little conduction remains at rest.
func film(density, t, dt float64) float64 {
	conductivity := 0.0243 + 7e-5*(t-celsius0)
	viscosity := 1.72e-5 + 4.8e-8*(t-celsius0)
	ra := gravity * math.Abs(dt) / t * density * density * 0.71 / (viscosity * viscosity)
	return 0.13*conductivity*math.Cbrt(ra) + 0.5
}

// oilDensity at t for a density at 15 °C.
func oilDensity(at15, t float64) float64 { return at15 / (1 + oilExpansion*(t-288.15)) }

// oilViscosity is the kinematic viscosity, mm²/s (ASTM D341 form with 46 at
// 40 °C and 6.8 at 100 °C).
func oilViscosity(t float64) float64 {
	const a, b = 9.41799, 3.68444
	return math.Pow(10, math.Pow(10, a-b*math.Log10(t))) - 0.7
}

// saturation is the air, kg, that a kg of oil holds in the long run under the
// absolute pressure p.
func saturation(p, t, density float64) float64 {
	bunsen := oilBunsen * (1 + 5e-4*(t-293.15))
	return bunsen * p / 1e5 * 1.189 / density
}
