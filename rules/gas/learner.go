package gas

import (
	"math"
	"slices"
)

// The rules of learning τ.
const (
	leastDraw      = 0.05 // of the gas volume: smaller draws do not count
	visible        = 0.015
	recoverTaus    = 2 // undisturbed τ after a draw that are needed
	mostTaus       = 5 // and that are used at most
	leastBand      = 0.25
	draws          = 8 // kept
	enoughDraws    = 3
	agreement      = 0.5 // of the median: a draw further away does not agree
	quietSmoothing = 60  // s
	fastSmoothing  = 2   // s
	bins           = 256
)

// LearnerState is what a Learner has learned, to be saved and restored.
type LearnerState struct {
	Taus []float64 `json:"time_constants_seconds"` // of the last draws, oldest first
}

// Learned is the time constant as the recoveries showed it.
type Learned struct {
	Tau   float64 // s, median of the draws; 0: none yet
	Band  float64 // ± as a ratio of Tau, never under 0.25: τ moves with density and level
	Draws int     // draws that agree
	Of    int     // draws that were used
	InUse bool    // enough draws agree: it may replace the configured value
}

// Learner finds the thermal time constant τ from how pV recovers after a
// draw: S - pV dies as exp(-t/τ), whatever the draw itself was like. A draw
// counts if it took at least 5 % of the gas volume, began settled (5 τ
// without an event) and was followed by at least 2 τ without an event. It
// holds a fixed amount of memory, does not allocate in a step and is not safe
// for concurrent use.
type Learner struct {
	guess float64 // s, τ to judge settling and recovery by
	taus  [draws]float64
	count int

	quiet       float64 // s since the last event
	slow, fast  float64 // m³, smoothed gas volume
	phase       learning
	startVolume float64 // m³, before the draw
	settledAt   bool    // the draw began settled
	still       float64 // s since the volume stopped growing
	top         float64 // m³, highest smoothed volume of the draw

	width   float64 // s of a bin
	filled  int
	samples [bins]float64 // mean pV
	times   [bins]float64 // s after the draw, mean
	sum     float64
	at      float64
	inBin   int
	since   float64
}

// learning is where a Learner stands.
type learning uint8

const (
	waiting learning = iota
	drawing
	recovering
)

// NewLearner begins with nothing learned. guess is the configured τ in s, by
// which settling and recovery are judged; 0 takes 120.
func NewLearner(guess float64) *Learner {
	if !(guess > 0) || math.IsInf(guess, 0) {
		guess = 120
	}
	return &Learner{guess: guess}
}

// Step looks at the next readings, dt s after the ones before: gas volume in
// m³, pressure in Pa absolute, and whether anything but a draw moved the gas
// (a pump or compressor ran, a reading was missing).
func (l *Learner) Step(dt, volume, pressure float64, disturbed bool) {
	if disturbed || !(volume > 0) || !(pressure > 0) || !(dt > 0) || dt > l.guess/10 {
		l.finish()
		l.quiet, l.slow, l.fast = 0, 0, 0
		return
	}
	if l.slow == 0 {
		l.slow, l.fast = volume, volume
	}
	l.fast += float64((volume - l.fast) * math.Min(1, dt/fastSmoothing))
	switch l.phase {
	case waiting:
		l.wait(dt)
	case drawing:
		l.draw(dt)
	case recovering:
		l.recover(dt, volume, pressure)
	}
}

// wait looks for a draw to begin.
func (l *Learner) wait(dt float64) {
	moved := l.fast/l.slow - 1
	if moved > visible {
		l.phase = drawing
		l.settledAt = l.quiet >= forgetting*l.tau()
		l.startVolume, l.top, l.still = l.slow, l.fast, 0
		return
	}
	if moved < -visible {
		l.quiet, l.slow = 0, l.fast
		return
	}
	l.quiet += dt
	l.slow += float64((l.fast - l.slow) * math.Min(1, dt/quietSmoothing))
}

// draw waits for the volume to stand still.
func (l *Learner) draw(dt float64) {
	if l.fast > l.top*(1+visible/5) {
		l.top, l.still = l.fast, 0
		return
	}
	l.still += dt
	if l.still < 3*fastSmoothing {
		return
	}
	if !l.settledAt || l.fast/l.startVolume-1 < leastDraw {
		l.quiet, l.slow, l.phase = 0, l.fast, waiting
		return
	}
	l.phase = recovering
	l.slow = l.fast
	l.width = mostTaus * l.tau() / bins
	l.filled, l.sum, l.at, l.inBin, l.since = 0, 0, 0, 0, 0
}

// recover collects pV in bins until it is full or something happens.
func (l *Learner) recover(dt, volume, pressure float64) {
	if moved := l.fast/l.slow - 1; moved > visible || moved < -visible {
		l.finish()
		l.quiet, l.slow = 0, l.fast
		return
	}
	l.since += dt
	l.quiet += dt
	l.sum += float64(pressure * volume)
	l.at += l.since
	l.inBin++
	if l.since < float64(l.filled+1)*l.width {
		return
	}
	n := float64(l.inBin)
	l.samples[l.filled], l.times[l.filled] = l.sum/n, l.at/n
	l.filled++
	l.sum, l.at, l.inBin = 0, 0, 0
	if l.filled == bins {
		l.finish()
	}
}

// finish judges a recovery, if one is under way, and goes back to waiting.
func (l *Learner) finish() {
	if l.phase == recovering && l.since >= recoverTaus*l.tau() {
		if tau, ok := l.fit(); ok && l.since >= recoverTaus*tau {
			l.keep(tau)
		}
	}
	l.phase, l.filled = waiting, 0
}

func (l *Learner) keep(tau float64) {
	if l.count == draws {
		copy(l.taus[:], l.taus[1:])
		l.count--
	}
	l.taus[l.count] = tau
	l.count++
}

// tau is the best τ known so far.
func (l *Learner) tau() float64 {
	if k := l.Learned(); k.InUse {
		return k.Tau
	}
	return l.guess
}

// Learned is what the draws so far have shown.
func (l *Learner) Learned() Learned {
	if l.count == 0 {
		return Learned{}
	}
	var sorted [draws]float64
	copy(sorted[:], l.taus[:l.count])
	s := sorted[:l.count]
	slices.Sort(s)
	k := Learned{Tau: (s[(l.count-1)/2] + s[l.count/2]) / 2, Band: leastBand, Of: l.count}
	for _, tau := range s {
		if off := math.Abs(tau/k.Tau - 1); off <= agreement {
			k.Draws++
			k.Band = math.Max(k.Band, off)
		}
	}
	k.InUse = k.Draws >= enoughDraws && 4*k.Draws >= 3*k.Of
	return k
}

// Reset forgets everything that was learned.
func (l *Learner) Reset() { *l = *NewLearner(l.guess) }

// State is what to save.
func (l *Learner) State() LearnerState {
	return LearnerState{Taus: append([]float64(nil), l.taus[:l.count]...)}
}

// Restore goes on from a saved state; the draw under way is lost.
func (l *Learner) Restore(s LearnerState) {
	l.Reset()
	for _, tau := range s.Taus {
		if tau > 0 && !math.IsInf(tau, 0) {
			l.keep(tau)
		}
	}
}
