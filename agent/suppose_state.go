package main

import (
	"math"
	"time"

	"strokebank/configs/quantity"
	"strokebank/rules/reserve"
	"strokebank/sensors/signal"
)

// state fills in the state: what was given, full charge for the rest.
func (s *supposition) state(given map[string]float64, f *faults) {
	r := &s.config.Reserve
	or := func(flag string, otherwise float64) float64 {
		if v, ok := given[flag]; ok {
			s.elsewhere = true
			return v
		}
		return otherwise
	}
	s.pressure = or("pressure", r.SetPressure)
	s.level = or("level", r.SetLevel)
	if oil, ok := given["oil"]; ok {
		if _, both := given["level"]; both {
			f.add("-level and -oil say the same: keep one of them")
		}
		if total := s.config.Tank.Total(); oil >= total {
			f.add("-oil: %s leaves no gas in a tank of %s", s.show(oil, quantity.Volume), s.show(total, quantity.Volume))
		}
		s.level, s.elsewhere = s.config.Tank.Level(oil), true
	}
	s.atmosphere = or("atmosphere", s.config.Atmosphere)
	_, byGas := given["temperature"]
	_, byWall := given["wall"]
	s.wall = or("wall", or("temperature", r.UsualWall))
	s.gas = or("temperature", s.wall)
	s.wallKnown = s.measured || byGas || byWall
	s.leak = signal.Number(or("leak", math.NaN()))
}

// check holds what was supposed against itself, in the units of the site.
func (s *supposition) check(f *faults) {
	r := &s.config.Reserve
	const limit = 20e5 // Pa absolute, as the engine has it
	bar := func(v float64) string { return s.show(v, quantity.Pressure) }
	if s.pressure+s.atmosphere <= 0 {
		f.add("a pressure of %s is below vacuum", bar(s.pressure))
	}
	for _, p := range []struct {
		name  string
		gauge float64
	}{{"pressure", s.pressure}, {"set pressure", r.SetPressure}} {
		if p.gauge+s.atmosphere > limit {
			f.add("the %s %s is above %s absolute, where air departs too far from the ideal gas for this computation", p.name, bar(p.gauge), bar(limit))
			break
		}
	}
	if r.MinPressure >= r.SetPressure {
		f.add("the minimum pressure %s is not below the set pressure %s: the valves could never move", bar(r.MinPressure), bar(r.SetPressure))
	}
	for _, l := range []struct {
		name, flag string
		level      float64
	}{{"level", "level", s.level}, {"set level", "set-level", r.SetLevel}} {
		if h := r.Tank.Height(); l.level >= h {
			f.add("the %s %s leaves no gas in a tank that is %s high inside: give another -%s", l.name, s.show(l.level, quantity.Length), s.show(h, quantity.Length), l.flag)
			break
		}
	}
	if oil := r.Tank.Volume(r.SetLevel); r.UnusableOil >= oil {
		f.add("unusable oil of %s leaves nothing of the %s at the set level", s.show(r.UnusableOil, quantity.Volume), s.show(oil, quantity.Volume))
	}
	if up := r.HeatExchangeUpper; up > 0 && up < r.HeatExchange {
		f.add("heat exchange %s is above its upper bound %s: give -heat-exchange-most too", s.show(r.HeatExchange, quantity.Duration), s.show(up, quantity.Duration))
	}
	for _, stroke := range r.Cycle {
		if stroke.Demand > r.SetPressure && stroke.Closing {
			f.add("%s demands %s, above the set pressure %s", stroke.Valve, bar(stroke.Demand), bar(r.SetPressure))
		}
	}
}

// input is the supposed state for the engine.
func (s *supposition) input() reserve.Input {
	now := time.Now().UTC()
	in := reserve.Input{
		Pressure:   signal.Measured(s.pressure+s.atmosphere, signal.Pascal, now),
		Level:      signal.Measured(s.level, signal.Metre, now),
		Atmosphere: s.atmosphere,
		Wall:       signal.Missing(signal.Kelvin, signal.NotConfigured, now),
		Theta:      s.gas / s.wall, ThetaKnown: true,
	}
	if s.wallKnown {
		in.Wall = signal.Measured(s.wall, signal.Kelvin, now)
	}
	if s.leak.Known() {
		in.Leak, in.LeakKnown = float64(s.leak), true
	}
	return in
}

// asInFile is the file's own set-up at full charge, to compare with.
func (s *supposition) asInFile() *supposition {
	r := &s.file.Reserve
	return &supposition{
		site: s.site, name: s.name, display: s.display, file: s.file, config: s.file,
		pressure: r.SetPressure, level: r.SetLevel, atmosphere: s.file.Atmosphere,
		gas: r.UsualWall, wall: r.UsualWall, measured: s.measured, wallKnown: s.measured, leak: signal.Unknown(),
	}
}
