package leak

import (
	"math"
	"time"
)

// Loss is air that left within seconds while the oil stood still.
type Loss struct {
	Time  time.Time `json:"time"`
	At    float64   `json:"at"`           // s of watched time
	Gauge float64   `json:"gauge_pascal"` // from which pressure on
	Part  float64   `json:"part"`         // of the air
}

// LossState is what a restart needs of the fast losses.
type LossState struct {
	Last  [4]Loss `json:"last"`
	Count int     `json:"count"`
}

// loss finds fast losses as a fall of S: oil that moves, and the warmth that
// goes with it, are in S already.
type loss struct {
	cfg   *Config
	state LossState

	noise       noise
	slow, fast  average // J
	gauge, now  average // Pa
	falling     bool
	from, start float64 // J, Pa
	still       float64
	lowest      float64
	seconds     float64
}

const (
	fastPart   = 0.012 // of the air: a smaller loss is not told from a change of temperature
	remembered = 10 * day
)

func (l *loss) forget() {
	l.slow.reset()
	l.fast.reset()
	l.gauge.reset()
	l.now.reset()
	l.falling = false
}

// step reports that a loss has ended; it is the last one in the state.
func (l *loss) step(s *Scan, age float64) bool {
	if !s.Read || !(s.Settled > 0) {
		l.forget()
		return false
	}
	l.noise.add(s.Settled)
	quick := math.Max(10, 3*s.Seconds)
	l.fast.add(s.Settled, s.Seconds, quick)
	l.now.add(s.Gauge, s.Seconds, quick)
	if l.falling {
		return l.follow(s, age)
	}
	// The noise of the quick mean, after an exponential mean's variance.
	w := math.Min(1, s.Seconds/quick)
	least := math.Max(fastPart*l.slow.value, 6*l.noise.sigma(0)*math.Sqrt(w/(2-w)))
	if l.slow.n > 20 && l.slow.value-l.fast.value > least && l.now.value < l.gauge.value {
		l.falling, l.from, l.start = true, l.slow.value, math.Max(l.gauge.value, l.now.value)
		l.lowest, l.still, l.seconds = l.fast.value, 0, 0
		return false
	}
	l.slow.add(s.Settled, s.Seconds, 120)
	l.gauge.add(s.Gauge, s.Seconds, math.Max(30, 3*s.Seconds))
	return false
}

// follow waits for S to stop falling.
func (l *loss) follow(s *Scan, age float64) bool {
	l.seconds += s.Seconds
	l.still += s.Seconds
	if l.fast.value < l.lowest-float64(0.002*l.from) {
		l.lowest, l.still = l.fast.value, 0
	}
	if l.still < math.Max(20, 3*s.Seconds) && l.seconds < 600 {
		return false
	}
	part := 1 - l.lowest/l.from
	start := l.start
	l.forget()
	push(l.state.Last[:], &l.state.Count, Loss{Time: s.Time, At: age, Gauge: start, Part: part})
	return true
}

// lifting reports losses that together look like a relief valve: two within
// ten days. From is the lowest pressure from which air went.
func (l *loss) lifting(age float64) (yes bool, from, part float64) {
	n := 0
	from = math.Inf(1)
	for _, x := range l.state.Last[:l.state.Count] {
		if age-x.At <= remembered {
			n++
			from, part = math.Min(from, x.Gauge), part+x.Part
		}
	}
	return n >= 2, from, part
}

// drop forgets the losses of the last s seconds: an instrument was stuck.
func (l *loss) drop(age, s float64) {
	for l.state.Count > 0 && age-l.state.Last[l.state.Count-1].At < s {
		l.state.Count--
	}
	l.forget()
}
