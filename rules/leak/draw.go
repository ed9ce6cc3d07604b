package leak

import (
	"math"
	"time"
)

// Draw is oil that left the tank with no pump running.
type Draw struct {
	Start, End     time.Time
	Seconds        float64
	Oil, Band      float64 // m³ that left, and its ±
	PressureBefore float64 // Pa absolute
	PressureAfter  float64
	GasBefore      float64 // m³
	GasAfter       float64
	Theta          float64 // at its start
	Follows        bool    // θ was known then
	Cut            bool    // a pump started before it had ended
	Rest           float64 // s from its end to the middle of what was measured after it
}

// The rules of finding a draw.
const (
	armed      = 10   // scans before a draw can be seen
	refSeconds = 60   // time constant of what was before
	refScans   = 20   // and at least so many scans
	rareFalse  = 1e8  // scans between two false finds, by Siegmund's approximation
	longest    = 1800 // s, a draw is cut there
)

// draws finds them by a cumulative sum over the gas volume. Level and
// pressure each give one, S/(p/θ) being the one of the pressure; the mean of
// both is quieter than either. What the two do not agree on is no draw: air
// that escapes moves the pressure alone.
type draws struct {
	cfg *Config

	byLevel, byPressure   noise
	settled               average // J
	level, gas, pressure  average // before: m³ by level, m³ of both, Pa
	theta                 float64
	drift                 float64 // m³/s that leak away anyhow, as far as known
	follows               bool
	charging, wasCharging bool

	sum     float64
	since   float64 // s, since the sum left 0
	at      time.Time
	drawing bool
	seconds float64 // since the draw began
	block   average
	levels  average
	press   average
	before  float64 // mean of the block before
	quiet   int     // blocks without growth
	held    held

	out Draw
}

// held is what is averaged once a draw has come to rest.
type held struct{ level, gas, pressure average }

func (d *draws) forget() {
	d.settled.reset()
	d.level.reset()
	d.gas.reset()
	d.pressure.reset()
	d.sum, d.since, d.drawing = 0, 0, false
}

// step reports that a draw has ended; it stands in d.out.
func (d *draws) step(s *Scan) bool {
	if !s.Read {
		d.forget()
		return false
	}
	if s.Pumps {
		return d.cut(s)
	}
	if s.Compressors != d.wasCharging {
		d.wasCharging = s.Compressors
		if !d.drawing {
			d.forget()
		}
	}
	d.byLevel.add(s.Gas)
	x, sigma := d.fuse(s)
	if d.drawing {
		return d.follow(s, x, sigma)
	}
	d.watch(s, x, sigma)
	return false
}

// fuse is the gas volume from both, with its standard deviation.
func (d *draws) fuse(s *Scan) (x, sigma float64) {
	one := d.byLevel.sigma(1e-5 * d.cfg.Tank)
	if d.settled.n < armed || s.Compressors || d.charging {
		d.byPressure.n = 0
		return s.Gas, one
	}
	v := d.settled.value * s.Theta / s.Pressure
	d.byPressure.add(v)
	two := d.byPressure.sigma(1e-5 * d.cfg.Tank)
	if d.byPressure.n < armed {
		two = one
	}
	a, b := one*one, two*two
	return float64(s.Gas*(b/(a+b))) + float64(v*(a/(a+b))), math.Sqrt(a * b / (a + b))
}

// watch waits for a draw to begin.
func (d *draws) watch(s *Scan, x, sigma float64) {
	if d.gas.n >= armed {
		k := math.Min(math.Max(d.cfg.Stroke/2/sigma, 0.6), 2)
		// A moving average lags behind what changes all the time.
		lag := math.Min(d.gas.seconds/2, math.Max(refSeconds, refScans*s.Seconds))
		z := math.Min((x-d.gas.value-float64(d.drift*lag))/sigma, 8)
		if d.sum == 0 {
			d.since, d.at = 0, s.Time
		}
		d.sum = math.Max(0, d.sum+z-k)
		d.since += s.Seconds
		h := math.Log(2*k*k*rareFalse)/(2*k) - 1.166
		// What comes slower than the smallest stroke would is a leak, a change
		// of the weather, or a mistake about the gas temperature.
		stroke := 1.7*h/math.Max(d.cfg.Stroke/sigma-k, 0.3)*s.Seconds + d.cfg.Stroke/d.cfg.Flow
		slow := d.since > stroke
		switch {
		case d.sum > h && !slow:
			d.begin(s, x)
			return
		case d.sum > h || d.since > 60*math.Max(s.Seconds, 1) && d.sum > 0:
			d.sum = 0
			d.gas.reset()
		}
	}
	d.settled.add(s.Settled, s.Seconds, 300)
	if d.sum == 0 || d.gas.n < armed {
		tau := math.Max(refSeconds, refScans*s.Seconds)
		d.gas.add(x, s.Seconds, tau)
		d.level.add(s.Gas, s.Seconds, tau)
		d.pressure.add(s.Pressure, s.Seconds, tau)
		d.theta, d.follows = s.Theta, s.Follows
	}
}

