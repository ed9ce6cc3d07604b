package register_test

import (
	"math"
	"testing"
	"time"

	"strokebank/sensors/register"
	"strokebank/sensors/signal"
)

var now = time.Date(2026, 11, 3, 4, 5, 6, 0, time.UTC)

// The bit patterns of the floats are those of IEEE 754 for 123.456f and pi,
// from memory; the integers are two's complement.
func TestDecode(t *testing.T) {
	holding := func(f register.Format) register.Spec {
		return register.Spec{Table: register.HoldingRegisters, Format: f}
	}
	order := func(s register.Spec, words, bytes bool) register.Spec {
		s.LittleWords, s.LittleBytes = words, bytes
		return s
	}
	bit := func(n uint8, littleBytes bool) register.Spec {
		return register.Spec{Table: register.InputRegisters, BitNumber: n, LittleBytes: littleBytes}
	}
	tests := []struct {
		name  string
		spec  register.Spec
		words []uint16
		want  float64
	}{
		{"uint16", holding(register.Uint16), []uint16{0xFFFE}, 65534},
		{"int16", holding(register.Int16), []uint16{0xFFFE}, -2},
		{"int16 swapped bytes", order(holding(register.Int16), false, true), []uint16{0xFEFF}, -2},
		{"uint32", holding(register.Uint32), []uint16{0x0001, 0x0002}, 65538},
		{"uint32 low word first", order(holding(register.Uint32), true, false), []uint16{0x0002, 0x0001}, 65538},
		{"uint32 swapped bytes", order(holding(register.Uint32), false, true), []uint16{0x0100, 0x0200}, 65538},
		{"uint32 both swapped", order(holding(register.Uint32), true, true), []uint16{0x0200, 0x0100}, 65538},
		{"uint32 all ones", holding(register.Uint32), []uint16{0xFFFF, 0xFFFF}, 4294967295},
		{"int32", holding(register.Int32), []uint16{0xFFFF, 0xFFFE}, -2},
		{"float32", holding(register.Float32), []uint16{0x42F6, 0xE979}, float64(float32(123.456))},
		{"float32 low word first", order(holding(register.Float32), true, false), []uint16{0xE979, 0x42F6}, float64(float32(123.456))},
		{"float32 swapped bytes", order(holding(register.Float32), false, true), []uint16{0xF642, 0x79E9}, float64(float32(123.456))},
		{"float64", holding(register.Float64), []uint16{0x4009, 0x21FB, 0x5444, 0x2D18}, math.Pi},
		{"float64 low word first", order(holding(register.Float64), true, false), []uint16{0x2D18, 0x5444, 0x21FB, 0x4009}, math.Pi},
		{"float64 all swapped", order(holding(register.Float64), true, true), []uint16{0x182D, 0x4454, 0xFB21, 0x0940}, math.Pi},
		{"bit 0", bit(0, false), []uint16{0x0001}, 1},
		{"bit 15", bit(15, false), []uint16{0x8000}, 1},
		{"bit 14 beside 15", bit(14, false), []uint16{0x8000}, 0},
		{"bit 0 of swapped bytes", bit(0, true), []uint16{0x0100}, 1},
		{"coil on", register.Spec{Table: register.Coils, LittleBytes: true}, []uint16{1}, 1},
		{"coil off", register.Spec{Table: register.Coils}, []uint16{0}, 0},
		{"more words than needed", holding(register.Uint16), []uint16{7, 8}, 7},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if got := register.Decode(tt.spec, tt.words); got != tt.want {
				t.Errorf("got %v, want %v", got, tt.want)
			}
		})
	}
}

func TestDecodeTooFewWordsIsNoNumber(t *testing.T) {
	for f := register.Bit; f <= register.Float64+1; f++ {
		s := register.Spec{Table: register.HoldingRegisters, Format: f}
		if got := register.Decode(s, make([]uint16, max(0, s.Width()-1))); !math.IsNaN(got) {
			t.Errorf("format %d: got %v, want NaN", f, got)
		}
	}
}

