package reserve

import (
	"errors"
	"fmt"
	"math"
	"sort"

	"strokebank/rules/gas"
)

// MaxCycles is the highest count of cycles that is computed; a unit with more
// is refused, because its oil per cycle is surely wrong.
const MaxCycles = 1000

// CapSide is the volume, m³, that moves a cylinder's piston from the cap
// side: the bore's area times the stroke, both in m.
func CapSide(bore, stroke float64) float64 { return math.Pi / 4 * bore * bore * stroke }

// RodSide is CapSide for the rod side, where the rod takes room.
func RodSide(bore, rod, stroke float64) float64 {
	return math.Pi / 4 * (float64(bore*bore) - float64(rod*rod)) * stroke
}

// DefaultCycle is what a shutdown cycle is where the site says nothing: one
// closing stroke of every valve, then one opening stroke of every valve.
// Given are the strokes of the valves, each with its direction; their order
// within a direction is kept. Use it with Config.EndsWithClosing.
func DefaultCycle(valves ...Stroke) []Stroke {
	cycle := make([]Stroke, 0, len(valves))
	for _, closing := range [2]bool{true, false} {
		first := true
		for _, s := range valves {
			if s.Closing != closing {
				continue
			}
			// The first stroke of a direction cannot begin with the last of
			// the other one.
			s.Together = s.Together && !first
			first = false
			cycle = append(cycle, s)
		}
	}
	return cycle
}

// phase is a part of a cycle with constant flow.
type phase struct {
	oil    float64 // m³ drawn in it
	dt     float64 // s
	demand float64 // Pa gauge, highest of the strokes under way
	moving bool    // a stroke is under way: the limits hold
	counts bool    // with its end one more cycle is done
	ends   []int   // strokes, by their place in the cycle, that end with it
}

// plan is one cycle as phases.
type plan struct {
	phases  []phase
	strokes []Stroke
	oil     float64 // m³ of a cycle
	first   float64 // m³ until the first cycle counts
	seconds float64 // of a cycle
	oneWay  bool    // cannot be repeated

	firstSeconds float64 // s until the first cycle counts

	kernels [2]kernels // prepared heat exchange: of the best estimate, of the bound
}

// kernels holds the prepared heat exchange of each phase for one τ.
type kernels struct {
	tau   float64
	phase []gas.Kernel
}

// The two places of plan.kernels.
const (
	ofEstimate = iota
	ofBound
)

// prepare gives the kernels of each phase for tau, from the cache where it is
// the one of the last call.
func (p *plan) prepare(place int, tau float64) []gas.Kernel {
	k := &p.kernels[place]
	if k.tau == tau && k.phase != nil {
		return k.phase
	}
	if k.phase == nil {
		k.phase = make([]gas.Kernel, len(p.phases))
	}
	k.tau = tau
	for i := range p.phases {
		if i >= 2 && p.phases[i].dt == p.phases[i-2].dt {
			k.phase[i] = k.phase[i-2]
		} else {
			k.phase[i] = gas.NewKernel(p.phases[i].dt, tau)
		}
	}
	return k.phase
}

// newPlan checks the strokes and puts them in phases.
func newPlan(strokes []Stroke, endsWithClosing bool) (*plan, error) {
	if len(strokes) == 0 {
		return nil, errors.New("the shutdown cycle is empty: give at least one stroke")
	}
	var errs []error
	for i, s := range strokes {
		if err := s.check(); err != nil {
			errs = append(errs, fmt.Errorf("stroke %d (%s): %w", i+1, s.Valve, err))
		}
	}
	if strokes[0].Together {
		errs = append(errs, errors.New("stroke 1: there is no stroke before it that it could begin together with"))
	}
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	p := &plan{strokes: append([]Stroke(nil), strokes...), oneWay: oneWay(strokes)}
	for i := 0; i < len(strokes); {
		n := i + 1
		for n < len(strokes) && strokes[n].Together {
			n++
		}
		p.group(i, n)
		i = n
	}
	p.count(endsWithClosing)
	if p.oil == 0 {
		return nil, errors.New("the shutdown cycle draws no oil: give the strokes their oil; 0 is for a stroke that a spring or weight makes")
	}
	return p, nil
}

func (s Stroke) check() error {
	switch {
	case !(s.Oil >= 0) || math.IsInf(s.Oil, 0):
		return fmt.Errorf("oil is %v m³: it must not be negative", s.Oil)
	case !(s.Duration >= 0) || math.IsInf(s.Duration, 0):
		return fmt.Errorf("duration is %v s: it must not be negative", s.Duration)
	case !(s.Dwell >= 0) || math.IsInf(s.Dwell, 0):
		return fmt.Errorf("dwell is %v s: it must not be negative", s.Dwell)
	case !(s.Demand >= 0) || math.IsInf(s.Demand, 0):
		return fmt.Errorf("demand is %v Pa: it must not be negative", s.Demand)
	}
	return nil
}

// oneWay reports a valve that only closes or only opens: after one cycle it
// has no further stroke in that direction.
func oneWay(strokes []Stroke) bool {
	for _, s := range strokes {
		back := false
		for _, o := range strokes {
			back = back || (o.Valve == s.Valve && o.Closing != s.Closing)
		}
		if !back {
			return true
		}
	}
	return false
}

// group appends the phases of the strokes from i to n-1, which begin
// together: one phase from each end of a stroke to the next, then the dwell.
func (p *plan) group(i, n int) {
	order := make([]int, 0, n-i)
	rest := 0.0 // when the next group may begin
	for k := i; k < n; k++ {
		order = append(order, k)
		rest = math.Max(rest, p.strokes[k].Duration+p.strokes[k].Dwell)
	}
	sort.SliceStable(order, func(a, b int) bool {
		return p.strokes[order[a]].Duration < p.strokes[order[b]].Duration
	})
	at := 0.0
	for a := 0; a < len(order); {
		end := p.strokes[order[a]].Duration
		ph := phase{moving: true, dt: end - at}
		for _, k := range order[a:] {
			s := p.strokes[k]
			switch {
			case end > 0:
				ph.oil += float64(s.Oil * (ph.dt / s.Duration))
				ph.demand = math.Max(ph.demand, s.Demand)
			case s.Duration == 0: // drawn at once, before the others flow
				ph.oil += s.Oil
				ph.demand = math.Max(ph.demand, s.Demand)
			}
		}
		for a < len(order) && p.strokes[order[a]].Duration == end {
			ph.ends = append(ph.ends, order[a])
			a++
		}
		p.phases = append(p.phases, ph)
		at = end
	}
	if rest > at {
		p.phases = append(p.phases, phase{dt: rest - at})
	}
}

// count finds the phase with which a cycle is done, and sums the cycle.
func (p *plan) count(endsWithClosing bool) {
	last, closing := 0, -1
	for i, ph := range p.phases {
		for _, k := range ph.ends {
			last = i
			if p.strokes[k].Closing {
				closing = i
			}
		}
	}
	if endsWithClosing && closing >= 0 {
		last = closing
	}
	p.phases[last].counts = true
	for i, ph := range p.phases {
		p.oil += ph.oil
		if i <= last {
			p.first += ph.oil
			p.firstSeconds += ph.dt
		}
		p.seconds += ph.dt
	}
}
