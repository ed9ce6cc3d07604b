// Package registers serves the latest assessment of every unit over Modbus
// TCP, for control rooms that know nothing else. It is the other end of the
// wire from package sensors: others read here, with function codes 1 to 4, and
// there is nothing that they could write. What is not known reads as a pattern
// that is no value, never as 0 and never as the last value.
//
// One table, the rows of a Map, is what is served and what is printed.
package registers

import (
	"fmt"
	"hash/crc32"
	"math"

	"strokebank/rules"
	"strokebank/sensors/signal"
)

// Version is the version of the map. It rises when an address or a meaning
// changes; new rows at addresses that had none leave it alone. The alarms of a
// unit follow its configuration: the signature tells a change of those.
const Version = 1

// The patterns of what is not known: the one number of a signed register, or
// of a pair of them, that no value takes.
const (
	Unknown16 = 0x8000
	Unknown32 = 0x8000_0000
)

// row is one value of a map: a number in one or two registers, or a bit.
type row struct {
	at     uint16 // its first register or its bit, counted from 0 as on the wire
	size   size
	name   string
	unit   string
	scale  float64 // what stands in the register is the value, in SI, times this
	step   float64 // one of the register, in unit
	doc    string
	always bool // told although there is no fresh assessment
	of     func(v *view) signal.Number
}

// size is how many registers a row takes.
type size int

const (
	aBit size = iota
	one       // a signed 16-bit number
	two       // a signed 32-bit number, the high word first
)

// Map is the registers and bits of one unit. It does not change after NewMap
// and is safe for concurrent use.
type Map struct {
	Unit      string
	Device    uint8  // the unit identifier that it answers to
	Signature uint16 // of all rows: another one means other addresses or meanings
	words     space
	bits      space
}

// space is one of the two address spaces. What a hole in it is asked for is
// an illegal address.
type space struct {
	rows []row // by address
	at   map[uint16]cell
}

// cell is one register of a row.
type cell struct {
	row  int
	part size // 0: the low word, or all there is
}

// NewMap makes the map of a unit from any assessment of it: which alarms it
// has is all that is taken from there.
func NewMap(a *rules.Assessment, device uint8) (*Map, error) {
	m := &Map{Unit: a.Unit, Device: device}
	if len(a.Alarms) > mostAlarms {
		return nil, fmt.Errorf("register map of %s: %d alarms; at most %d fit", a.Unit, len(a.Alarms), mostAlarms)
	}
	words, bits := unitWords(), unitBits()
	for i := range a.Alarms {
		w, b := alarmRows(i, &a.Alarms[i])
		words, bits = append(words, w), append(bits, b...)
	}
	var err error
	if m.words, err = layOut(words); err == nil {
		m.bits, err = layOut(bits)
	}
	if err != nil {
		return nil, fmt.Errorf("register map of %s: %w", a.Unit, err)
	}
	m.Signature = m.sign()
	return m, nil
}

// layOut sorts the rows into their addresses.
func layOut(rows []row) (space, error) {
	s := space{rows: rows, at: map[uint16]cell{}}
	for i := range rows {
		r := &rows[i]
		for n := range max(r.size, 1) {
			at := int(r.at) + int(n)
			if other, taken := s.at[uint16(at)]; taken || at > math.MaxUint16 {
				return space{}, fmt.Errorf("%s and %s share address %d", r.name, rows[other.row].name, at)
			}
			s.at[uint16(at)] = cell{i, max(r.size, 1) - 1 - n}
		}
	}
	return s, nil
}

// sign is 15 bits of a CRC-32 (IEEE 802.3) over everything that a client must
// know of the rows, so that it is never the pattern of the unknown.
func (m *Map) sign() uint16 {
	sum := crc32.NewIEEE()
	for _, s := range []*space{&m.words, &m.bits} {
		for i := range s.rows {
			r := &s.rows[i]
			fmt.Fprintln(sum, r.at, r.size, r.name, r.unit, r.step)
		}
	}
	return uint16(sum.Sum32() & 0x7FFF)
}

// word is what a register reads, or a bit as 0 or 1; ok is false for a hole.
func (s *space) word(v *view, address uint16) (w uint16, ok bool) {
	c, ok := s.at[address]
	if !ok {
		return 0, false
	}
	r := &s.rows[c.row]
	x := signal.Unknown()
	if v.fresh || r.always {
		x = r.of(v)
	}
	switch r.size {
	case aBit:
		if x == 1 {
			return 1, true
		}
		return 0, true
	case one:
		return uint16(int16(r.whole(x, math.MaxInt16, math.MinInt16))), true
	default:
		n := uint32(int32(r.whole(x, math.MaxInt32, math.MinInt32)))
		return uint16(n >> (16 * uint(c.part))), true
	}
}

// whole is the number that stands in the registers: scaled, rounded, and held
// at the ends of the range, of which the lowest number means unknown.
func (r *row) whole(x signal.Number, most, unknown float64) float64 {
	if !x.Known() {
		return unknown
	}
	return max(min(math.Round(float64(x)*r.scale), most), -most)
}
