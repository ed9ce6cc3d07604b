package configs

import (
	"math"
	"time"

	"strokebank/rules"
)

// watch decodes what the watch for leaks and for proofs takes.
func (s section) watch(c *rules.Config) {
	c.SumpArea = s.block("sump").area()
	leaks := s.block("leaks")
	c.OilLeak, c.AirLeak = leaks.quantity("oil"), leaks.quantity("air")
	c.DissolvedAir = leaks.quantity("dissolved_air")
	proof := s.block("proof")
	every := func(name string) time.Duration {
		return time.Duration(orZero(proof.quantity(name)) * float64(time.Second))
	}
	p := &c.Proof
	p.Machine, p.Standby, p.Lead, p.Lockout = every("machine"), every("standby"), every("lead"), every("lockout")
	p.Low, p.Valve, p.Drawdown = every("low"), every("valve"), every("drawdown")
}

// area is the surface of the sump, m²; 0 where none is given.
func (s section) area() float64 {
	length, width, diameter := s.quantity("length"), s.quantity("width"), s.quantity("diameter")
	corners := s.any([]string{"length", "width"})
	switch {
	case corners && s.has("diameter"):
		s.report("diameter", "length and width are given too", "keep diameter, or length and width")
	case corners:
		s.need([]string{"length", "width"})
		return orZero(length * width)
	case s.has("diameter"):
		return orZero(math.Pi / 4 * diameter * diameter)
	case s.values != nil:
		s.problem("has no dimensions", "write length and width, or diameter")
	}
	return 0
}
