package configs

import (
	"math"

	"strokebank/configs/quantity"
	"strokebank/sensors/register"
)

// scale decodes what the raw number means.
func (s section) scale(spec *register.Spec, m measure) {
	if m.contact() {
		return
	}
	factor := 1.0
	if v, _, ok := s.get("factor"); ok {
		if factor = v.number(); factor == 0 {
			v.problem("0 makes every value the same", "write the number by which the raw number is multiplied, as 0.01")
		}
	}
	if m.plain() {
		spec.Factor = factor
		s.without("a plain count", "raw", "span", "signal", "unit", "zero", "least", "most")
		return
	}
	s.limits(spec, m.dim)
	if s.has("span") || s.has("raw") || s.has("signal") {
		spec.Factor = 0
		s.span(spec, m.dim)
		return
	}
	name := s.text("unit")
	if name == "" {
		if s.values != nil && !s.has("unit") {
			s.report("unit", "is missing", "write unit: and the unit of the number in the register, or raw and span")
		}
		return
	}
	scale, zero, err := quantity.Unit(name, m.dim)
	if err != nil {
		s.values["unit"].wrong(err, m.dim.Example())
		return
	}
	spec.Factor, spec.Offset = factor*scale, zero
	if v, _, ok := s.get("zero"); ok {
		spec.Offset = v.quantity(m.dim, anywhere)
	}
}

var anywhere = span{least: math.Inf(-1), most: math.Inf(1)}

// span decodes a raw span and what its ends mean.
func (s section) span(spec *register.Spec, d quantity.Dimension) {
	for _, name := range []string{"unit", "factor", "zero"} {
		if s.has(name) {
			s.get(name)
			s.report(name, "has no meaning beside a span", "keep raw and span, or unit, factor and zero")
		}
	}
	spec.Current = s.text("signal") != ""
	raw, okRaw := s.ends("raw")
	ends, okSpan := s.ends("span")
	if !okRaw || !okSpan {
		return
	}
	spec.RawLow, spec.RawHigh = raw[0].number(), raw[1].number()
	spec.Low, spec.High = ends[0].quantity(d, anywhere), ends[1].quantity(d, anywhere)
	if spec.RawLow >= spec.RawHigh {
		s.report("raw", "does not rise", "write the smaller raw number first, and span in the same order")
	}
	if spec.Low == spec.High {
		s.report("span", "both ends mean the same", "write what the two raw numbers mean")
	}
}

// ends are the two values of a key; a missing one of raw and span is
// reported, as they need each other.
func (s section) ends(name string) ([]value, bool) {
	v, k, ok := s.get(name)
	if !ok {
		if !s.has(name) {
			s.report(name, "is missing", "raw and span go together: write "+name+": "+k.sample)
		}
		return nil, false
	}
	list := v.list(k.sample)
	if list != nil && len(list) != 2 {
		v.problem("is not a pair", "write "+k.sample)
	}
	return list, len(list) == 2
}

// limits decodes what is plausible at all.
func (s section) limits(spec *register.Spec, d quantity.Dimension) {
	low, _, okLow := s.get("least")
	high, _, okHigh := s.get("most")
	switch {
	case okLow && !okHigh:
		low.problem("has no most", "write both, or neither")
	case okHigh && !okLow:
		high.problem("has no least", "write both, or neither")
	case okLow:
		spec.Least, spec.Most = low.quantity(d, anywhere), high.quantity(d, anywhere)
		if spec.Least >= spec.Most {
			low.problem(s.written("least")+" is not under most ("+s.written("most")+")", "write the two limits in order")
		}
	}
}