func (d *draws) begin(s *Scan, x float64) {
	d.drawing, d.seconds, d.quiet, d.sum = true, d.since, 0, 0
	d.block.reset()
	d.levels.reset()
	d.press.reset()
	d.held = held{}
	d.before = x
	d.out = Draw{Start: d.at, GasBefore: d.gas.value, PressureBefore: d.pressure.value, Theta: d.theta, Follows: d.follows}
	d.out.End = s.Time
}

// follow waits for the volume to stand still: two blocks without growth.
func (d *draws) follow(s *Scan, x, sigma float64) bool {
	d.seconds += s.Seconds
	d.block.add(x, s.Seconds, math.Inf(1))
	d.levels.add(s.Gas, s.Seconds, math.Inf(1))
	d.press.add(s.Pressure, s.Seconds, math.Inf(1))
	if d.block.n < 3 || d.block.seconds < 6 {
		return false
	}
	grew := d.block.value-d.before > math.Max(d.cfg.Flow/4*d.block.seconds, 1.5*sigma*math.Sqrt(2/float64(d.block.n)))
	d.before = d.block.value
	if grew {
		d.quiet, d.held = 0, held{}
		d.out.End = s.Time
		d.out.Seconds = d.seconds
	} else {
		d.quiet++
		d.held.add(d)
	}
	d.block.reset()
	d.levels.reset()
	d.press.reset()
	if d.quiet < 2 && d.seconds < longest {
		return false
	}
	return d.finish(sigma)
}

// add joins the block that has just ended.
func (h *held) add(d *draws) {
	h.gas.add(d.block.value, d.block.seconds, math.Inf(1))
	h.level.add(d.levels.value, d.levels.seconds, math.Inf(1))
	h.pressure.add(d.press.value, d.press.seconds, math.Inf(1))
}

// cut ends a draw where a pump starts.
func (d *draws) cut(s *Scan) bool {
	if !d.drawing {
		d.forget()
		return false
	}
	d.held = held{}
	if d.block.n == 0 {
		d.block.add(d.before, 0, 1)
		d.levels.add(s.Gas, 0, 1)
		d.press.add(s.Pressure, 0, 1)
	}
	d.held.add(d)
	d.out.Cut, d.out.End, d.out.Seconds = true, s.Time, d.seconds
	_, sigma := d.fuse(s)
	return d.finish(sigma)
}

// finish judges what was seen.
func (d *draws) finish(sigma float64) bool {
	o := &d.out
	if o.Seconds == 0 {
		o.Seconds = math.Max(d.since, 1)
	}
	byLevel := d.held.level.value - d.level.value
	o.GasAfter, o.PressureAfter = d.held.gas.value, d.held.pressure.value
	o.Oil = o.GasAfter - o.GasBefore
	n := math.Max(float64(d.held.level.n)*3, 1)
	o.Band = 2 * sigma * math.Sqrt(1/float64(refScans)+1/n)
	off := 3 * d.byLevel.sigma(0) * math.Sqrt(1/float64(refScans)+1/n)
	o.Rest = d.held.gas.seconds / 2
	level := d.level.value
	d.forget()
	// The mean of both hides half of what only one of them shows.
	agree := math.Abs(byLevel-o.Oil) <= off+0.3*o.Oil
	return agree && level > 0 && o.Oil > math.Max(0.4*d.cfg.Stroke, o.Band)
}
