package register

import (
	"math"
	"time"

	"strokebank/sensors/signal"
)

// Width is how many registers (of the bit tables: bits) the value occupies;
// 0 for a format that does not exist.
func (s Spec) Width() int {
	switch s.Format {
	case Bit, Int16, Uint16:
		return 1
	case Int32, Uint32, Float32:
		return 2
	case Float64:
		return 4
	default:
		return 0
	}
}

// Decode is the raw number that stands in words, before any scaling: words[0]
// is the register at s.Address, in the order of the wire; a coil or a discrete
// input is one word, 0 or 1. The result of a contact is 0 or 1, before
// s.Invert. Too few words or an unknown format give NaN, never a number.
func Decode(s Spec, words []uint16) float64 {
	n := s.Width()
	if n == 0 || len(words) < n {
		return math.NaN()
	}
	if s.Table == Coils || s.Table == DiscreteInputs {
		return fromBool(words[0] != 0)
	}
	var v uint64
	for i := range n {
		w := words[i]
		if s.LittleWords {
			w = words[n-1-i]
		}
		if s.LittleBytes {
			w = w<<8 | w>>8
		}
		v = v<<16 | uint64(w)
	}
	switch s.Format {
	case Bit:
		return fromBool(v>>(s.BitNumber&15)&1 != 0)
	case Int16:
		return float64(int16(v))
	case Int32:
		return float64(int32(v))
	case Float32:
		return float64(math.Float32frombits(uint32(v)))
	case Float64:
		return math.Float64frombits(v)
	default: // Uint16, Uint32
		return float64(v)
	}
}

func fromBool(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// The limits of a 4 to 20 mA signal in mA, NAMUR NE 43: from 3.8 to 20.5 it
// measures, at or under 3.6 and at or over 21.0 it reports a failure.
const (
	failureLow  = 3.6
	measureLow  = 3.8
	measureHigh = 20.5
	failureHigh = 21.0
	// A current that was rounded to float32 on its way still belongs to the
	// limit that it was meant to be: 1 nA, far under any input card's step.
	currentStep = 1e-6
)

// The same allowance for a span that is no current, as part of the span.
const spanStep = 1e-7

// Reading is the raw number of Decode as a reading in SI, taken at t. It is
// bad, with value 0, where raw or the result is not finite or lies outside
// Least..Most (Implausible) and where a current reports a failure. Outside the
// measuring range it is uncertain, BelowRange or AboveRange, as seen by the
// raw signal. A number with the unit Boolean is on where it is not 0.
func (s Spec) Reading(raw float64, t time.Time) signal.Reading {
	if math.IsNaN(raw) || math.IsInf(raw, 0) {
		return signal.Missing(s.Unit, signal.Implausible, t)
	}
	if s.Format == Bit || s.Unit == signal.Boolean {
		return signal.Measured(fromBool((raw != 0) != s.Invert), s.Unit, t)
	}
	v, quality, why := s.scale(raw)
	if quality == signal.Bad {
		return signal.Missing(s.Unit, why, t)
	}
	if (s.Least != 0 || s.Most != 0) && (v < s.Least || v > s.Most) {
		return signal.Missing(s.Unit, signal.Implausible, t)
	}
	return signal.Measured(v, s.Unit, t).Degrade(quality, why)
}

func (s Spec) hasSpan() bool { return s.RawLow != s.RawHigh }

// scale is the value in SI and what the place in the span says about it. The
// conversions keep the products from being fused into the sums, so that all
// processors agree.
func (s Spec) scale(raw float64) (v float64, q signal.Quality, why signal.Reason) {
	if !s.hasSpan() {
		factor := s.Factor
		if factor == 0 {
			factor = 1
		}
		return float64(raw*factor) + s.Offset, signal.Good, signal.None
	}
	part := (raw - s.RawLow) / (s.RawHigh - s.RawLow)
	v = s.Low + float64(part*(s.High-s.Low))
	if s.Current {
		q, why = judgeCurrent(4 + float64(part*16))
		return v, q, why
	}
	switch {
	case part < -spanStep:
		return v, signal.Uncertain, signal.BelowRange
	case part > 1+spanStep:
		return v, signal.Uncertain, signal.AboveRange
	}
	return v, signal.Good, signal.None
}

func judgeCurrent(mA float64) (signal.Quality, signal.Reason) {
	switch {
	case mA <= failureLow+currentStep:
		return signal.Bad, signal.FailureLow
	case mA >= failureHigh-currentStep:
		return signal.Bad, signal.FailureHigh
	case mA < measureLow-currentStep:
		return signal.Uncertain, signal.BelowRange
	case mA > measureHigh+currentStep:
		return signal.Uncertain, signal.AboveRange
	}
	return signal.Good, signal.None
}
