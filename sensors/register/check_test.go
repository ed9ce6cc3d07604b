package register_test

import (
	"math"
	"strings"
	"testing"

	"strokebank/sensors/register"
	"strokebank/sensors/signal"
)

func TestCheck(t *testing.T) {
	good := register.Spec{Table: register.HoldingRegisters, Address: 65534, Format: register.Float32,
		Unit: signal.Pascal, RawLow: 4, RawHigh: 20, High: 16e5, Current: true, Least: -1e5, Most: 20e5}
	contact := register.Spec{Table: register.HoldingRegisters, Address: 65535, BitNumber: 15, Unit: signal.Boolean, Invert: true}
	change := func(s register.Spec, f func(*register.Spec)) register.Spec { f(&s); return s }
	tests := []struct {
		name string
		spec register.Spec
		want string // part of the error; empty: none
	}{
		{"number at the last address", good, ""},
		{"contact at the last address", contact, ""},
		{"coil", register.Spec{Table: register.Coils, Unit: signal.Boolean}, ""},
		{"factor and offset", register.Spec{Table: register.InputRegisters, Format: register.Int16, Factor: 0.1, Offset: 273.15}, ""},
		{"contact as a number", register.Spec{Table: register.InputRegisters, Format: register.Uint16, Unit: signal.Boolean, Invert: true}, ""},
		{"falling span", change(good, func(s *register.Spec) { s.Low, s.High = s.High, s.Low }), ""},
		{"past the last address", change(good, func(s *register.Spec) { s.Address = 65535 }), "past the last address"},
		{"float64 past the last address", change(good, func(s *register.Spec) { s.Format = register.Float64 }), "ends at 65537"},
		{"bit 16", change(contact, func(s *register.Spec) { s.BitNumber = 16 }), "bit 16"},
		{"unknown table", change(contact, func(s *register.Spec) { s.Table = 4 }), "table 4"},
		{"unknown format", change(good, func(s *register.Spec) { s.Format = 7 }), "format 7"},
		{"number in a coil", change(good, func(s *register.Spec) { s.Table = register.Coils }), "single bit"},
		{"bit number in a discrete input", change(contact, func(s *register.Spec) { s.Table = register.DiscreteInputs }), "no bit number"},
		{"bit number of a number", change(good, func(s *register.Spec) { s.BitNumber = 3 }), "needs the format bit"},
		{"bit in pascals", change(contact, func(s *register.Spec) { s.Unit = signal.Pascal }), "unit Boolean"},
		{"inverted pressure", change(good, func(s *register.Spec) { s.Invert = true }), "only a contact"},
		{"contact with a span", change(contact, func(s *register.Spec) { s.RawHigh = 1 }), "neither span"},
		{"current without a span", register.Spec{Table: register.InputRegisters, Format: register.Int16, Current: true}, "at 4 and at 20 mA"},
		{"empty raw span", change(good, func(s *register.Spec) { s.RawLow, s.Current = 20, false }), "raw span from 20 to 20"},
		{"span without raw numbers", change(good, func(s *register.Spec) { s.RawLow, s.RawHigh, s.Current = 0, 0, false }), "raw span"},
		{"empty span", change(good, func(s *register.Spec) { s.Low, s.High = 5, 5 }), "span from 5 to 5"},
		{"span and factor", change(good, func(s *register.Spec) { s.Factor = 2 }), "exclude"},
		{"span and offset", change(good, func(s *register.Spec) { s.Offset = 2 }), "exclude"},
		{"span that int16 cannot hold", change(good, func(s *register.Spec) { s.Format, s.RawHigh = register.Int16, 65535 }), "outside what the format holds"},
		{"negative span in uint16", change(good, func(s *register.Spec) { s.Format, s.RawLow = register.Uint16, -1 }), "outside what the format holds"},
		{"limits swapped", change(good, func(s *register.Spec) { s.Least, s.Most = 20e5, -1e5 }), "nothing is plausible"},
		{"implausible span", change(good, func(s *register.Spec) { s.Least, s.Most = 17e5, 20e5 }), "nothing of the span"},
		{"not a number", change(good, func(s *register.Spec) { s.High = math.NaN() }), "finite"},
		{"infinite factor", register.Spec{Table: register.InputRegisters, Format: register.Int16, Factor: math.Inf(1)}, "finite"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			err := tt.spec.Check()
			switch {
			case tt.want == "" && err != nil:
				t.Errorf("unexpected: %v", err)
			case tt.want != "" && (err == nil || !strings.Contains(err.Error(), tt.want)):
				t.Errorf("got %v, want an error about %q", err, tt.want)
			}
		})
	}
}

func TestTableNames(t *testing.T) {
	if got := register.InputRegisters.String(); got != "input register" {
		t.Errorf("got %q", got)
	}
	if got := register.Table(9).String(); got != "unknown table" {
		t.Errorf("got %q", got)
	}
}