// 4-20 mA on 0-16 bar with the limits of NAMUR NE 43 (secondary source):
// 3.8 to 20.5 mA measures, at or under 3.6 and at or over 21.0 is a failure.
func TestCurrentLimits(t *testing.T) {
	tests := []struct {
		name    string
		mA      float64
		want    float64 // bar
		quality signal.Quality
		why     signal.Reason
	}{
		{"zero", 4, 0, signal.Good, signal.None},
		{"quarter", 8, 4, signal.Good, signal.None},
		{"half", 12, 8, signal.Good, signal.None},
		{"full", 20, 16, signal.Good, signal.None},
		{"lowest measuring", 3.8, -0.2, signal.Good, signal.None},
		{"highest measuring", 20.5, 16.5, signal.Good, signal.None},
		{"just below measuring", 3.799, -0.201, signal.Uncertain, signal.BelowRange},
		{"just above failing low", 3.601, -0.399, signal.Uncertain, signal.BelowRange},
		{"failure low exactly", 3.6, 0, signal.Bad, signal.FailureLow},
		{"broken wire", 0, 0, signal.Bad, signal.FailureLow},
		{"just above measuring", 20.501, 16.501, signal.Uncertain, signal.AboveRange},
		{"just below failing high", 20.999, 16.999, signal.Uncertain, signal.AboveRange},
		{"failure high exactly", 21, 0, signal.Bad, signal.FailureHigh},
		{"short circuit", 24, 0, signal.Bad, signal.FailureHigh},
	}
	// The same signal as input cards present it: microamperes in an integer,
	// milliamperes in a float32, and counts that start at 4 mA.
	cards := []struct {
		name string
		spec register.Spec
		raw  func(mA float64) float64
	}{
		{"microampere", register.Spec{Format: register.Uint16, RawLow: 4000, RawHigh: 20000},
			func(mA float64) float64 { return math.Round(mA * 1000) }},
		{"float32", register.Spec{Format: register.Float32, RawLow: 4, RawHigh: 20},
			func(mA float64) float64 { return float64(float32(mA)) }},
		{"counts", register.Spec{Format: register.Int32, RawLow: 0, RawHigh: 160000},
			func(mA float64) float64 { return math.Round((mA - 4) * 10000) }},
	}
	for _, card := range cards {
		s := card.spec
		s.Table, s.Unit, s.Current, s.High = register.InputRegisters, signal.Pascal, true, 16e5
		if err := s.Check(); err != nil {
			t.Fatal(err)
		}
		for _, tt := range tests {
			t.Run(card.name+"/"+tt.name, func(t *testing.T) {
				r := s.Reading(card.raw(tt.mA), now)
				if r.Quality != tt.quality || r.Reason != tt.why {
					t.Errorf("got %v %q, want %v %q", r.Quality, r.Reason, tt.quality, tt.why)
				}
				if math.Abs(r.Value-tt.want*1e5) > 1 {
					t.Errorf("got %v Pa, want %v bar", r.Value, tt.want)
				}
			})
		}
	}
}

func TestReading(t *testing.T) {
	span := register.Spec{Table: register.HoldingRegisters, Format: register.Int16, Unit: signal.Metre,
		RawLow: 0, RawHigh: 1000, Low: 0.5, High: 2.5}
	limited := register.Spec{Table: register.HoldingRegisters, Format: register.Float32, Unit: signal.Kelvin,
		Factor: 1, Offset: 273.15, Least: 230, Most: 400}
	down := span
	down.Low, down.High = 2.5, 0.5
	contact := register.Spec{Table: register.DiscreteInputs, Unit: signal.Boolean}
	normallyClosed := contact
	normallyClosed.Invert = true
	number := register.Spec{Table: register.HoldingRegisters, Format: register.Uint16, Unit: signal.Boolean}
	plain := register.Spec{Table: register.HoldingRegisters, Format: register.Uint32, Unit: signal.Second}
	hours := plain
	hours.Factor = 3600
	tests := []struct {
		name    string
		spec    register.Spec
		raw     float64
		want    float64
		quality signal.Quality
		why     signal.Reason
	}{
		{"inside the span", span, 500, 1.5, signal.Good, signal.None},
		{"start of the span", span, 0, 0.5, signal.Good, signal.None},
		{"end of the span", span, 1000, 2.5, signal.Good, signal.None},
		{"under the span", span, -1, 0.498, signal.Uncertain, signal.BelowRange},
		{"over the span", span, 1001, 2.502, signal.Uncertain, signal.AboveRange},
		{"falling span", down, 250, 2, signal.Good, signal.None},
		{"falling span, signal too high", down, 1100, 0.3, signal.Uncertain, signal.AboveRange},
		{"offset", limited, 20, 293.15, signal.Good, signal.None},
		{"colder than plausible", limited, -60, 0, signal.Bad, signal.Implausible},
		{"hotter than plausible", limited, 200, 0, signal.Bad, signal.Implausible},
		{"not a number", limited, math.NaN(), 0, signal.Bad, signal.Implausible},
		{"infinite", limited, math.Inf(1), 0, signal.Bad, signal.Implausible},
		{"infinite below", span, math.Inf(-1), 0, signal.Bad, signal.Implausible},
		{"factor", hours, 2, 7200, signal.Good, signal.None},
		{"no factor", plain, 2, 2, signal.Good, signal.None},
		{"contact closed", contact, 1, 1, signal.Good, signal.None},
		{"normally closed contact closed", normallyClosed, 1, 0, signal.Good, signal.None},
		{"normally closed contact open", normallyClosed, 0, 1, signal.Good, signal.None},
		{"normally closed contact unknown", normallyClosed, math.NaN(), 0, signal.Bad, signal.Implausible},
		{"contact as a number", number, 255, 1, signal.Good, signal.None},
		{"overflow", register.Spec{Format: register.Float64, Factor: 10}, math.MaxFloat64, 0, signal.Bad, signal.Implausible},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := tt.spec.Reading(tt.raw, now)
			if r.Quality != tt.quality || r.Reason != tt.why || math.Abs(r.Value-tt.want) > 1e-9 {
				t.Errorf("got %v %v %q, want %v %v %q", r.Value, r.Quality, r.Reason, tt.want, tt.quality, tt.why)
			}
			if r.Unit != tt.spec.Unit || !r.Time.Equal(now) {
				t.Errorf("got unit %v at %v", r.Unit, r.Time)
			}
		})
	}
}

