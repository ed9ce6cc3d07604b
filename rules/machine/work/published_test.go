package work

import (
	"math"
	"testing"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %v, want %v ± %v", what, got, want, tolerance)
	}
}

// The worked example of a pump-up test by the Bureau of Energy Efficiency
// (India), from memory: 0.5 to 7.03 kg/cm² in 8.287 m³ in 4.021 min, outside
// 1.026 kg/cm², gives 13.12 m³/min. Pressures there count from vacuum.
func TestFreeAirOfAPumpUp(t *testing.T) {
	const kg = 98066.5 // Pa
	got := FreeAir(0.5*kg, 8.287, 293.15, 7.03*kg, 8.287, 293.15, 1.026*kg, 293.15, 4.021*60)
	near(t, "free air, m³/min", got*60, 13.12, 0.01)
	// Warm air in the tank counts for less.
	warm := FreeAir(0.5*kg, 8.287, 293.15, 7.03*kg, 8.287, 303.15, 1.026*kg, 293.15, 4.021*60)
	if !(warm < got) {
		t.Errorf("%v m³/s with air 10 K warmer at the end, %v without", warm, got)
	}
}

// Q p / 1714 (hydraulic horsepower from gpm and psi; common practice): 4 gpm at
// 120 psi are 0.280 hp, and one such pump fills 25 gal in 6.25 min.
func TestHydraulicPowerOfAPump(t *testing.T) {
	const gallon, psi, horsepower = 231 * 0.0254 * 0.0254 * 0.0254, 6894.757293168, 745.69987
	flow := 4 * gallon / 60
	near(t, "hp", flow*120*psi/horsepower, 4*120/1714.0, 5e-4)
	near(t, "hp", flow*120*psi/horsepower, 0.280, 5e-4)
	near(t, "min", 25*gallon/flow/60, 6.25, 1e-9)
}

// ISO 3448: a grade's viscosity is that at 40 °C. From memory: VG 46 has about
// 115 mm²/s at 20 °C with the usual viscosity index near 100.
func TestViscosityOfTheOil(t *testing.T) {
	near(t, "at 40 °C", Viscosity(313.15), 46, 1e-9)
	near(t, "at 100 °C", Viscosity(373.15), 6.8, 1e-9)
	near(t, "at 20 °C", Viscosity(293.15), 115, 25)
}

func TestCorrections(t *testing.T) {
	near(t, "pump at its set pressure, 20 °C", PumpFactor(8e5, 8e5, 293.15), 1, 1e-12)
	if f := PumpFactor(4e5, 8e5, 293.15); !(f < 1 && f > 0.95) {
		t.Errorf("half the pressure: factor %v, want a little under 1: it slips less there", f)
	}
	if f := PumpFactor(8e5, 8e5, 313.15); !(f > 1.01 && f < 1.06) {
		t.Errorf("thin oil: factor %v, want over 1", f)
	}
	near(t, "no temperature", PumpFactor(8e5, 8e5, 0), 1, 1e-12)
	near(t, "compressor at its set pressure", CompressorFactor(9e5, 9e5, 1e5), 1, 1e-12)
	if f := CompressorFactor(5e5, 9e5, 1e5); !(f < 1 && f > 0.9) {
		t.Errorf("compressor at low pressure: factor %v", f)
	}
}
