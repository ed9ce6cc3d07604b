package main

import (
	"fmt"
	"slices"
	"strings"

	"strokebank/configs/quantity"
	"strokebank/rules/reserve"
)

// valvePart is one thing that may be said of a valve, in the words of the
// configuration file and within its range, in SI.
type valvePart struct {
	name        string
	dimension   quantity.Dimension
	above, most float64
}

var valveParts = []valvePart{
	{"bore", quantity.Length, 0, 2}, {"rod", quantity.Length, -1, 2}, {"stroke", quantity.Length, 0, 10},
	{"closing_oil", quantity.Volume, 0, 10}, {"opening_oil", quantity.Volume, 0, 10},
	{"stroke_time", quantity.Duration, 0, 3600}, {"dwell", quantity.Duration, -1, 3600},
	{"demand_pressure", quantity.Pressure, 0, 20e5},
}

const valveExample = `write "XV-5 like XV-1", or "XV-5: {bore: 125 mm, rod: 56 mm, stroke: 500 mm, closes: cap, stroke_time: 12 s}", or with closing_oil and opening_oil instead of the cylinder`

// without takes a valve out of the shutdown cycle.
func (s *supposition) without(tag string, f *faults) {
	r := &s.config.Reserve
	if !slices.Contains(tags(r.Cycle), tag) {
		f.add("-without: the cycle has no valve %.40q, but %s", tag, strings.Join(tags(r.Cycle), ", "))
		return
	}
	kept := make([]reserve.Stroke, 0, len(r.Cycle))
	headless := false // the stroke that the next ones began together with is gone
	for _, stroke := range r.Cycle {
		if stroke.Valve == tag {
			headless = headless || !stroke.Together
			continue
		}
		stroke.Together = stroke.Together && !headless
		headless = false
		kept = append(kept, stroke)
	}
	if len(kept) == 0 {
		f.add("-without: %s is the last valve of the cycle", tag)
		return
	}
	r.Cycle = kept
	s.changed("without %s", tag)
}

// add puts one more valve into the shutdown cycle: it moves whenever the
// valve it is like does, after those that move the same way; one that is
// described moves when the last valve does.
func (s *supposition) add(text string, f *faults) {
	r := &s.config.Reserve
	known := tags(r.Cycle)
	tag, rest, described := strings.Cut(text, ":")
	words := strings.Fields(text)
	like := known[len(known)-1]
	var closing, opening *reserve.Stroke
	switch {
	case described:
		before := len(*f)
		tag = strings.TrimSpace(tag)
		closing, opening = readValve(tag, rest, f)
		if len(*f) > before {
			return
		}
	case len(words) == 3 && words[1] == "like":
		tag, like = words[0], words[2]
	default:
		f.add("-add %q: %s", text, valveExample)
		return
	}
	switch {
	case tag == "" || strings.ContainsAny(tag, " \t"):
		f.add("-add %q: %s", text, valveExample)
	case slices.Contains(known, tag):
		f.add("-add: there is a valve %s already; -without %s takes it out first", tag, tag)
	case !slices.Contains(known, like):
		f.add("-add: the cycle has no valve %.40q to be like, but %s", like, strings.Join(known, ", "))
	default:
		r.Cycle = insert(r.Cycle, tag, like, closing, opening)
		s.changed("%s", s.addition(tag))
	}
}

// addition says what a new valve draws, closing and opening.
func (s *supposition) addition(tag string) string {
	text := "one more valve, " + tag
	for _, stroke := range s.config.Reserve.Cycle {
		if stroke.Valve == tag {
			text += fmt.Sprintf(", %s %s in %s", movement(stroke.Closing), s.show(stroke.Oil, quantity.Volume), s.show(stroke.Duration, quantity.Duration))
		}
	}
	return text
}

// movement is what a stroke does.
func movement(closing bool) string {
	if closing {
		return "closing"
	}
	return "opening"
}

// tags are the valves of a cycle in the order of their first stroke.
func tags(cycle []reserve.Stroke) (all []string) {
	for _, stroke := range cycle {
		if !slices.Contains(all, stroke.Valve) {
			all = append(all, stroke.Valve)
		}
	}
	return all
}

