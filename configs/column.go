package configs

import (
	"fmt"
	"strings"

	"github.com/goccy/go-yaml/ast"

	"strokebank/configs/quantity"
	"strokebank/sensors/signal"
)

// Column says where a recorded table holds a point: under which name, and in
// which unit a number stands there.
type Column struct {
	Name string
	// Unit is the file's word, empty for a contact or a count; one of it is
	// Scale in SI, above Zero.
	Unit        string
	Scale, Zero float64

	dimension quantity.Dimension
}

// In is the column with its numbers in another unit, such as a table names in
// its own header. The error is a *quantity.Error.
func (c Column) In(unit string) (Column, error) {
	if c.Unit == "" {
		return c, &quantity.Error{What: fmt.Sprintf("%.40q: this point has no unit", unit), Want: "the column's name alone"}
	}
	scale, zero, err := quantity.Unit(unit, c.dimension)
	if err == nil {
		c.Unit, c.Scale, c.Zero = unit, scale, zero
	}
	return c, err
}

// column decodes where a table holds a point. Without words of its own the
// column has the point's name, and the unit that span or unit is written in.
func (s section) column(id signal.ID, m measure) Column {
	c := Column{Name: string(id), Scale: 1, dimension: m.dim}
	if s.values == nil {
		return c
	}
	if s.has("column") {
		c.Name = s.text("column")
	}
	name := s.text("column_unit")
	if m.contact() || m.plain() {
		if name != "" {
			s.report("column_unit", "has no meaning for a contact or a count", "leave it out; a contact is 0 or 1 in a table")
		}
		return c
	}
	own := name != ""
	if !own {
		name = s.writtenUnit()
	}
	scale, zero, err := quantity.Unit(name, m.dim)
	switch {
	case err == nil:
		c.Unit, c.Scale, c.Zero = name, scale, zero
	case own:
		s.values["column_unit"].wrong(err, m.dim.Example())
	}
	return c
}

// writtenUnit is the unit in which the point's span or number is written;
// what is wrong with it is reported where it is decoded.
func (s section) writtenUnit() string {
	v := s.values["unit"]
	if pair, ok := s.values["span"].node.(*ast.SequenceNode); ok && len(pair.Values) == 2 {
		v.node = pair.Values[1]
	}
	text, _ := scalar(v.node)
	return strings.TrimLeft(text, "+-0123456789.eE ")
}

// checkColumns reports names that two points share.
func checkColumns(columns []Column, places []value) {
	for i, c := range columns {
		for _, before := range columns[:i] {
			if before.Name == c.Name {
				places[i].problem(fmt.Sprintf("two points are read from the column %q", short(c.Name)), "name another column")
			}
		}
	}
}
