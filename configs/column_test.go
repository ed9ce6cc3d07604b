package configs

import (
	"bytes"
	"strings"
	"testing"
)

func TestColumns(t *testing.T) {
	text, err := Example("every-key")
	if err != nil {
		t.Fatal(err)
	}
	cfg, err := Parse(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]Column{
		"pressure":        {Name: "PT-81", Unit: "kPa", Scale: 1e3},                      // of its own words
		"level":           {Name: "level", Unit: "mbar", Scale: 100},                     // of its span, across a cell
		"oil_temperature": {Name: "oil_temperature", Unit: "°C", Scale: 1, Zero: 273.15}, // of its unit
		"pump1.running":   {Name: "pump1.running", Scale: 1},                             // a contact
	}
	u := cfg.Units[0]
	for i, p := range u.Points {
		if w, ok := want[string(p.ID)]; ok {
			got := u.Columns[i]
			got.dimension = 0
			if got != w {
				t.Errorf("%s: %+v, want %+v", p.ID, got, w)
			}
		}
	}
	if c, err := u.Columns[0].In("psi"); err != nil || c.Unit != "psi" || c.Scale < 6894 || c.Scale > 6895 {
		t.Errorf("in psi: %+v, %v", c, err)
	}
	if _, err := u.Columns[0].In("m"); err == nil || !strings.Contains(err.Error(), "not of pressure") {
		t.Errorf("in metres: %v", err)
	}
	for _, c := range []struct{ name, from, to, want string }{
		{"unknown unit", "column_unit: kPa", "column_unit: furlong", `"furlong" is not a unit`},
		{"unit of a contact", "pump1.running: discrete 0", "pump1.running: {at: discrete 0, column_unit: bar}", "no meaning for a contact"},
		{"the same twice", "column: PT-81", "column: level", `two points are read from the column "level"`},
	} {
		t.Run(c.name, func(t *testing.T) {
			if !strings.Contains(string(text), c.from) {
				t.Fatalf("the example has no %q", c.from)
			}
			_, err := Parse(strings.NewReader(strings.Replace(string(text), c.from, c.to, 1)))
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%v, want %s", err, c.want)
			}
		})
	}
}
