package configs

import (
	"fmt"
	"math"
	"strings"

	"strokebank/rules"
	"strokebank/rules/reserve"
)

// strokePair is the two strokes of one valve.
type strokePair struct{ closing, opening reserve.Stroke }

// valves decodes the valves and what a stroke of each draws.
func (s section) valves(setPressure float64) ([]rules.Valve, map[string]strokePair) {
	strokes := map[string]strokePair{}
	var valves []rules.Valve
	names, values := s.named("valves")
	for i, tag := range names {
		values[i].checkName(tag)
		v := values[i].section(valveKeys)
		valves = append(valves, rules.Valve{Tag: tag})
		closing, opening := v.oil()
		demand := v.quantity("demand_pressure")
		if demand > setPressure {
			v.report("demand_pressure", v.written("demand_pressure")+" is above the unit's set pressure",
				"write the least pressure that moves this valve, under set_points.pressure")
		}
		stroke := reserve.Stroke{Valve: tag, Duration: v.quantity("stroke_time"), Dwell: v.quantity("dwell"), Demand: orZero(demand)}
		pair := strokePair{closing: stroke, opening: stroke}
		pair.closing.Closing, pair.closing.Oil, pair.opening.Oil = true, closing, opening
		strokes[tag] = pair
	}
	return valves, strokes
}

// oil is what a closing and an opening stroke draw, m³: from the cylinder's
// dimensions or as given.
func (s section) oil() (closing, opening float64) {
	cylinder := []string{"bore", "rod", "stroke", "closes"}
	given := []string{"closing_oil", "opening_oil"}
	bore, rod, length := s.quantity("bore"), s.quantity("rod"), s.quantity("stroke")
	closing, opening = s.quantity("closing_oil"), s.quantity("opening_oil")
	side := s.text("closes")
	if s.values == nil {
		return math.NaN(), math.NaN()
	}
	byCylinder, byOil := s.any(cylinder), s.any(given)
	switch {
	case byCylinder && byOil:
		s.problem("has both a cylinder and the oil of its strokes", "keep bore, rod, stroke and closes, or closing_oil and opening_oil")
	case byCylinder:
		s.need(cylinder)
		return s.cylinder(bore, rod, length, side == "cap")
	case byOil:
		s.need(given)
		if closing == 0 && opening == 0 {
			s.report("closing_oil", "is 0 L, and so is opening_oil", "give the stroke that oil makes its volume")
		}
		return closing, opening
	default:
		s.problem("has no cylinder", "write bore, rod, stroke and closes, or closing_oil and opening_oil")
	}
	return math.NaN(), math.NaN()
}

func (s section) cylinder(bore, rod, length float64, capCloses bool) (closing, opening float64) {
	if rod >= bore {
		s.report("rod", s.written("rod")+" is not thinner than the bore of "+s.written("bore"), "write the rod's diameter")
	}
	capSide, rodSide := reserve.CapSide(bore, length), reserve.RodSide(bore, rod, length)
	if capCloses {
		return capSide, rodSide
	}
	return rodSide, capSide
}

func (s section) any(names []string) bool {
	for _, n := range names {
		if s.has(n) {
			return true
		}
	}
	return false
}

// need reports those of the keys that are missing.
func (s section) need(names []string) {
	for _, n := range names {
		if !s.has(n) {
			s.missing(s.table.find(n))
		}
	}
}

// cycle decodes the strokes of one shutdown cycle. last says that it already
// counts when its closing strokes are done.
func (s section) cycle(valves []rules.Valve, strokes map[string]strokePair) (cycle []reserve.Stroke, last bool) {
	together, closing := s.text("order") == "together", s.flag("ends_with_closing")
	v, k, ok := s.get("cycle")
	if word, plain := scalar(v.node); !ok || plain && strings.TrimSpace(word) == k.def {
		if s.has("ends_with_closing") {
			s.report("ends_with_closing", "has no meaning for the default cycle, whose last one may end so", "leave it out")
		}
		return usualCycle(valves, strokes, together), true
	}
	if s.has("order") {
		s.report("order", "has no meaning beside a cycle of its own", "leave it out and write together behind the strokes")
	}
	return v.strokes(k, strokes), closing
}

// strokes reads a site's own cycle.
func (v value) strokes(k *key, strokes map[string]strokePair) []reserve.Stroke {
	var cycle []reserve.Stroke
	before := len(v.d.problems)
	for i, item := range v.list(k.example()) {
		if stroke, ok := item.stroke(strokes); ok {
			if i == 0 && stroke.Together {
				item.problem("the first stroke has none before it to begin with", "leave together out")
			}
			cycle = append(cycle, stroke)
		}
	}
	if len(cycle) == 0 && len(v.d.problems) == before {
		v.problem("no strokes", "write "+k.example())
	}
	return cycle
}

// usualCycle is one closing stroke of every valve, then one opening stroke.
func usualCycle(valves []rules.Valve, strokes map[string]strokePair, together bool) []reserve.Stroke {
	var all []reserve.Stroke
	for _, v := range valves {
		pair := strokes[v.Tag]
		pair.closing.Together, pair.opening.Together = together, together
		all = append(all, pair.closing, pair.opening)
	}
	return reserve.DefaultCycle(all...)
}

// checkReturns reports a valve that moves in one direction only although
// more than one cycle is required: it could not move that way again.
func (s section) checkReturns(cycle []reserve.Stroke, required int) {
	moves := map[string][2]bool{}
	for _, stroke := range cycle {
		m := moves[stroke.Valve]
		m[0], m[1] = m[0] || stroke.Closing, m[1] || !stroke.Closing
		moves[stroke.Valve] = m
	}
	for _, stroke := range cycle {
		if m := moves[stroke.Valve]; required > 1 && !(m[0] && m[1]) {
			s.report("cycle", stroke.Valve+" moves in one direction only, so that the cycle cannot be repeated",
				"add its stroke back, or write required_cycles: 1")
			return
		}
	}
}

// stroke reads "close XV-1" or "open XV-1 together".
func (v value) stroke(strokes map[string]strokePair) (reserve.Stroke, bool) {
	const example = "close XV-1, open XV-1, or close XV-2 together"
	text, ok := v.plain(example)
	if !ok {
		return reserve.Stroke{}, false
	}
	words := strings.Fields(text)
	last := len(words) == 3 && words[2] == "together"
	if len(words) != 2 && !last || words[0] != "close" && words[0] != "open" {
		v.problem(fmt.Sprintf("%q is not a stroke", short(text)), "write "+example)
		return reserve.Stroke{}, false
	}
	pair, known := strokes[words[1]]
	if !known {
		tags := make([]string, 0, len(strokes))
		for tag := range strokes {
			tags = append(tags, tag)
		}
		v.problem(fmt.Sprintf("%q is no valve of this unit", short(words[1])), nearest(words[1], tags))
		return reserve.Stroke{}, false
	}
	stroke := pair.opening
	if words[0] == "close" {
		stroke = pair.closing
	}
	stroke.Together = last
	return stroke, true
}
