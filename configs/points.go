package configs

import (
	"fmt"
	"strings"

	"strokebank/configs/quantity"
	"strokebank/rules"
	"strokebank/sensors"
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
func (s section) points(links []sensors.Link, c rules.Config) ([]sensors.Point, []Column) {
	all := pointsOf(c)
	names := make([]string, 0, len(all))
	for id := range all {
		names = append(names, string(id))
	}
	defaults := s.defaults(links)
	ids, values := s.named("points")
	var points []sensors.Point
	var columns []Column
	var places []value
	have := map[signal.ID]bool{}
	for i, id := range ids {
		have[signal.ID(id)] = true
		m, known := all[signal.ID(id)]
		if !known {
			values[i].problem("no such point", nearest(id, names))
			continue
		}
		if p, column, ok := values[i].point(signal.ID(id), m, defaults, links); ok {
			points, columns, places = append(points, p), append(columns, column), append(places, values[i])
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
	checkColumns(columns, places)
	return points, columns
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
func (v value) point(id signal.ID, m measure, defaults sensors.Point, links []sensors.Link) (sensors.Point, Column, bool) {
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
	column := s.column(id, m)
	if len(v.d.problems) > before {
		return p, column, false
	}
	if err := p.Spec.Check(); err != nil {
		v.problem(strings.ReplaceAll(err.Error(), "\n", ", "), "correct the point")
		return p, column, false
	}
	return p, column, true
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