// FuzzReading holds that no register content whatever becomes a number that
// nobody should use.
func FuzzReading(f *testing.F) {
	seed := func(table, format, bit, order uint8, raw ...byte) { f.Add(table, format, bit, order, raw) }
	seed(3, 5, 0, 0, 0x7F, 0xC0, 0x00, 0x00)                         // NaN as float32
	seed(3, 5, 0, 1, 0x00, 0x00, 0xFF, 0x80)                         // -Inf, low word first
	seed(2, 6, 0, 0, 0x7F, 0xF0, 0, 0, 0, 0, 0, 0)                   // +Inf as float64
	seed(2, 6, 0, 3, 0x18, 0x2D, 0x44, 0x54, 0xFB, 0x21, 0x09, 0x40) // pi, all swapped
	seed(2, 1, 0, 0, 0x80, 0x00)                                     // a card's "no signal"
	seed(3, 2, 0, 8, 0x0E, 0x10)                                     // 3600 µA
	seed(2, 0, 15, 0, 0x80, 0x00)                                    // a status word
	seed(2, 4, 0, 0, 0x02, 0x2B)                                     // half of a 32-bit number
	seed(0, 0, 0, 4, 0x00, 0x01)                                     // an inverted coil
	f.Fuzz(func(t *testing.T, table, format, bit, order uint8, raw []byte) {
		s := register.Spec{Table: register.Table(table), Format: register.Format(format), BitNumber: bit,
			LittleWords: order&1 != 0, LittleBytes: order&2 != 0, Invert: order&4 != 0, Current: order&8 != 0,
			RawLow: 4000, RawHigh: 20000, Low: 0, High: 16e5, Least: -1e5, Most: 20e5, Unit: signal.Pascal}
		words := make([]uint16, len(raw)/2)
		for i := range words {
			words[i] = uint16(raw[2*i])<<8 | uint16(raw[2*i+1])
		}
		r := s.Reading(register.Decode(s, words), now)
		switch {
		case math.IsNaN(r.Value) || math.IsInf(r.Value, 0):
			t.Fatalf("%+v %x: %v", s, raw, r.Value)
		case r.Quality == signal.Bad && (r.Value != 0 || r.Reason == signal.None):
			t.Fatalf("%+v %x: bad with value %v, reason %q", s, raw, r.Value, r.Reason)
		case r.Known() && len(words) < max(1, s.Width()):
			t.Fatalf("%+v %x: a value from too few registers", s, raw)
		case r.Known() && s.Format != register.Bit && (r.Value < s.Least || r.Value > s.Most):
			t.Fatalf("%+v %x: implausible %v", s, raw, r.Value)
		case (r.Quality == signal.Good) != (r.Reason == signal.None):
			t.Fatalf("%+v %x: %v with reason %q", s, raw, r.Quality, r.Reason)
		}
	})
}

func BenchmarkDecode(b *testing.B) {
	words := []uint16{0x42F6, 0xE979, 0x5444, 0x2D18}
	for name, s := range map[string]register.Spec{
		"float32":     {Table: register.HoldingRegisters, Format: register.Float32, Factor: 1e5},
		"uint16-4-20": {Table: register.InputRegisters, Format: register.Uint16, RawLow: 4000, RawHigh: 20000, High: 16e5, Current: true},
		"bit":         {Table: register.HoldingRegisters, BitNumber: 3, Unit: signal.Boolean},
	} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				s.Reading(register.Decode(s, words), now)
			}
		})
	}
}
