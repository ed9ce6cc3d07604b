package simulator

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
)

// cylinder is a valve's drive: position 0 open, 1 closed, with the oil, kg,
// in the chamber of the closing and of the opening side.
type cylinder struct {
	position, target float64
	closing, opening float64

	stroke StrokeDone
	moving bool // until its end is filed
}

// StrokeDone is one stroke that has reached its end.
type StrokeDone struct {
	Valve      string
	Closing    bool
	Part       float64 // of a full stroke
	Start, End float64 // s since the start of the plant
	Oil        float64 // m³ drawn from the tank
	Lowest     float64 // Pa gauge, least tank pressure during it
	LeastOil   float64 // m³, least oil in the tank during it
}

// keptStrokes bounds the finished strokes that wait for Drain.
const keptStrokes = 4096

// order is a stroke asked for at a time.
type order struct {
	at     float64
	valve  int
	target float64
}

// Stroke moves a valve to its closed or open end, beginning now.
func (p *Plant) Stroke(tag string, closing bool) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	i := slices.IndexFunc(p.build.Valves, func(v Valve) bool { return v.Tag == tag })
	if i < 0 {
		return fmt.Errorf("simulator: unit %s has no valve %q", p.build.Unit, tag)
	}
	p.ask(p.now, i, end(closing))
	return nil
}

// Shutdown closes all valves in their order, beginning now.
func (p *Plant) Shutdown() { p.all(true) }

// Restore opens all valves in their order, beginning now.
func (p *Plant) Restore() { p.all(false) }

func (p *Plant) all(closing bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	at := p.now
	for i, v := range p.build.Valves {
		p.ask(at, i, end(closing))
		if !p.build.Together {
			at += v.Time + p.build.Dwell
		}
	}
}

// Drain returns the strokes finished since the last call, oldest first, at
// most the latest 4096.
func (p *Plant) Drain() []StrokeDone {
	p.mu.Lock()
	defer p.mu.Unlock()
	out := p.done
	p.done = nil
	return out
}

func end(closing bool) float64 {
	if closing {
		return 1
	}
	return 0
}

// ask puts an order in its place by time, after those of the same time.
func (p *Plant) ask(at float64, valve int, target float64) {
	i := len(p.orders)
	for i > 0 && p.orders[i-1].at > at {
		i--
	}
	p.orders = slices.Insert(p.orders, i, order{at, valve, target})
}

// moving reports that a cylinder moves or is about to.
func (p *Plant) moving() bool {
	for i := range p.valves {
		if p.valves[i].position != p.valves[i].target {
			return true
		}
	}
	return len(p.orders) > 0 && p.orders[0].at <= p.now
}

// plan starts what is due.
func (p *Plant) plan() {
	if p.now >= p.routine.next {
		p.routine.act(p)
	}
	for len(p.orders) > 0 && p.orders[0].at <= p.now+1e-9 {
		o := p.orders[0]
		p.orders = slices.Delete(p.orders, 0, 1)
		c := &p.valves[o.valve]
		if c.position == o.target {
			continue
		}
		c.target, c.moving = o.target, true
		c.stroke = StrokeDone{Valve: p.build.Valves[o.valve].Tag, Closing: o.target > c.position,
			Part: math.Abs(o.target - c.position), Start: p.now, Lowest: p.s.gauge, LeastOil: p.shape.volume - p.s.volume}
	}
}

// strokes moves the cylinders for h seconds and returns the oil, m³, that
// went back through the filter.
func (p *Plant) strokes(h, density float64) float64 {
	returned := 0.0
	for i := range p.valves {
		c := &p.valves[i]
		if c.position != c.target {
			returned += p.stroke(c, &p.build.Valves[i], h/(1+4*p.faults.valveSlow[i]), density)
		}
	}
	return returned / density
}

func (p *Plant) stroke(c *cylinder, v *Valve, h, density float64) float64 {
	s := &p.s
	speed := 1 / v.Time
	if s.gauge < v.Move {
		speed *= math.Max(0, (s.gauge-0.6*v.Move)/(0.4*v.Move))
	}
	dx := math.Min(speed*h, math.Abs(c.target-c.position))
	draw, into, from, rest := v.Close, &c.closing, &c.opening, 1-c.position
	if c.target < c.position {
		draw, into, from, rest = v.Open, &c.opening, &c.closing, c.position
	}
	m := p.drain(dx*draw*density, density)
	if m <= 0 {
		return 0
	}
	dx = m / (draw * density)
	*into += m
	back := *from * math.Min(1, dx/rest)
	*from -= back
	s.sump += back
	s.delivered += m / density
	c.stroke.Oil += m / density
	c.position += math.Copysign(dx, c.target-c.position)
	if math.Abs(c.position-c.target) < 1e-9 {
		c.position = c.target
	}
	return back
}

// witness keeps the least pressure and oil of the strokes under way and files
// those that have ended.
func (p *Plant) witness() {
	for i := range p.valves {
		c := &p.valves[i]
		if !c.moving {
			continue
		}
		c.stroke.Lowest = math.Min(c.stroke.Lowest, p.s.gauge)
		c.stroke.LeastOil = math.Min(c.stroke.LeastOil, p.shape.volume-p.s.volume)
		if c.position != c.target {
			continue
		}
		c.moving = false
		c.stroke.End = p.now
		if len(p.done) == keptStrokes {
			p.done = slices.Delete(p.done, 0, 1)
		}
		p.done = append(p.done, c.stroke)
	}
}

// routine asks for strokes at random times.
type routine struct {
	next             float64
	strokes, partial float64 // a second
	valves           int
	rng              *rand.Rand
}

func newRoutine(b Build, rng *rand.Rand) routine {
	r := routine{strokes: b.Routine.Strokes / 86400, partial: b.Routine.Partials / 86400, valves: len(b.Valves), rng: rng}
	r.wait(0)
	return r
}

// wait draws the time of the next use.
func (r *routine) wait(now float64) {
	rate := r.strokes + r.partial
	if rate <= 0 || r.valves == 0 {
		r.next = math.Inf(1)
		return
	}
	r.next = now + r.rng.ExpFloat64()/rate
}

// act uses one valve: closed and open again, or a part of the way and back.
// A valve that is not at rest in its open end is left alone.
func (r *routine) act(p *Plant) {
	i := r.rng.IntN(r.valves)
	target, hold := 1.0, 120+480*r.rng.Float64()
	if r.rng.Float64()*(r.strokes+r.partial) > r.strokes {
		target, hold = 0.15, 5
	}
	if c := p.valves[i]; c.position == 0 && c.target == 0 {
		p.ask(p.now, i, target)
		p.ask(p.now+p.build.Valves[i].Time+hold, i, 0)
	}
	r.wait(p.now)
}
