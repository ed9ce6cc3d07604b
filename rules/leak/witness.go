package leak

import (
	"math"
	"slices"
)

// The panel's switching points, in the order of Config.Points.
const (
	PumpCutIn = iota
	PumpCutOut
	CompressorCutIn
	CompressorCutOut
	Points
)

// Witnessed is one switching point as the transmitter has shown it.
type Witnessed struct {
	First  [5]float64 `json:"first"` // m or Pa gauge; their middle is the point
	Firsts int        `json:"firsts"`
	Last   [3]float64 `json:"last"`
	Count  int        `json:"count"`
	Moved  bool       `json:"moved"`
}

// Usual is where the point used to be: the middle of the first ones that were
// near where it is configured, or as configured until there are enough.
func (w *Witnessed) Usual(configured float64) float64 {
	if w.Firsts < len(w.First) {
		return configured
	}
	first := w.First
	slices.Sort(first[:])
	return first[len(first)/2]
}

// Now is the middle of the last ones, or of the first few.
func (w *Witnessed) Now() float64 {
	last := w.Last
	n := min(w.Count, len(last))
	if n == 0 {
		return math.NaN()
	}
	return median(last[len(last)-n:])
}

// shift is how far the last action stood from where the point used to be.
func (w *Witnessed) shift(configured float64) float64 {
	if w.Count == 0 {
		return 0
	}
	return w.Last[2] - w.Usual(configured)
}

// add takes an action in. The point has moved when the last two stand away
// from where it used to be, on the same side; until that is known, twice as
// far from what was configured.
func (w *Witnessed) add(v, configured, limit float64) {
	usual := w.Usual(configured)
	if w.Firsts < len(w.First) {
		limit *= 2
		if math.Abs(v-configured) <= limit {
			w.First[w.Firsts] = v
			w.Firsts++
		}
	}
	w.Last[0], w.Last[1], w.Last[2] = w.Last[1], w.Last[2], v
	w.Count++
	if w.Count < 2 {
		return
	}
	a, b := w.Last[1]-usual, w.Last[2]-usual
	if w.Moved {
		limit *= 0.7
		w.Moved = math.Abs(a) > limit || math.Abs(b) > limit
		return
	}
	w.Moved = math.Abs(a) > limit && math.Abs(b) > limit && (a > 0) == (b > 0)
}

// witness keeps the panel's actions beside the transmitters.
type witness struct {
	cfg   *Config
	state [Points]Witnessed

	level, gauge       average
	pumps, compressors bool
	begun              bool
	apart              float64 // s since a pump ran or the lock held
}

// Action is one action of the panel with what the transmitter showed.
type Action struct {
	Point int
	Value float64 // m or Pa gauge
}

// step gives the action of this scan, if there was one that tells.
func (w *witness) step(s *Scan) (Action, bool) {
	was, wasAir := w.pumps, w.compressors
	w.pumps, w.compressors = s.Pumps, s.Compressors
	if !s.Read {
		w.begun = false
		return Action{}, false
	}
	tau := math.Max(4, 1.5*s.Seconds)
	w.level.add(s.Level, s.Seconds, tau)
	w.gauge.add(s.Gauge, s.Seconds, tau)
	begun := w.begun
	w.begun = true
	apart := w.apart
	if w.apart += s.Seconds; s.Pumps || s.Locked {
		w.apart = 0
	}
	switch {
	case !begun || s.Hand:
	case s.Pumps != was && s.Pumps:
		return w.act(PumpCutIn, w.level.value, 2.5*w.cfg.LevelBand)
	case s.Pumps != was:
		return w.act(PumpCutOut, w.level.value, 2.5*w.cfg.LevelBand)
	case s.Compressors == wasAir || apart < 120:
		// Held back by the level, a compressor starts and stops elsewhere.
	case s.Compressors:
		return w.act(CompressorCutIn, w.gauge.value, 2.5*w.cfg.Band)
	default:
		return w.act(CompressorCutOut, w.gauge.value, 2.5*w.cfg.Band)
	}
	return Action{}, false
}

func (w *witness) act(point int, v, limit float64) (Action, bool) {
	w.state[point].add(v, w.cfg.Points[point], limit)
	if point >= CompressorCutIn {
		w.together(limit)
	}
	return Action{point, v}, true
}

// together marks both points of the compressors as moved where both last
// stood away by the same: a transmitter takes them along, and compressors act
// too rarely to wait for the next time.
func (w *witness) together(limit float64) {
	const first = CompressorCutIn
	in, out := &w.state[first], &w.state[first+1]
	a, b := in.shift(w.cfg.Points[first]), out.shift(w.cfg.Points[first+1])
	if in.Firsts < len(in.First) || out.Firsts < len(out.First) {
		limit *= 1.5
	}
	if math.Abs(a) > limit && math.Abs(b) > limit && math.Abs(a-b) < limit {
		in.Moved, out.Moved = true, true
	}
}
