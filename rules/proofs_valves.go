package rules

import (
	"time"

	"strokebank/sensors/signal"
)

// valve is one valve by its limit switches, with what its strokes take.
type valve struct {
	tag          string
	open, closed int        // places in a scan, -1 where not wired
	oil          [2]float64 // m³ in its cylinder when open, when closed
	allowed      [2]float64 // s for an opening, a closing stroke; 0: not known

	stood   bool // it has been seen at an end
	left    bool // an end was left, and the other not reached yet
	closing bool
	seconds float64
	late    bool

	way  string  // of the last stroke that was reported
	took float64 // s
}

// strokeSlack is by how much longer than configured a stroke may take
// (common practice, no source); two scans are added to it.
const strokeSlack = 1.25

// newValves finds the valves whose limit switches are both wired.
func newValves(c *Config, points []signal.Point) []valve {
	var list []valve
	for _, v := range c.Valves {
		x := valve{tag: v.Tag, open: find(points, signal.OfValve(v.Tag, signal.Open)), closed: find(points, signal.OfValve(v.Tag, signal.Closed))}
		if x.open < 0 || x.closed < 0 {
			continue
		}
		for _, s := range c.Reserve.Cycle {
			if s.Valve == v.Tag {
				i := 0
				if s.Closing {
					i = 1
				}
				x.oil[i], x.allowed[i] = s.Oil, s.Duration
			}
		}
		list = append(list, x)
	}
	return list
}

// filled is the oil in the valve's cylinder, and whether it stands between
// its ends. A switch that is not known leaves it open.
func (v *valve) filled(scan *signal.Scan) (oil float64, moving bool) {
	switch {
	case scan.Readings[v.closed].On():
		return v.oil[1], false
	case scan.Readings[v.open].On():
		return v.oil[0], false
	}
	return (v.oil[0] + v.oil[1]) / 2, true
}

// step follows a stroke from one end to the other. It reports one that is
// done, or late, with how long it took.
func (v *valve) step(scan *signal.Scan, dt, period time.Duration) (done, late bool) {
	open, closed := scan.Readings[v.open], scan.Readings[v.closed]
	if !open.Known() || !closed.Known() || open.On() && closed.On() {
		v.stood, v.left, v.late = false, false, false
		return false, false
	}
	if open.On() || closed.On() {
		if v.left && closed.On() == v.closing {
			v.seconds += dt.Seconds()
			done = !v.late
			v.report()
		}
		v.stood, v.left, v.late, v.seconds = true, false, false, 0
		v.closing = open.On() // where it would go from here
		return done, false
	}
	if v.left = v.stood; !v.left {
		return false, false
	}
	v.seconds += dt.Seconds()
	i := 0
	if v.closing {
		i = 1
	}
	most := float64(v.allowed[i]*strokeSlack) + 2*period.Seconds()
	if v.allowed[i] > 0 && v.seconds > most && !v.late {
		v.late = true
		v.report()
		return false, true
	}
	return false, false
}

// report keeps what is told of a stroke.
func (v *valve) report() {
	v.way, v.took = "opening", v.seconds
	if v.closing {
		v.way = "closing"
	}
}
