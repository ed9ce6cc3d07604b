package tank

import (
	"errors"
	"fmt"
	"math"
)

// form checks the shape and gives its inside.
func (s Shape) form() (form, error) {
	if s.Mounting == Strapped {
		return s.strapping()
	}
	if !(s.Diameter > 0) || math.IsInf(s.Diameter, 0) {
		return nil, fmt.Errorf("diameter is %v m: it must be more than 0", s.Diameter)
	}
	if !(s.Length >= 0) || math.IsInf(s.Length, 0) {
		return nil, fmt.Errorf("length is %v m: it must not be negative", s.Length)
	}
	bottom, err := s.curve(s.Bottom)
	if err != nil {
		return nil, err
	}
	top, err := s.curve(s.Top)
	if err != nil {
		return nil, err
	}
	switch s.Mounting {
	case Vertical:
		return newVertical(s.Diameter/2, s.Length, bottom, top), nil
	case Horizontal:
		return newHorizontal(s.Diameter/2, s.Length, bottom, top), nil
	}
	return nil, fmt.Errorf("mounting %d is not known: vertical, horizontal or a strapping table", s.Mounting)
}

// strapping checks a strapping table. A table that begins above level 0 is
// continued straight to an empty tank.
func (s Shape) strapping() (form, error) {
	t := s.Table
	if len(t) < 2 {
		return nil, errors.New("a strapping table needs at least two rows")
	}
	if !(t[0].Level >= 0) || !(t[0].Volume >= 0) {
		return nil, errors.New("strapping table, row 1: level and volume must not be negative")
	}
	for i := 1; i < len(t); i++ {
		if !(t[i].Level > t[i-1].Level) || !(t[i].Volume > t[i-1].Volume) ||
			math.IsInf(t[i].Level, 0) || math.IsInf(t[i].Volume, 0) {
			return nil, fmt.Errorf("strapping table, row %d: level and volume must both be more than in the row before", i+1)
		}
	}
	rows := make(strapped, 0, len(t)+1)
	if t[0].Level > 0 {
		if !(t[0].Volume > 0) {
			return nil, errors.New("strapping table, row 1: no volume at a level above 0; count levels from the lowest inside point")
		}
		rows = append(rows, Strap{})
	}
	return append(rows, t...), nil
}

// curve checks one head and gives its profile.
func (s Shape) curve(h Head) (curve, error) {
	radius := s.Diameter / 2
	switch h {
	case Flat:
		return curve{radius: radius}, nil
	case Hemispherical:
		return curve{head: h, radius: radius, depth: radius}, nil
	case Ellipsoidal:
		depth := s.Depth
		if depth == 0 {
			depth = s.Diameter / 4
		}
		if !(depth > 0) || math.IsInf(depth, 0) {
			return curve{}, fmt.Errorf("head depth is %v m: it must be more than 0, or 0 for a quarter of the diameter", s.Depth)
		}
		return curve{head: Ellipsoidal, radius: radius, depth: depth}, nil
	case Torispherical:
		return torispherical(s.Diameter, s.Dish, s.Knuckle)
	}
	return curve{}, fmt.Errorf("head form %d is not known: flat, ellipsoidal, hemispherical or torispherical", h)
}

func torispherical(diameter, dish, knuckle float64) (curve, error) {
	if dish == 0 {
		dish = 1
	}
	if knuckle == 0 {
		knuckle = 0.06
	}
	if !(dish >= 0.5) || math.IsInf(dish, 0) {
		return curve{}, fmt.Errorf("dish radius factor is %v: it must be at least 0.5 of the diameter", dish)
	}
	if !(knuckle > 0 && knuckle < 0.5) {
		return curve{}, fmt.Errorf("knuckle radius factor is %v: it must be between 0 and 0.5 of the diameter", knuckle)
	}
	c := curve{head: Torispherical, radius: diameter / 2, dish: float64(dish * diameter), knuckle: float64(knuckle * diameter)}
	sin := (c.radius - c.knuckle) / (c.dish - c.knuckle)
	cos := math.Sqrt(math.Max(0, 1-float64(sin*sin)))
	c.depth = c.dish - float64((c.dish-c.knuckle)*cos)
	c.join = c.dish * (1 - cos)
	return c, nil
}
