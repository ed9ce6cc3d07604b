package configs

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"strokebank/sensors/register"
)

var placeForm = regexp.MustCompile(`^(coil|discrete|holding|input) +([0-9]{1,6})( +bit +([0-9]{1,3}))?$`)

var tables = map[string]register.Table{
	"coil": register.Coils, "discrete": register.DiscreteInputs,
	"holding": register.HoldingRegisters, "input": register.InputRegisters,
}

// place decodes where a point stands on its device.
func (s section) place(spec *register.Spec, oneBased bool) {
	text := s.text("at")
	if text == "" {
		return
	}
	m := placeForm.FindStringSubmatch(text)
	if m == nil {
		s.report("at", fmt.Sprintf("%q is not a place on a device", short(text)), "write "+pointKeys.find("at").sample)
		return
	}
	spec.Table = tables[m[1]]
	number, _ := strconv.Atoi(m[2])
	first := 0
	if oneBased {
		first = 1
	}
	if number < first || number-first > 65535 {
		s.report("at", fmt.Sprintf("%s %d does not exist", m[1], number),
			fmt.Sprintf("on this link addresses run from %d to %d", first, 65535+first))
		return
	}
	spec.Address = uint16(number - first)
	if m[4] == "" {
		return
	}
	bit, _ := strconv.Atoi(m[4])
	if spec.Table == register.Coils || spec.Table == register.DiscreteInputs {
		s.report("at", "a "+m[1]+" is one bit and has no bits", "leave the bit out")
	} else if bit > 15 {
		s.report("at", fmt.Sprintf("bit %d does not exist", bit), "a register has the bits 0 to 15")
	}
	spec.BitNumber = uint8(bit & 15)
}

var formats = map[string]register.Format{
	"int16": register.Int16, "uint16": register.Uint16, "int32": register.Int32,
	"uint32": register.Uint32, "float32": register.Float32, "float64": register.Float64,
}

// number decodes how the value stands in its registers.
func (s section) number(spec *register.Spec, m measure) {
	at := s.text("at")
	word := s.text("format")
	spec.Format = formats[word]
	spec.LittleWords = s.text("words") == "low first"
	spec.LittleBytes = s.text("bytes") == "low first"
	spec.Invert = s.flag("invert")
	bitTable := spec.Table == register.Coils || spec.Table == register.DiscreteInputs
	bits := bitTable || strings.Contains(at, "bit")
	if at == "" {
		return
	}
	if m.contact() {
		if !bits {
			s.report("at", "a whole register for a contact", "add the bit, as "+at+" bit 0")
		}
		s.without("a contact", "format", "words", "bytes", "raw", "span", "signal", "unit", "factor", "zero", "least", "most")
		spec.Format = register.Bit
		return
	}
	s.without("a number", "invert")
	switch {
	case bits:
		s.report("at", "one bit for a number", "write a holding or input register with its format")
	case word == "" && !s.has("format"):
		s.report("format", "is missing", "write how the number stands in its registers: "+pointKeys.find("format").example())
	case int(spec.Address)+spec.Width() > 65536:
		s.report("at", fmt.Sprintf("a %s of %d registers does not fit before the end of the table", word, spec.Width()),
			"correct the address or the format")
	}
	if s.has("words") && spec.Width() == 1 {
		s.report("words", "has no meaning for one register", "leave it out")
	}
}

// without reports keys that have no meaning for the point.
func (s section) without(what string, names ...string) {
	for _, name := range names {
		if _, _, ok := s.get(name); ok {
			s.report(name, "has no meaning for "+what, "leave it out")
		}
	}
}
