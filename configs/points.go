package configs

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"strokebank/configs/quantity"
	"strokebank/rules"
	"strokebank/sensors"
	"strokebank/sensors/register"
	"strokebank/sensors/signal"
)

// measure is what a point's number is: its unit between the rooms and, where
// a person writes it with a unit, its dimension.
type measure struct {
	unit signal.Unit
	dim  quantity.Dimension
}

func (m measure) contact() bool { return m.unit == signal.Boolean }
func (m measure) plain() bool   { return m.unit == signal.Count }

var (
	contact  = measure{unit: signal.Boolean}
	counter  = measure{unit: signal.Count}
	pressure = measure{signal.Pascal, quantity.Pressure}
	length   = measure{signal.Metre, quantity.Length}
	heat     = measure{signal.Kelvin, quantity.Temperature}
	duration = measure{signal.Second, quantity.Duration}
	current  = measure{signal.Ampere, quantity.Current}
)

var unitPoints = map[signal.ID]measure{
	signal.Pressure: pressure, signal.Level: length, signal.SumpLevel: length,
	signal.OilTemperature: heat, signal.WallTemperature: heat,
	signal.AtmosphericPressure: pressure, signal.FilterDifferential: pressure,
	signal.Mains: contact, signal.LowLevelSwitch: contact, signal.LowPressureSwitch: contact,
}

var machinePoints = map[string]measure{
	signal.Running: contact, signal.Called: contact, signal.Overload: contact,
	signal.Automatic: contact, signal.Hand: contact, signal.StartCounter: counter,
	signal.HourMeter: duration, signal.DischargePressure: pressure, signal.MotorCurrent: current,
}

var positions = []string{"pump1", "pump2", "compressor1", "compressor2"}

// pointsOf are the points that a unit can have, by name.
func pointsOf(c rules.Config) map[signal.ID]measure {
	all := map[signal.ID]measure{}
	for id, m := range unitPoints {
		all[id] = m
	}
	if c.LevelByPressure {
		all[signal.Level] = pressure
	}
	for _, position := range positions {
		for name, m := range machinePoints {
			all[signal.Of(position, name)] = m
		}
	}
	for _, v := range c.Valves {
		all[signal.OfValve(v.Tag, signal.Open)] = contact
		all[signal.OfValve(v.Tag, signal.Closed)] = contact
	}
	return all
}

// required are the points without which nothing can be said of a unit.
func required() []signal.ID {
	ids := []signal.ID{signal.Pressure, signal.Level}
	for _, p := range positions {
		ids = append(ids, signal.Of(p, signal.Running))
	}
	return ids
}

// points decodes a unit's register map.
func (s section) points(links []sensors.Link, c rules.Config) []sensors.Point {
	all := pointsOf(c)
	names := make([]string, 0, len(all))
	for id := range all {
		names = append(names, string(id))
	}
	defaults := s.defaults(links)
	ids, values := s.named("points")
	var points []sensors.Point
	var places []value
	have := map[signal.ID]bool{}
	for i, id := range ids {
		have[signal.ID(id)] = true
		m, known := all[signal.ID(id)]
		if !known {
			values[i].problem("no such point", nearest(id, names))
			continue
		}
		if p, ok := values[i].point(signal.ID(id), m, defaults, links); ok {
			points, places = append(points, p), append(places, values[i])
		}
	}
	if v, _, ok := s.get("points"); ok {
		for _, id := range required() {
			if !have[id] {
				value{v.d, join(v.path, string(id)), nil, v.at}.problem("is missing", "every unit needs pressure, level and the four running contacts")
			}
		}
	}
	checkOverlaps(points, places)
	return points
}

// defaults is the link and the device of points that name none.
func (s section) defaults(links []sensors.Link) sensors.Point {
	p := sensors.Point{Link: s.text("link")}
	device, _ := s.integer("device", 0, 255)
	p.Device = uint8(device)
	if !s.has("link") && len(links) == 1 {
		p.Link = links[0].Name
	}
	if s.has("link") {
		s.checkLink(p.Link, links)
	}
	return p
}

// checkLink reports a link that the file does not have.
func (s section) checkLink(name string, links []sensors.Link) {
	known := make([]string, len(links))
	for i, l := range links {
		known[i] = l.Name
		if l.Name == name {
			return
		}
	}
	if name != "" {
		s.report("link", fmt.Sprintf("%q is no link of this file", short(name)), nearest(name, known))
	}
}

// point decodes one point; ok is false where something is wrong with it.
func (v value) point(id signal.ID, m measure, defaults sensors.Point, links []sensors.Link) (sensors.Point, bool) {
	before := len(v.d.problems)
	s := v.short()
	p := defaults
	p.ID, p.Spec.Unit = id, m.unit
	if s.has("link") {
		p.Link = s.text("link")
		s.checkLink(p.Link, links)
	} else if p.Link == "" {
		v.problem("names no link", "write link: and one of the file's links, here or for the whole unit")
	}
	if device, ok := s.integer("device", 0, 255); ok && s.has("device") {
		p.Device = uint8(device)
	}
	oneBased := false
	for _, l := range links {
		oneBased = oneBased || l.Name == p.Link && l.OneBased
	}
	s.place(&p.Spec, oneBased)
	s.number(&p.Spec, m)
	s.scale(&p.Spec, m)
	return p, len(v.d.problems) == before
}

// short opens a point; "mains: discrete 12" stands for "mains: {at: discrete 12}".
func (v value) short() section {
	if _, plain := scalar(v.node); !plain {
		return v.section(pointKeys)
	}
	at := pointKeys.find("at")
	v.d.given[at] = true
	return section{value: v, table: pointKeys, values: map[string]value{at.name: {v.d, v.path, v.node, v.at}}}
}

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
	case int(spec.Address)+words(spec.Format) > 65536:
		s.report("at", fmt.Sprintf("a %s of %d registers does not fit before the end of the table", word, words(spec.Format)),
			"correct the address or the format")
	}
	if s.has("words") && words(spec.Format) == 1 {
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

// words is the number of registers of a format.
func words(f register.Format) int {
	switch f {
	case register.Int32, register.Uint32, register.Float32:
		return 2
	case register.Float64:
		return 4
	}
	return 1
}
