package configs

import (
	"math"
	"slices"

	"strokebank/configs/quantity"
	"strokebank/rules/tank"
)

// tank decodes the tank's block; nil where something is wrong.
func (s section) tank() *tank.Tank {
	before := len(s.d.problems)
	shape := tank.Shape{
		Diameter: orZero(s.quantity("diameter")),
		Length:   orZero(s.quantity("length")),
		Depth:    orZero(s.quantity("head_depth")),
		Dish:     orZero(s.quantity("dish")),
		Knuckle:  orZero(s.quantity("knuckle")),
	}
	heads := s.text("heads")
	shape.Bottom, shape.Top = s.head("bottom", heads), s.head("top", heads)
	shape.Table = s.straps()
	switch s.text("mounting") {
	case "horizontal":
		shape.Mounting = tank.Horizontal
	case "strapped":
		shape.Mounting = tank.Strapped
	}
	s.tankKeys(shape.Mounting == tank.Strapped)
	s.headKeys(shape, tank.Ellipsoidal, "head_depth")
	s.headKeys(shape, tank.Torispherical, "dish", "knuckle")
	if len(s.d.problems) > before || s.values == nil {
		return nil
	}
	t, err := tank.New(shape)
	if err != nil {
		s.problem(err.Error(), "write the inside dimensions of the drawing")
		return nil
	}
	return t
}

// tankKeys reports keys that do not go with the mounting.
func (s section) tankKeys(strapped bool) {
	if !slices.Contains(s.table.find("mounting").words, s.written("mounting")) {
		return // a mounting that is missing or unknown has been reported
	}
	for i := range s.table.keys {
		name := s.table.keys[i].name
		switch {
		case name == "mounting":
		case (name == "table") != strapped && s.has(name):
			s.report(name, "does not go with mounting: "+s.written("mounting"), "leave it out, or change the mounting")
		case name == "table" && strapped && !s.has(name),
			(name == "diameter" || name == "length") && !strapped && s.has("mounting") && !s.has(name):
			s.missing(&s.table.keys[i])
		}
	}
}

// headKeys reports keys of a form that neither end has.
func (s section) headKeys(shape tank.Shape, form tank.Head, names ...string) {
	for _, name := range names {
		if s.has(name) && shape.Mounting != tank.Strapped && shape.Bottom != form && shape.Top != form {
			s.report(name, "no end is "+headWords[form], "leave it out, or correct heads, bottom and top")
		}
	}
}

func (s section) head(name, both string) tank.Head {
	word := s.text(name)
	if word == "" {
		word = both
	}
	for i, w := range headWords {
		if w == word {
			return tank.Head(i)
		}
	}
	return tank.Flat
}

// straps decodes the strapping table; its order is for tank.New to judge.
func (s section) straps() []tank.Strap {
	v, k, ok := s.get("table")
	if !ok {
		return nil
	}
	var straps []tank.Strap
	none := span{least: 0, leastText: "0", most: math.Inf(1)}
	for _, row := range v.list(k.example()) {
		pair := row.list("[1 m, 800 L]")
		if len(pair) != 2 {
			row.problem("is not a pair", "write a level and a volume, as [1 m, 800 L]")
			continue
		}
		straps = append(straps, tank.Strap{
			Level:  pair[0].quantity(quantity.Length, none),
			Volume: pair[1].quantity(quantity.Volume, none),
		})
	}
	return straps
}
