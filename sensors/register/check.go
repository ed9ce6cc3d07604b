package register

import (
	"errors"
	"fmt"
	"math"

	"strokebank/sensors/signal"
)

var tableNames = [...]string{
	Coils: "coil", DiscreteInputs: "discrete input",
	HoldingRegisters: "holding register", InputRegisters: "input register",
}

// String is the table's name in the singular: "holding register".
func (t Table) String() string {
	if int(t) < len(tableNames) {
		return tableNames[t]
	}
	return "unknown table"
}

// Check says what is impossible about the spec, everything at once, or nil.
// The poller refuses a point whose spec does not pass.
func (s Spec) Check() error {
	if s.Table > InputRegisters {
		return fmt.Errorf("table %d does not exist", s.Table)
	}
	if s.Width() == 0 {
		return fmt.Errorf("number format %d does not exist", s.Format)
	}
	return errors.Join(s.checkPlace(), s.checkKind(), s.checkFinite(), s.checkSpan(), s.checkLimits())
}

func (s Spec) checkPlace() error {
	if last := int(s.Address) + s.Width() - 1; last > math.MaxUint16 {
		return fmt.Errorf("%s %d with a width of %d ends at %d, past the last address 65535",
			s.Table, s.Address, s.Width(), last)
	}
	if s.BitNumber > 15 {
		return fmt.Errorf("bit %d: a register has the bits 0 to 15", s.BitNumber)
	}
	return nil
}

func (s Spec) checkKind() error {
	bitTable := s.Table == Coils || s.Table == DiscreteInputs
	switch {
	case bitTable && s.Format != Bit:
		return fmt.Errorf("a %s holds a single bit, not a number", s.Table)
	case bitTable && s.BitNumber != 0:
		return fmt.Errorf("a %s has no bit number", s.Table)
	case s.Format != Bit && s.BitNumber != 0:
		return errors.New("a bit number needs the format bit")
	case s.Format == Bit && s.Unit != signal.Boolean:
		return errors.New("a single bit must have the unit Boolean")
	case s.Unit != signal.Boolean && s.Invert:
		return errors.New("only a contact can be inverted")
	case s.Unit == signal.Boolean && s.scaled():
		return errors.New("a contact has neither span nor factor nor limits")
	}
	return nil
}

// scaled reports whether anything is set that only a number can have.
func (s Spec) scaled() bool {
	return s.spanSet() || s.Factor != 0 || s.Offset != 0 || s.Current || s.Least != 0 || s.Most != 0
}

func (s Spec) spanSet() bool { return s.RawLow != 0 || s.RawHigh != 0 || s.Low != 0 || s.High != 0 }

func (s Spec) checkFinite() error {
	for _, v := range [...]float64{s.RawLow, s.RawHigh, s.Low, s.High, s.Factor, s.Offset, s.Least, s.Most} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return errors.New("span, factor, offset and limits must be finite")
		}
	}
	return nil
}

func (s Spec) checkSpan() error {
	switch {
	case s.Current && !s.hasSpan():
		return errors.New("a 4 to 20 mA signal needs the raw numbers at 4 and at 20 mA")
	case !s.spanSet():
		return nil
	case !s.hasSpan():
		return fmt.Errorf("the raw span from %g to %g is empty", s.RawLow, s.RawHigh)
	case s.Low == s.High:
		return fmt.Errorf("the span from %g to %g is empty", s.Low, s.High)
	case s.Factor != 0 || s.Offset != 0:
		return errors.New("a span and a factor or offset exclude each other")
	}
	low, high := s.Format.bounds()
	for _, raw := range [...]float64{s.RawLow, s.RawHigh} {
		if raw < low || raw > high {
			return fmt.Errorf("the raw number %g of the span is outside what the format holds, %g to %g", raw, low, high)
		}
	}
	return nil
}

func (s Spec) checkLimits() error {
	if s.Least == 0 && s.Most == 0 {
		return nil
	}
	if s.Least >= s.Most {
		return fmt.Errorf("nothing is plausible between %g and %g", s.Least, s.Most)
	}
	if s.hasSpan() && (max(s.Low, s.High) < s.Least || min(s.Low, s.High) > s.Most) {
		return fmt.Errorf("nothing of the span from %g to %g is plausible between %g and %g", s.Low, s.High, s.Least, s.Most)
	}
	return nil
}

// bounds are the smallest and the largest raw number of the format.
func (f Format) bounds() (low, high float64) {
	switch f {
	case Bit:
		return 0, 1
	case Int16:
		return math.MinInt16, math.MaxInt16
	case Uint16:
		return 0, math.MaxUint16
	case Int32:
		return math.MinInt32, math.MaxInt32
	case Uint32:
		return 0, math.MaxUint32
	case Float32:
		return -math.MaxFloat32, math.MaxFloat32
	default:
		return -math.MaxFloat64, math.MaxFloat64
	}
}
