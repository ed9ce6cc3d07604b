package reserve

import (
	"errors"
	"fmt"
	"math"
)

// highestPressure is the highest pressure, Pa absolute, for which the
// real-gas allowance of the lower bound has been checked. A unit set above it
// is refused.
const highestPressure = 20e5

// standardAtmosphere is used to check a configuration, which knows no
// weather: Pa absolute (ISO 2533).
const standardAtmosphere = 101325.0

// Engine evaluates one unit. It is immutable after New apart from a cache
// that Evaluate keeps, so one goroutine at a time may use it.
type Engine struct {
	config Config
	plan   *plan

	fullFor full      // what the cached figure was computed for
	fullIs  outcome   // at set level and pressure
	row     rowWriter // reused, so that Evaluate does not allocate
	write   func(cycle, stroke int, d discharge, counts bool)
}

// full is what the full-charge figure depends on beside the configuration.
type full struct{ atmosphere, tau float64 }

// New checks a configuration. The error lists everything that is wrong, each
// with what would be right.
func New(c Config) (*Engine, error) {
	if c.Tank == nil {
		return nil, errors.New("reserve: the tank is missing")
	}
	p, err := newPlan(c.Cycle, c.EndsWithClosing)
	if err = errors.Join(err, c.check(p)); err != nil {
		return nil, fmt.Errorf("reserve: %w", err)
	}
	e := &Engine{config: c, plan: p}
	e.write = e.row.add
	if out := e.full(full{standardAtmosphere, c.HeatExchange}); out.whole() >= MaxCycles {
		return nil, fmt.Errorf("reserve: a full charge would give %d cycles or more: the oil of a cycle (%.6g m³) is too small for this tank", MaxCycles, p.oil)
	}
	return e, nil
}

// numbers refuses what is not a number or negative.
func (c *Config) numbers() error {
	var errs []error
	for _, f := range []struct {
		name  string
		value float64
	}{
		{"minimum pressure", c.MinPressure}, {"set pressure", c.SetPressure}, {"set level", c.SetLevel},
		{"unusable oil", c.UnusableOil}, {"heat exchange", c.HeatExchange}, {"upper bound of heat exchange", c.HeatExchangeUpper},
		{"pressure band", c.PressureBand}, {"level band", c.LevelBand}, {"wall band", c.WallBand},
		{"lowest wall temperature", c.LowestWall}, {"usual wall temperature", c.UsualWall}, {"largest leak", c.MaxLeak},
		{"flow of pump 1", c.PumpFlow[0]}, {"flow of pump 2", c.PumpFlow[1]},
		{"free air of compressor 1", c.CompressorAir[0]}, {"free air of compressor 2", c.CompressorAir[1]},
	} {
		if !(f.value >= 0) || math.IsInf(f.value, 0) {
			errs = append(errs, fmt.Errorf("%s is %v: it must be a number that is not negative", f.name, f.value))
		}
	}
	return errors.Join(errs...)
}

// check holds the figures of a configuration against each other.
func (c *Config) check(p *plan) error {
	if err := c.numbers(); err != nil {
		return err
	}
	var errs []error
	wrong := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	if c.Required < 1 {
		wrong("required cycles are %d: at least 1 must be stored", c.Required)
	}
	if c.MinPressure >= c.SetPressure {
		wrong("minimum pressure %.4g Pa is not below the set pressure %.4g Pa: valves could never move", c.MinPressure, c.SetPressure)
	}
	if high := c.SetPressure + standardAtmosphere; high > highestPressure {
		wrong("set pressure is %.4g Pa absolute: above %.3g Pa (20 bar) air departs too far from the ideal gas for this computation", high, float64(highestPressure))
	}
	if c.SetLevel <= 0 || c.SetLevel >= c.Tank.Height() {
		wrong("set level %.4g m is not inside the tank, which is %.4g m high and needs gas above the oil", c.SetLevel, c.Tank.Height())
	} else if oil := c.Tank.Volume(c.SetLevel); c.UnusableOil >= oil {
		wrong("unusable oil %.4g m³ is not less than the %.4g m³ at the set level", c.UnusableOil, oil)
	}
	if c.HeatExchangeUpper > 0 && c.HeatExchangeUpper < c.HeatExchange {
		wrong("upper bound of heat exchange %.4g s is below heat exchange %.4g s", c.HeatExchangeUpper, c.HeatExchange)
	}
	if c.LowestWall > c.usualWall() {
		wrong("lowest wall temperature %.5g K is above the usual one, %.5g K", c.LowestWall, c.usualWall())
	}
	if p != nil {
		errs = append(errs, c.checkCycle(p))
	}
	return errors.Join(errs...)
}

func (c *Config) checkCycle(p *plan) error {
	var errs []error
	for i, s := range c.Cycle {
		if s.Demand > c.SetPressure {
			errs = append(errs, fmt.Errorf("stroke %d (%s) demands %.4g Pa, above the set pressure %.4g Pa", i+1, s.Valve, s.Demand, c.SetPressure))
		}
	}
	if p.oneWay && c.Required > 1 {
		errs = append(errs, fmt.Errorf("%d cycles are required, but a valve of the cycle moves in one direction only, so that it counts once at the most", c.Required))
	}
	return errors.Join(errs...)
}

func (c *Config) usualWall() float64 {
	if c.UsualWall > 0 {
		return c.UsualWall
	}
	return 293.15
}
