// Package quantity reads quantities as a person writes them ("8.3 bar",
// "120 psi", "80 gal") into SI, and writes SI values in metric or US units.
// It is pure and safe for concurrent use.
package quantity

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
)

// Dimension is what a quantity measures. A temperature and a difference of
// temperatures are two dimensions: 20 °C is 293.15 K, a difference of 20 °C
// is 20 K.
type Dimension uint8

// The dimensions, with the SI unit that Parse gives and Format takes.
const (
	Pressure              Dimension = iota // Pa
	Length                                 // m
	Volume                                 // m³
	Flow                                   // m³/s of oil
	AirFlow                                // m³/s of free air
	Temperature                            // K
	TemperatureDifference                  // K
	Duration                               // s
	Density                                // kg/m³
	Current                                // A
	Ratio                                  // 1
)

// String names the dimension with its article: "a pressure".
func (d Dimension) String() string { return dimensions[d].name }

// Example is one or two right ways to write the dimension.
func (d Dimension) Example() string { return dimensions[d].example }

// System is the family of units that a person wants to read.
type System uint8

// The systems.
const (
	Metric System = iota
	US
)

// Error says what is wrong with a quantity and what would be right.
type Error struct{ What, Want string }

func (e *Error) Error() string { return e.What + "; write " + e.Want }

var numberForm = regexp.MustCompile(`^[+-]?[0-9]+(\.[0-9]+)?([eE][+-]?[0-9]{1,3})?`)

// Parse reads a number and a unit of dimension d and gives the SI value,
// always finite. It does not judge the sign. Every error is an *Error.
func Parse(text string, d Dimension) (float64, error) {
	text = strings.TrimSpace(text)
	number := numberForm.FindString(text)
	rest := strings.TrimSpace(text[len(number):])
	if number == "" {
		return 0, &Error{fmt.Sprintf("%q is not a number with a unit", clip(text)), d.Example()}
	}
	if strings.HasPrefix(rest, ",") {
		return 0, &Error{fmt.Sprintf("%q has a comma in its number", clip(text)), "a decimal point: " + d.Example()}
	}
	if rest == "" {
		return 0, &Error{fmt.Sprintf("%q has no unit", clip(text)), d.Example()}
	}
	if _, _, err := Unit(rest, d); err != nil {
		return 0, err
	}
	v, err := find(rest, d).si(number)
	if err != nil && !errors.Is(err, strconv.ErrRange) || math.IsInf(v, 0) || math.IsNaN(v) {
		return 0, &Error{fmt.Sprintf("%q is too large a number", clip(text)), d.Example()}
	}
	return v, nil
}

// si is the SI value of a number of this unit.
func (u *unit) si(number string) (float64, error) {
	if u.ten == 0 {
		v, err := strconv.ParseFloat(number, 64)
		return float64(v*u.scale) + u.zero, err
	}
	mantissa, exponent := number, 0
	if e := strings.IndexAny(number, "eE"); e >= 0 {
		mantissa = number[:e]
		exponent, _ = strconv.Atoi(number[e+1:])
	}
	return strconv.ParseFloat(mantissa+"e"+strconv.Itoa(exponent+u.ten), 64)
}

// Unit gives what one of the named unit is in SI: value = number × scale +
// zero, where zero differs from 0 for temperatures only. An unknown name or
// a unit of another dimension is an *Error.
func Unit(name string, d Dimension) (scale, zero float64, err error) {
	if u := find(name, d); u != nil {
		return u.scale, u.zero, nil
	}
	for other := range dimensions {
		if find(name, Dimension(other)) != nil {
			what := fmt.Sprintf("%q is a unit of %s, not of %s", name, dimensions[other].name[2:], d.String()[2:])
			return 0, 0, &Error{what, d.Example()}
		}
	}
	return 0, 0, &Error{fmt.Sprintf("%q is not a unit that is known here", clip(name)),
		"one of " + strings.Join(Units(d), ", ")}
}

// Units lists the preferred names of the units of d.
func Units(d Dimension) []string {
	names := make([]string, 0, len(dimensions[d].units))
	for _, u := range dimensions[d].units {
		names = append(names, u.names[0])
	}
	return names
}

// Format writes an SI value of dimension d for a person, in a unit of the
// system that suits its size, rounded to what such an instrument resolves.
// What is not finite is "unknown".
func Format(v float64, d Dimension, s System) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "unknown"
	}
	r := pick(v, d, s)
	u := find(r.unit, d)
	number := strconv.FormatFloat((v-u.zero)/u.scale, 'f', r.decimals, 64)
	if strings.Trim(number, "-0.") == "" {
		number = strings.TrimPrefix(number, "-")
	}
	return number + " " + r.unit
}

func pick(v float64, d Dimension, s System) rung {
	ladder := ladders[d][s]
	for _, r := range ladder {
		if r.below == 0 || math.Abs(v) < r.below && v != 0 {
			return r
		}
	}
	return ladder[len(ladder)-1]
}

func find(name string, d Dimension) *unit {
	units := dimensions[d].units
	for i := range units {
		for _, n := range units[i].names {
			if n == name {
				return &units[i]
			}
		}
	}
	return nil
}

// clip keeps an error line short whatever the file holds.
func clip(text string) string {
	const most = 40
	runes := []rune(text)
	if len(runes) <= most {
		return text
	}
	return string(runes[:most]) + "…"
}
