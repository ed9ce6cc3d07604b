package configs

import (
	"math"
	"strings"
	"testing"
	"time"
)

func TestSumpLeaksAndProof(t *testing.T) {
	text, err := Example("quillen-reach")
	if err != nil {
		t.Fatal(err)
	}
	const sump = "sump: {length: 1 m, width: 600 mm}"
	if !strings.Contains(string(text), sump) {
		t.Fatal("the example has no sump")
	}
	for _, c := range []struct{ name, instead, says string }{
		{"round", "sump: {diameter: 1 m}", ""},
		{"none", "", ""},
		{"both", "sump: {length: 1 m, width: 1 m, diameter: 1 m}", "keep diameter, or length and width"},
		{"half", "sump: {length: 1 m}", "width"},
		{"empty", "sump: {}", "write length and width, or diameter"},
		{"no time at all", "proof: {valve: 0 s}", "proof.valve"},
		{"no leak at all", "leaks: {oil: 0 L/h}", "leaks.oil"},
		{"other limits", "leaks: {oil: 6 L/h, air: 2 %}\n    proof: {valve: 30 d}", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			cfg, err := Parse(strings.NewReader(strings.Replace(string(text), sump, c.instead, 1)))
			if c.says != "" {
				if err == nil || !strings.Contains(err.Error(), c.says) {
					t.Errorf("%v does not say %q", err, c.says)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			r := cfg.Units[0].Rules
			switch c.name {
			case "round":
				if math.Abs(r.SumpArea-math.Pi/4) > 1e-9 {
					t.Errorf("a sump of %v m²", r.SumpArea)
				}
			case "none":
				if r.SumpArea != 0 || math.Abs(r.OilLeak*3.6e6-1.5) > 1e-9 || r.AirLeak != 0.01 || r.DissolvedAir != 0.09 ||
					r.Proof.Machine != 90*24*time.Hour || r.Proof.Low != 365*24*time.Hour {
					t.Errorf("%+v", r.Proof)
				}
			case "other limits":
				if math.Abs(r.OilLeak*3.6e6-6) > 1e-9 || r.AirLeak != 0.02 || r.Proof.Valve != 30*24*time.Hour {
					t.Errorf("%v m³/s, %v a day, valve every %v", r.OilLeak, r.AirLeak, r.Proof.Valve)
				}
			}
		})
	}
}