// insert adds the strokes of a valve that moves whenever another does: behind
// the strokes that go the same way, together with them where these move
// together. closing and opening are its strokes; nil: as the other's.
func insert(cycle []reserve.Stroke, tag, like string, closing, opening *reserve.Stroke) []reserve.Stroke {
	var out, waiting []reserve.Stroke
	for i, stroke := range cycle {
		out = append(out, stroke)
		if stroke.Valve == like {
			own := stroke
			if closing != nil && stroke.Closing {
				own = *closing
			} else if opening != nil && !stroke.Closing {
				own = *opening
			}
			own.Valve = tag
			waiting = append(waiting, own)
		}
		if i+1 < len(cycle) && (cycle[i+1].Together || len(waiting) > 0 && stroke.Closing == waiting[0].Closing && cycle[i+1].Closing == stroke.Closing) {
			continue // a group, or a run of strokes in its direction, goes on
		}
		for _, own := range waiting {
			own.Together = stroke.Together
			out = append(out, own)
		}
		waiting = nil
	}
	return out
}

// readValve reads a valve as the configuration file describes one.
func readValve(tag, text string, f *faults) (closing, opening *reserve.Stroke) {
	wrong := func(format string, args ...any) { f.add("-add "+tag+": "+format, args...) }
	values, closes := readParts(text, wrong)
	has := func(names ...string) (n int) {
		for _, name := range names {
			if _, ok := values[name]; ok {
				n++
			}
		}
		return n
	}
	cylinder, oil := has("bore", "rod", "stroke"), has("closing_oil", "opening_oil")
	if closes != "" {
		cylinder++
	}
	switch {
	case cylinder > 0 && oil > 0:
		wrong("has both a cylinder and the oil of its strokes: keep one of them")
	case cylinder < 4 && oil < 2:
		wrong("needs bore, rod, stroke and closes, or closing_oil and opening_oil")
	case cylinder == 4 && values["rod"] >= values["bore"]:
		wrong("its rod is not thinner than its bore")
	}
	if has("stroke_time") == 0 {
		wrong(`needs a stroke_time, as "stroke_time: 12 s"`)
	}
	first := reserve.Stroke{Valve: tag, Duration: values["stroke_time"], Dwell: values["dwell"], Demand: values["demand_pressure"]}
	second := first
	first.Closing, first.Oil, second.Oil = true, values["closing_oil"], values["opening_oil"]
	if cylinder == 4 {
		capSide := reserve.CapSide(values["bore"], values["stroke"])
		rodSide := reserve.RodSide(values["bore"], values["rod"], values["stroke"])
		first.Oil, second.Oil = capSide, rodSide
		if closes == "rod" {
			first.Oil, second.Oil = rodSide, capSide
		}
	}
	return &first, &second
}

// readParts reads "{bore: 125 mm, closes: cap}"; braces and colons may be
// left out.
func readParts(text string, wrong func(string, ...any)) (values map[string]float64, closes string) {
	values = map[string]float64{}
	for _, part := range strings.Split(strings.Trim(strings.TrimSpace(text), "{}"), ",") {
		part = strings.TrimSpace(part)
		name, value, ok := strings.Cut(part, ":")
		if !ok {
			name, value, _ = strings.Cut(part, " ")
		}
		name, value = strings.TrimSpace(name), strings.TrimSpace(value)
		if name == "closes" {
			if closes = value; value != "cap" && value != "rod" {
				wrong("closes is %.20q: write cap or rod, the end that is filled to close", value)
			}
			continue
		}
		i := slices.IndexFunc(valveParts, func(p valvePart) bool { return p.name == name })
		if i < 0 {
			wrong("%.30q is nothing that a valve has; %s", name, valveExample)
			continue
		}
		p := valveParts[i]
		v, err := quantity.Parse(value, p.dimension)
		switch _, twice := values[name]; {
		case err != nil:
			wrong("%s: %v", name, err)
		case twice:
			wrong("%s stands twice", name)
		case !(v > p.above) || v > p.most || v < 0:
			wrong("%s: %s is not a size that a valve has", name, value)
		}
		values[name] = v
	}
	return values, closes
}
