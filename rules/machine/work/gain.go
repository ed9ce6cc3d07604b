package work

import (
	"math"
	"time"

	"strokebank/rules/machine"
	"strokebank/sensors/signal"
)

// calm is an average of a settled state, over the last minutes of it.
type calm struct {
	seconds  float64
	n        float64
	s, theta float64
	p, oil   float64
	at       float64 // s, when it was last added to
	last, dd float64 // of S: the last one, half the mean squared difference
}

func (c *calm) add(dt, at, s float64, in *ChargeIn) {
	c.n++
	c.seconds += dt
	w := math.Max(1/c.n, math.Min(1, dt/calmSeconds))
	if c.n > 1 {
		d := s - c.last
		c.dd += float64((float64(d*d/2) - c.dd) * math.Max(1/(c.n-1), w))
	}
	c.last = s
	c.s += float64(w * (s - c.s))
	c.theta += float64(w * (in.Theta - c.theta))
	c.p += float64(w * (in.Pressure - c.p))
	c.oil += float64(w * (in.Oil - c.oil))
	c.at = at
}

// variance is the squared standard error of the mean of S.
func (c *calm) variance() float64 {
	n := math.Max(1, math.Min(c.n, 2*calmSeconds*c.n/math.Max(c.seconds, 1)))
	least := leastSettled * c.s
	return math.Max(c.dd, float64(least*least)) / n
}

// group is one charge under way: runs that follow each other before the gas
// has settled.
type group struct {
	open       bool
	before     calm
	known      bool // before is, and nothing was missed since
	seconds    [2]float64
	runs       [2]int
	start, end [2]time.Time
	serial     [2]string
	place      [2]string
	cut        bool
	sumP, n    float64
	began, on  float64 // s: the group, its present run
	quality    signal.Quality
}

// Ran says that compressor i has completed a run; standby that its partner was
// already running when it began.
func (m *ChargeMeter) Ran(i int, r *machine.Run, standby bool) {
	g := &m.group
	if !g.open {
		return
	}
	if g.runs[i] == 0 {
		g.start[i] = r.Start
	}
	g.runs[i]++
	g.seconds[i] += r.Seconds
	g.end[i], g.serial[i] = r.End, r.Serial
	g.cut = g.cut || r.Cut || !r.StartSeen || r.Doubt > 0
	switch {
	case r.Lead:
		g.place[i] = Lead
	case standby && g.place[i] == "":
		g.place[i] = Standby
	}
}

// measure makes the charge of the group.
func (m *ChargeMeter) measure(due [2]float64) Charge {
	g, no := &m.group, signal.Unknown()
	i := 0
	if g.seconds[1] > g.seconds[0] {
		i = 1
	}
	c := Charge{
		Position: m.positions[i], Serial: g.serial[i], Start: g.start[i], End: g.end[i], Seconds: g.seconds[i],
		Runs: g.runs[i], Place: g.place[i], Machine: i, Quality: g.quality,
		FreeAir: no, Flow: no, Corrected: no, Uncertainty: no, Ratio: no,
		OilBefore: no, OilAfter: no, PressureBefore: no, PressureAfter: no,
	}
	total := g.seconds[0] + g.seconds[1]
	switch {
	case g.cut:
		c.Reason = "a run was not seen whole"
	case !g.known:
		c.Reason = "not settled before or after"
	case !(total > 0) || g.seconds[i] < leastShare*total:
		c.Reason = "both machines ran"
	default:
		m.gain(&c, i, due)
	}
	return c
}

// gain writes what came in and whether it counts.
func (m *ChargeMeter) gain(c *Charge, i int, due [2]float64) {
	g, a, b := &m.group, &m.group.before, &m.calm
	c.PressureBefore, c.PressureAfter = signal.Number(a.p), signal.Number(b.p)
	c.OilBefore, c.OilAfter = signal.Number(a.oil), signal.Number(b.oil)
	other := g.seconds[1-i] * due[1-i]
	air := (b.s-a.s)/m.unit - other
	factor := CompressorFactor(g.sumP/math.Max(g.n, 1), m.set, m.air)
	flow := air / c.Seconds
	reference := due[i]
	if !(reference > 0) {
		reference = math.Abs(flow * factor)
	}
	theta := thetaDoubt * b.s * math.Hypot(a.theta-1, b.theta-1)
	wall := 0.0
	if !m.wall {
		wall = wallDrift * b.s * (b.at - a.at)
	}
	sum := a.variance() + b.variance() + float64(theta*theta) + float64(wall*wall)
	u := math.Hypot(math.Sqrt(sum)/m.unit, otherDoubt*other) * factor / (reference * c.Seconds)
	c.FreeAir, c.Flow = signal.Number(air), signal.Number(flow)
	c.Corrected, c.Uncertainty = signal.Number(flow*factor), signal.Number(u)
	if due[i] > 0 {
		c.Ratio = signal.Number(flow * factor / due[i])
	}
	switch {
	case !(u <= mostUncertain):
		c.Reason = "too uncertain"
	case c.Quality != signal.Good:
		c.Reason = "readings not good"
	default:
		c.Counts = true
	}
}
