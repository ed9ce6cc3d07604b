package main

import (
	"fmt"
	"strconv"
	"strings"

	"strokebank/rules/reserve"
	"strokebank/sensors/signal"
)

// column is one column of a table of states. What it holds is in the unit
// that its name ends in and must lie from least to most: outside that range
// the value was surely meant in another unit.
type column struct {
	name        string
	least, most float64
	empty       bool // a cell may be empty
	absent      bool // the whole column may be
	put         func(*reserve.Case, float64)
}

// columns are those that suppose understands. Pressures of a unit end at 20
// bar absolute, which Case itself holds; the other ranges only catch units
// that cannot be meant (kelvin for °C, mbar for bar).
var columns = []column{
	{name: "tank_volume_m3", most: 1e6, put: func(c *reserve.Case, v float64) { c.TankVolume = v }},
	{name: "oil_volume_m3", most: 1e6, put: func(c *reserve.Case, v float64) { c.OilVolume = v }},
	{name: "pressure_bar_g", least: -1.2, most: 1e3, put: func(c *reserve.Case, v float64) { c.Pressure = v * 1e5 }},
	{name: "atmospheric_pressure_bar", least: 0.3, most: 1.2, put: func(c *reserve.Case, v float64) { c.Atmosphere = v * 1e5 }},
	{name: "gas_temperature_c", least: -100, most: 200, put: func(c *reserve.Case, v float64) { c.GasTemperature = v + zeroCelsius }},
	{name: "wall_temperature_c", least: -100, most: 200, empty: true, put: func(c *reserve.Case, v float64) { c.WallTemperature = signal.Number(v + zeroCelsius) }},
	{name: "minimum_pressure_bar_g", least: -1.2, most: 1e3, put: func(c *reserve.Case, v float64) { c.MinPressure = v * 1e5 }},
	{name: "unusable_oil_m3", most: 1e6, put: func(c *reserve.Case, v float64) { c.UnusableOil = v }},
	{name: "oil_per_cycle_m3", most: 1e6, put: func(c *reserve.Case, v float64) { c.OilPerCycle = v }},
	{name: "strokes_per_cycle", least: 1, most: 200, put: func(c *reserve.Case, v float64) { c.StrokesPerCycle = int(v) }},
	{name: "stroke_s", most: 1e6, put: func(c *reserve.Case, v float64) { c.StrokeTime = v }},
	{name: "dwell_s", most: 1e6, put: func(c *reserve.Case, v float64) { c.DwellTime = v }},
	{name: "heat_exchange_s", most: 1e9, empty: true, put: func(c *reserve.Case, v float64) { c.HeatExchange = signal.Number(v) }},
	{name: "heat_exchange_band_ratio", most: 1e3, empty: true, absent: true, put: func(c *reserve.Case, v float64) { c.HeatExchangeBand = v }},
	{name: "pressure_band_bar", most: 20, empty: true, absent: true, put: func(c *reserve.Case, v float64) { c.PressureBand = v * 1e5 }},
	{name: "oil_band_m3", most: 1e6, empty: true, absent: true, put: func(c *reserve.Case, v float64) { c.OilBand = v }},
	{name: "wall_band_k", most: 200, empty: true, absent: true, put: func(c *reserve.Case, v float64) { c.WallBand = v }},
}

// zeroCelsius is 0 °C in K.
const zeroCelsius = 273.15

// read is the number in a cell; known is false where it is rightly empty.
func (c *column) read(cell string) (v float64, known bool, err error) {
	cell = strings.TrimSpace(cell)
	if cell == "" {
		if c.empty {
			return 0, false, nil
		}
		return 0, false, fmt.Errorf("%s is empty", c.name)
	}
	if strings.Trim(cell, "0123456789+-.eE") != "" {
		return 0, false, fmt.Errorf("%s is %.20q: write a number with a decimal point and no unit", c.name, cell)
	}
	v, err = strconv.ParseFloat(cell, 64)
	switch {
	case err != nil:
		return 0, false, fmt.Errorf("%s is %.20q: write a number with a decimal point and no unit", c.name, cell)
	case v < c.least || v > c.most:
		return 0, false, fmt.Errorf("%s is %s: it must be from %g to %g", c.name, cell, c.least, c.most)
	case c.name == "strokes_per_cycle" && v != float64(int(v)):
		return 0, false, fmt.Errorf("%s is %s: it must be a whole number", c.name, cell)
	}
	return v, true, nil
}

// decimal writes a figure to nine places, never rounded up: neither the oil
// nor the cycles may look like more than they are.
func decimal(v float64) string {
	text := strconv.FormatFloat(v, 'f', 9, 64)
	if up, _ := strconv.ParseFloat(text, 64); up > v {
		text = strconv.FormatFloat(v-1e-9, 'f', 9, 64)
	}
	text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	if text == "" || text[0] == '-' {
		return "0"
	}
	return text
}
