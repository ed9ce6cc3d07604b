package main

import (
	"fmt"
	"slices"

	"strokebank/configs"
	"strokebank/configs/quantity"
	"strokebank/rules"
	"strokebank/rules/tank"
	"strokebank/sensors"
	"strokebank/sensors/signal"
)

// supposition is a unit as somebody supposes it to be. SI.
type supposition struct {
	site, name string
	display    quantity.System
	file       rules.Config // as the file has it
	config     rules.Config // as supposed
	changes    []string     // of the set-up, for a person

	pressure   float64 // Pa gauge, of the gas
	level      float64 // m
	atmosphere float64 // Pa absolute
	gas        float64 // K
	wall       float64 // K
	measured   bool    // the site measures the wall
	wallKnown  bool    // measured or given; otherwise the file's lowest_wall bounds it
	leak       signal.Number
	elsewhere  bool // the state is not the file's full charge
}

// newSupposition puts what was given on top of the file.
func newSupposition(unit *configs.Unit, w *wish, given map[string]float64, f *faults) *supposition {
	s := &supposition{site: unit.Rules.Site, name: unit.Rules.Unit, display: unit.Display, file: unit.Rules, config: unit.Rules}
	s.config.Reserve.Cycle = slices.Clone(s.file.Reserve.Cycle)
	s.tank(w, given, f)
	s.numbers(given)
	sound := *f == nil // otherwise what is missing would be held against the rest
	for _, tag := range w.without {
		s.without(tag, f)
	}
	for _, text := range w.add {
		s.add(text, f)
	}
	s.measured = slices.ContainsFunc(unit.Points, func(p sensors.Point) bool { return p.ID == signal.WallTemperature })
	s.state(given, f)
	if sound {
		s.check(f)
	}
	return s
}

// show writes a quantity in the units of the site.
func (s *supposition) show(v float64, d quantity.Dimension) string {
	return quantity.Format(v, d, s.display)
}

func (s *supposition) changed(format string, args ...any) {
	s.changes = append(s.changes, fmt.Sprintf(format, args...))
}

// numbers changes the plain figures of the set-up.
func (s *supposition) numbers(given map[string]float64) {
	r := &s.config.Reserve
	for _, n := range []struct {
		flag, name string
		to         *float64
		dimension  quantity.Dimension
	}{
		{"set-pressure", "set pressure", &r.SetPressure, quantity.Pressure},
		{"set-level", "set level", &r.SetLevel, quantity.Length},
		{"minimum-pressure", "minimum pressure", &r.MinPressure, quantity.Pressure},
		{"unusable-oil", "unusable oil", &r.UnusableOil, quantity.Volume},
		{"heat-exchange", "heat exchange", &r.HeatExchange, quantity.Duration},
		{"heat-exchange-most", "upper bound of heat exchange", &r.HeatExchangeUpper, quantity.Duration},
	} {
		v, ok := given[n.flag]
		if !ok {
			continue
		}
		was := s.show(*n.to, n.dimension)
		if *n.to == 0 && n.dimension == quantity.Duration {
			was = "not known"
		}
		s.changed("%s %s instead of %s", n.name, s.show(v, n.dimension), was)
		*n.to = v
	}
	if n, ok := given["required"]; ok {
		s.changed("%.0f cycles required instead of %d", n, r.Required)
		r.Required = int(n)
	}
}

// tank changes the tank. The oil that must stay reaches as high as before,
// because the outlet stays where it is.
func (s *supposition) tank(w *wish, given map[string]float64, f *faults) {
	diameter, byDiameter := given["tank-diameter"]
	length, byLength := given["tank-length"]
	if !byDiameter && !byLength && w.mounting == "" && w.heads == "" {
		return
	}
	shape := s.file.Tank.Shape()
	if shape.Mounting == tank.Strapped {
		if w.mounting == "" || !byDiameter || !byLength {
			f.add("the file's tank is a strapping table: another one needs -tank-mounting, -tank-diameter and -tank-length")
			return
		}
		shape = tank.Shape{Bottom: tank.Ellipsoidal, Top: tank.Ellipsoidal}
	}
	if byDiameter {
		shape.Diameter = diameter
	}
	if byLength {
		shape.Length = length
	}
	if m, ok := word(f, "tank-mounting", w.mounting, "vertical", "horizontal"); ok {
		shape.Mounting = tank.Mounting(m)
	}
	if h, ok := word(f, "tank-heads", w.heads, "flat", "ellipsoidal", "hemispherical", "torispherical"); ok {
		shape.Bottom, shape.Top, shape.Depth, shape.Dish, shape.Knuckle = tank.Head(h), tank.Head(h), 0, 0, 0
	}
	t, err := tank.New(shape)
	if err != nil {
		f.add("%v", err)
		return
	}
	s.changed("tank of %s, %s high inside, instead of %s, %s high", s.show(t.Total(), quantity.Volume), s.show(t.Height(), quantity.Length),
		s.show(s.file.Tank.Total(), quantity.Volume), s.show(s.file.Tank.Height(), quantity.Length))
	r := &s.config.Reserve
	r.UnusableOil = t.Volume(s.file.Tank.Level(r.UnusableOil))
	s.config.Tank, r.Tank = t, t
}

// word is the place of a flag's word among those that it takes; ok is false
// where the flag is not given, or wrong.
func word(f *faults, flag, text string, words ...string) (place int, ok bool) {
	if text == "" {
		return 0, false
	}
	if place = slices.Index(words, text); place < 0 {
		f.add("-%s: %.40q is none of %q", flag, text, words)
	}
	return place, place >= 0
}
