package configs

import (
	"fmt"
	"slices"
	"strings"

	"github.com/goccy/go-yaml/ast"

	"strokebank/rules"
	"strokebank/rules/reserve"
	"strokebank/sensors/signal"
)

// mostPressure is the highest absolute pressure, Pa, for which the allowance
// for real gas in the reserve has been checked (air, 0 to 60 °C, against the
// equation of state of Lemmon et al., J. Phys. Chem. Ref. Data 29, 2000).
const mostPressure = 20e5

// below reports low where it is not under high. Values that are wrong or
// absent are NaN, for which no comparison holds.
func (s section) below(name string, low float64, other section, otherName string, high float64, want string) {
	if low >= high {
		s.report(name, fmt.Sprintf("%s is not under %s (%s)", s.written(name), other.full(otherName), other.written(otherName)), want)
	}
}

// full is a key's path without the name of the unit.
func (s section) full(name string) string {
	return join(s.table.short(), name)
}

// checkPressures compares the pressures of a unit with each other.
func (s section) checkPressures(sets, r, compressors section, c *rules.Config) {
	set, least := c.Reserve.SetPressure, c.Reserve.MinPressure
	r.below("minimum_pressure", least, sets, "pressure", set,
		"write the least pressure that moves the valves, under the pressure of a full charge")
	sets.below("low_pressure", c.LowPressure, sets, "pressure", set, "write the pressure of the low alarm")
	sets.below("low_pressure", c.LowPressure, compressors, "cut_in", c.Compressors.CutIn,
		"write an alarm under the pressure at which the compressors start")
	if c.Compressors.CutIn > set || c.Compressors.CutOut < set {
		sets.report("pressure", fmt.Sprintf("%s is outside what the compressors hold (%s to %s)",
			sets.written("pressure"), compressors.written("cut_in"), compressors.written("cut_out")),
			"write a pressure between their cut_in and cut_out")
	}
	for _, p := range []struct {
		s    section
		name string
		pa   float64
	}{{sets, "pressure", set}, {compressors, "cut_out", c.Compressors.CutOut}} {
		if p.pa+c.Atmosphere > mostPressure {
			p.s.report(p.name, p.s.written(p.name)+" is above 20 bar absolute, where air is too far from an ideal gas for the computed reserve",
				"this program does not serve such a unit")
		}
	}
}

// checkLevels compares the levels of a unit with each other and the tank.
func checkLevels(sets, r, pumps section, c *rules.Config) {
	set := c.Reserve.SetLevel
	sets.below("low_level", c.LowLevel, pumps, "cut_in", c.Pumps.CutIn,
		"write an alarm under the level at which the pumps start")
	if c.Pumps.CutIn > set || c.Pumps.CutOut < set {
		sets.report("level", fmt.Sprintf("%s is outside what the pumps hold (%s to %s)",
			sets.written("level"), pumps.written("cut_in"), pumps.written("cut_out")),
			"write a level between their cut_in and cut_out")
	}
	t := c.Tank
	if t == nil {
		return
	}
	for _, l := range []struct {
		s    section
		name string
		m    float64
	}{{sets, "level", set}, {pumps, "cut_out", c.Pumps.CutOut}, {sets, "low_level", c.LowLevel}} {
		if l.m >= t.Height() {
			l.s.report(l.name, l.s.tooHigh(l.name, t), "write a level inside the tank, or correct the tank's dimensions")
		}
	}
	name := "unusable_oil"
	if r.has("unusable_level") {
		name = "unusable_level"
	}
	if c.Reserve.UnusableOil >= t.Volume(set) {
		r.report(name, fmt.Sprintf("%s leaves nothing of the %.4g L in the tank at its set level", r.written(name), t.Volume(set)*1000),
			"write the oil that must stay, under the oil of a full charge")
	}
}

// checkEngine lets the engine that computes the reserve judge a unit in which
// nothing else is wrong, so that what only it knows is said here and not at
// the start of the program.
func (s section) checkEngine(c *rules.Config) {
	if len(s.d.problems) > 0 {
		return
	}
	if _, err := reserve.New(c.Reserve); err != nil {
		s.problem(strings.ReplaceAll(err.Error(), "\n", ", "), "correct the reserve, or what it is computed from")
	}
}

// checkWired reports a limit of a signal that the unit does not have. sets are
// the set points of the unit s.
func (s section) checkWired(sets section) {
	wired, ok := s.values["points"].node.(*ast.MappingNode)
	if !ok {
		return // said where the points are read
	}
	for name, id := range map[string]signal.ID{"low_sump": signal.SumpLevel, "filter_differential": signal.FilterDifferential} {
		has := slices.ContainsFunc(wired.Values, func(e *ast.MappingValueNode) bool {
			point, _ := scalar(e.Key)
			return point == string(id)
		})
		if sets.has(name) && !has {
			sets.report(name, "is a limit of the point "+string(id)+", which the unit does not have", "add the point, or leave this out")
		}
	}
}
