// Package register turns raw Modbus registers and bits into readings: number
// formats, byte and word order, spans, and failure limits. It is pure.
package register

import "strokebank/sensors/signal"

// Table is one of the four tables of the Modbus data model.
type Table uint8

// The tables. Each is read with the one function code that reads it: 1 to 4.
const (
	Coils Table = iota
	DiscreteInputs
	HoldingRegisters
	InputRegisters
)

// Format is how a number stands in registers.
type Format uint8

// The formats. Bit is a coil, a discrete input, or one bit of a register.
const (
	Bit Format = iota
	Int16
	Uint16
	Int32
	Uint32
	Float32
	Float64
)

// Spec says where a value stands on the device and how to read it.
type Spec struct {
	Table     Table
	Address   uint16 // zero-based, as on the wire
	Format    Format
	BitNumber uint8 // of a bit in a register, 0 the least significant
	// LittleWords: the least significant register comes first.
	// LittleBytes: the bytes inside each register are swapped.
	LittleWords bool
	LittleBytes bool

	Unit signal.Unit
	// Invert turns a contact around: a normally closed contact.
	Invert bool
	// The span: raw RawLow means Low, RawHigh means High (SI). Both zero:
	// the raw number is multiplied by Factor.
	RawLow, RawHigh float64
	Low, High       float64
	Factor          float64 // SI per raw unit where there is no span; 0: 1
	Offset          float64 // SI, added after Factor
	// Current says that the span is 4 to 20 mA, with the failure limits of
	// NAMUR NE 43.
	Current bool
	// A value outside Least..Most (SI) is implausible. Both zero: no limit.
	Least, Most float64
}
