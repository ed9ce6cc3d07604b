package configs

import (
	"fmt"
	"math"
	"slices"

	"strokebank/rules"
	"strokebank/rules/machine"
	"strokebank/rules/machine/service"
	"strokebank/rules/reserve"
	"strokebank/rules/tank"
)

// rules decodes a unit but for its points.
func (s section) rules() rules.Config {
	c := rules.Config{
		Tank:       s.block("tank").tank(),
		Atmosphere: s.atmosphere(),
		OilDensity: s.quantity("oil_density"),
	}
	transmitters := s.block("transmitters")
	transmitters.mounting(&c)
	sets := s.block("set_points")
	c.LowLevel, c.LowPressure = sets.quantity("low_level"), sets.quantity("low_pressure")

	r := s.block("reserve")
	c.Reserve = r.reserve(c.Tank)
	c.Reserve.SetPressure, c.Reserve.SetLevel = sets.quantity("pressure"), sets.quantity("level")
	c.Reserve.PressureBand = transmitters.quantity("pressure_band")
	c.Reserve.LevelBand = transmitters.quantity("level_band")
	c.Reserve.WallBand = transmitters.quantity("wall_band")

	valves, strokes := s.valves(c.Reserve.SetPressure)
	c.Valves = valves
	c.Reserve.Cycle, c.Reserve.EndsWithClosing = r.cycle(valves, strokes)
	r.checkReturns(c.Reserve.Cycle, c.Reserve.Required)

	pumps, compressors := s.block("pumps"), s.block("compressors")
	var atPumps, atCompressors []service.Task
	c.Pumps, atPumps = pumps.pair(machine.Pump)
	c.Compressors, atCompressors = compressors.pair(machine.Compressor)
	c.Service = slices.Concat(s.tasks(unitTasks, unitTasks), atPumps, atCompressors)
	for i := range 2 {
		c.Reserve.PumpFlow[i] = c.Pumps.Machines[i].Rating
		c.Reserve.CompressorAir[i] = c.Compressors.Machines[i].Rating
	}
	c.HeatExchangeLower = r.leastExchange(&c.Reserve)
	c.LowSump, c.FilterLimit = orZero(sets.quantity("low_sump")), sets.quantity("filter_differential")
	s.checkWired(sets)
	s.watch(&c)
	c.Alarms = s.alarms(&c)
	s.checkPressures(sets, r, compressors, &c)
	checkLevels(sets, r, pumps, &c)
	r.checkEngine(&c)
	return c
}

// atmosphere is the site's pressure, Pa absolute: given, or from the height
// by the standard atmosphere (ISO 2533, formula from memory), sea level
// where neither is given.
func (s section) atmosphere() float64 {
	p, h := s.quantity("atmosphere"), s.quantity("elevation")
	if s.has("atmosphere") && s.has("elevation") {
		s.report("elevation", "the atmospheric pressure is given too", "keep one of atmosphere and elevation")
	}
	switch {
	case s.has("atmosphere"):
		return p
	case s.has("elevation"):
		return 101325 * math.Pow(1-0.0065*h/288.15, 5.25588)
	}
	return 101325
}

// mounting decodes how the transmitters sit. A negative tap is one that sits
// in the gas.
func (s section) mounting(c *rules.Config) {
	c.PressureTap = -1
	if s.has("pressure_height") {
		c.PressureTap = s.quantity("pressure_height")
	}
	c.LevelOffset = s.quantity("level_offset")
	c.LevelByPressure = s.text("level_by") == "differential pressure"
	c.LevelLeg = orZero(s.quantity("level_leg"))
	if s.has("level_leg") && !c.LevelByPressure {
		s.report("level_leg", "has no meaning for a level measured as a height",
			"write level_by: differential pressure, or leave level_leg out")
	}
}

// reserve decodes the reserve's block but for the cycle.
func (s section) reserve(t *tank.Tank) reserve.Config {
	required, _ := s.integer("required_cycles", 1, 1000)
	c := reserve.Config{
		Tank:              t,
		Required:          required,
		MinPressure:       s.quantity("minimum_pressure"),
		UnusableOil:       s.unusable(t),
		HeatExchange:      orZero(s.quantity("heat_exchange")),
		HeatExchangeUpper: orZero(s.quantity("heat_exchange_most")),
		LowestWall:        s.quantity("lowest_wall"),
		UsualWall:         s.quantity("usual_wall"),
		MaxLeak:           s.quantity("most_leak"),
	}
	if c.HeatExchangeUpper > 0 && c.HeatExchangeUpper < c.HeatExchange {
		s.report("heat_exchange_most", s.written("heat_exchange_most")+" is less than heat_exchange ("+s.written("heat_exchange")+")",
			"write the upper bound of the time constant")
	}
	if c.LowestWall > c.UsualWall {
		s.report("lowest_wall", s.written("lowest_wall")+" is above usual_wall ("+s.written("usual_wall")+")", "write the lowest temperature of the wall")
	}
	return c
}

// leastExchange is the lower bound of the configured time constant, s; 0: not
// given.
func (s section) leastExchange(c *reserve.Config) float64 {
	least := s.quantity("heat_exchange_least")
	switch {
	case !s.has("heat_exchange_least"):
		return 0
	case !s.has("heat_exchange"):
		s.report("heat_exchange_least", "is the bound of a heat_exchange that is not given", "write heat_exchange too, or leave it out")
	case least > c.HeatExchange:
		s.report("heat_exchange_least", s.written("heat_exchange_least")+" is more than heat_exchange ("+s.written("heat_exchange")+")",
			"write the lower bound of the time constant")
	}
	return orZero(least)
}

// unusable is the oil that must stay, m³, given as a volume or as a level.
func (s section) unusable(t *tank.Tank) float64 {
	oil, level := s.quantity("unusable_oil"), s.quantity("unusable_level")
	switch {
	case s.has("unusable_oil") && s.has("unusable_level"):
		s.report("unusable_level", "unusable_oil is given too", "keep one of them")
	case s.has("unusable_oil"):
		return oil
	case !s.has("unusable_level"):
		if s.values != nil {
			s.missing(s.table.find("unusable_oil"))
		}
	case t != nil:
		if level > t.Height() {
			s.report("unusable_level", s.tooHigh("unusable_level", t), "write a level inside the tank")
			return math.NaN()
		}
		return t.Volume(level)
	}
	return math.NaN()
}

func (s section) tooHigh(name string, t *tank.Tank) string {
	return fmt.Sprintf("%s is above the tank's inside height of %.3g m", s.written(name), t.Height())
}

// written is a key's value as the file has it, for an error.
func (s section) written(name string) string {
	if v, ok := s.values[name]; ok {
		text, _ := scalar(v.node)
		return short(text)
	}
	return s.table.find(name).def
}

// orZero is x, or 0 where it is not known.
func orZero(x float64) float64 {
	if math.IsNaN(x) {
		return 0
	}
	return x
}
