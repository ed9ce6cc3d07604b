package tank

import (
	"math"
	"testing"
)

// Computed: 870 kg/m³ × 2.000 m is 0.17064 bar; with air of 9 bar absolute
// and 20 °C (10.70 kg/m³, ideal gas) above it a cell shows 1.2 % less.
func TestLevelFromDifferential(t *testing.T) {
	if got := Column(2, 870, 0) / 1e5; math.Abs(got-0.17064) > 5e-6 {
		t.Errorf("column %.6f bar, want 0.17064", got)
	}
	dp := Column(2, 870, 10.7)
	if got := LevelFromDifferential(dp-3000, -3000, 870, 10.7); math.Abs(got-2) > 1e-12 {
		t.Errorf("level %v m, want 2", got)
	}
	if got := LevelFromDifferential(dp, 0, 870, 0); math.Abs(got-2*(1-10.7/870)) > 1e-12 || got > 1.98 {
		t.Errorf("leaving the gas out gives %v m, want over 1 %% too little", got)
	}
}

func TestGasPressure(t *testing.T) {
	cases := []struct {
		name                 string
		measured, tap, level float64
		want                 float64
	}{
		{"tap in the gas", 8e5, 2.5, 1.5, 8e5},
		{"tap not in the oil by configuration", 8e5, -1, 1.5, 8e5},
		{"two metres of oil above the tap", 8e5 + 17064, 0.1, 2.1, 8e5},
		{"oil just at the tap", 8e5, 1.5, 1.5, 8e5},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			if got := GasPressure(c.measured, c.tap, c.level, 870); math.Abs(got-c.want) > 1 {
				t.Errorf("%v Pa, want %v", got, c.want)
			}
		})
	}
}

// ASTM D1250-80 table 54D, lubricants (secondary source), density 870 kg/m³
// at 15 °C.
func TestVolumeFactor(t *testing.T) {
	for celsius, want := range map[float64]float64{0: 1.01079, 20: 0.99639, 40: 0.98187, 60: 0.96723} {
		if got := VolumeFactor(870, celsius+273.15); math.Abs(got-want) > 6e-6 {
			t.Errorf("%v °C: %.6f, want %v", celsius, got, want)
		}
	}
	if got := OilDensity(870, 288.15); got != 870 {
		t.Errorf("density at 15 °C %v, want 870", got)
	}
}
