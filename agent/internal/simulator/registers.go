package simulator

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Table is a table of the Modbus data model, by the function code that reads
// it: 1 coils, 2 discrete inputs, 3 holding registers, 4 input registers.
type Table uint8

// Register is one value on the wire. Names are those of the signals.
type Register struct {
	Name    string
	Table   Table
	Address uint16 // zero-based
	Format  string // "bit", "int16", "uint16", "uint32", "float32"
	Bit     uint8  // of a bit in a register, 0 the least significant
	// Reversed: the least significant register of a long number comes first.
	Reversed bool
	// Current: 4 and 20 mA stand as RawLow and RawHigh and mean Low and High.
	Current                    bool
	RawLow, RawHigh, Low, High float64
	// Otherwise the value is Factor (0: 1) times the number, plus Offset.
	Factor, Offset float64
	Unit           string // of the value in SI
}

// Sample is a value as one who reads the register sees it: quantised, in SI,
// 0 or 1 for contacts. OK is false where the loop current signals a failure
// (at or under 3.6, at or over 21 mA; NAMUR NE 43) or the link is lost; Value
// is then 0.
type Sample struct {
	Value float64
	OK    bool
}

// Image is all that the unit's I/O shows at one moment.
type Image struct {
	Bits  map[Table]map[uint16]bool   // tables 1 and 2
	Words map[Table]map[uint16]uint16 // tables 3 and 4
}

// point is a register joined to what it shows.
type point struct {
	Register
	value   func() float64 // SI
	current *float64       // mA, of a current loop
}

// wire joins the registers to the plant.
func (p *Plant) wire() ([]point, error) {
	points := make([]point, 0, len(p.build.Registers))
	for _, r := range p.build.Registers {
		pt := point{Register: r, value: p.contactOf(r.Name)}
		if at := analogOf(r.Name); at >= 0 {
			x := &p.sensors.all[at]
			x.used = true
			pt.value, pt.current = func() float64 { return x.value }, &x.current
			if r.Current && (r.Low != x.Low || r.High != x.High) {
				return nil, fmt.Errorf("simulator: span of register %q differs from its transmitter's", r.Name)
			}
		}
		if pt.value == nil {
			return nil, fmt.Errorf("simulator: unit %s has no signal %q", p.build.Unit, r.Name)
		}
		points = append(points, pt)
	}
	p.sensors.read(p, 0)
	return points, nil
}

func analogOf(name string) int {
	return slices.Index([]string{"pressure", "level", "sump_level", "filter_differential",
		"pump1.discharge_pressure", "pump2.discharge_pressure", "oil_temperature", "wall_temperature"}, name)
}

// contactOf is what a contact, counter or current signal shows; nil if the
// unit has none of that name.
func (p *Plant) contactOf(name string) func() float64 {
	switch name {
	case "mains":
		return func() float64 { return b2f(p.panel.mains) }
	case "low_level_switch":
		return func() float64 { return b2f(p.panel.pairs[0].low.on) }
	case "low_pressure_switch":
		return func() float64 { return b2f(p.panel.pairs[1].low.on) }
	}
	owner, what, _ := cutLast(name)
	if i := slices.Index(positions[:], owner); i >= 0 {
		return p.machineSignal(i, what)
	}
	for i, v := range p.build.Valves {
		if owner != "valve."+v.Tag {
			continue
		}
		switch what {
		case "open":
			return func() float64 { return b2f(p.valves[i].position < 0.02) }
		case "closed":
			return func() float64 { return b2f(p.valves[i].position > 0.98) }
		}
	}
	return nil
}

func (p *Plant) machineSignal(i int, what string) func() float64 {
	n, f := &p.panel, &p.faults
	switch what {
	case "running":
		return func() float64 { return b2f(n.running[i]) }
	case "called":
		return func() float64 { return b2f(n.called[i]) }
	case "overload":
		return func() float64 { return b2f(f.overload[i] > 0) }
	case "automatic":
		return func() float64 { return b2f(f.automatic(i)) }
	case "hand":
		return func() float64 { return b2f(f.hand[i] > 0 && f.off[i] == 0) }
	case "start_counter":
		return func() float64 { return float64(n.starts[i]) }
	case "hour_meter":
		return func() float64 { return n.seconds[i] }
	case "motor_current":
		return func() float64 { return p.current(i) }
	}
	return nil
}

// cutLast cuts name at its last dot.
func cutLast(name string) (before, after string, found bool) {
	i := strings.LastIndexByte(name, '.')
	if i < 0 {
		return "", name, false
	}
	return name[:i], name[i+1:], true
}

// raw is the number that stands in the register.
func (pt *point) raw() float64 {
	if pt.Current {
		return math.Round(pt.RawLow + (*pt.current-4)/16*(pt.RawHigh-pt.RawLow))
	}
	v := (pt.value() - pt.Offset) / pt.factor()
	if pt.Format == "float32" || pt.Format == "bit" {
		return float64(float32(v))
	}
	return math.Round(v)
}

func (pt *point) factor() float64 {
	if pt.Factor == 0 {
		return 1
	}
	return pt.Factor
}

func (pt *point) sample() Sample {
	raw := pt.raw()
	if !pt.Current {
		return Sample{raw*pt.factor() + pt.Offset, true}
	}
	if *pt.current <= 3.6 || *pt.current >= 21 {
		return Sample{}
	}
	return Sample{pt.Low + (raw-pt.RawLow)/(pt.RawHigh-pt.RawLow)*(pt.High-pt.Low), true}
}

// Registers is the unit's register map, in the order of Measured.
func (p *Plant) Registers() []Register { return slices.Clone(p.build.Registers) }

// Measured appends to dst what a reader of every register would see now, in
// the order of Registers.
func (p *Plant) Measured(dst []Sample) []Sample {
	p.mu.Lock()
	defer p.mu.Unlock()
	for i := range p.points {
		if p.faults.link > 0 {
			dst = append(dst, Sample{})
			continue
		}
		dst = append(dst, p.points[i].sample())
	}
	return dst
}

// Image is the register image now.
func (p *Plant) Image() Image {
	p.mu.Lock()
	defer p.mu.Unlock()
	m := Image{
		Bits:  map[Table]map[uint16]bool{1: {}, 2: {}},
		Words: map[Table]map[uint16]uint16{3: {}, 4: {}},
	}
	for i := range p.points {
		p.points[i].store(m)
	}
	return m
}

// store writes the point into the image.
func (pt *point) store(m Image) {
	raw := pt.raw()
	if pt.Table <= 2 {
		m.Bits[pt.Table][pt.Address] = raw != 0
		return
	}
	words := m.Words[pt.Table]
	long := func(v uint32) {
		high, low := pt.Address, pt.Address+1
		if pt.Reversed {
			high, low = low, high
		}
		words[high], words[low] = uint16(v>>16), uint16(v)
	}
	switch pt.Format {
	case "bit":
		words[pt.Address] |= uint16(raw) << pt.Bit
	case "int16":
		words[pt.Address] = uint16(int16(math.Min(math.Max(raw, -32768), 32767)))
	case "uint32":
		long(uint32(raw))
	case "float32":
		long(math.Float32bits(float32(raw)))
	default:
		words[pt.Address] = uint16(math.Min(math.Max(raw, 0), 65535))
	}
}
