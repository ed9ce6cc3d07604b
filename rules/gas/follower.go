package gas

import (
	"errors"
	"fmt"
	"math"
)

// FollowerConfig is what following the gas needs to know of the unit.
type FollowerConfig struct {
	Tau     float64    // s, best estimate of τ
	TauLow  float64    // s, its lower bound; 0: Tau/4
	TauHigh float64    // s, its upper bound; 0: Tau*4
	Air     [2]float64 // m³/s of free air that each compressor gives
	MaxGap  float64    // s, longest time between two steps that is no gap; 0: 10
}

// FollowerState is all that a Follower remembers, to be saved and restored.
type FollowerState struct {
	Theta   float64 `json:"theta"`           // with Tau
	Low     float64 `json:"theta_low"`       // lowest of the bounds
	High    float64 `json:"theta_high"`      // highest of the bounds
	Bound   float64 `json:"theta_bound"`     // with the other end of τ
	Doubt   float64 `json:"theta_doubt"`     // ± left from the last gap
	Volume  float64 `json:"volume_m3"`       // of the last step; 0: no step yet
	Settled float64 `json:"settled_joules"`  // S = pV/θ
	Unknown float64 `json:"unknown_seconds"` // until θ is known again
}

// Follower keeps the gas temperature ratio θ and the settled product S from
// the measured gas volume and pressure and the compressors' contacts. It is a
// plain state machine: not safe for concurrent use, and a step does not
// allocate.
type Follower struct {
	config FollowerConfig
	state  FollowerState
}

// afterGap is how far θ may be from 1 after a time that nobody watched: 40 K
// at a wall of -6 °C (*common practice, no source*).
const afterGap = 0.15

// forgetting is the number of τ after which the gas has forgotten a gap.
const forgetting = 5

// warmIntake is by how much the air from a compressor may be warmer than the
// wall, as a ratio: about 30 K (*common practice, no source*).
const warmIntake = 1.1

// NewFollower begins with an unknown gas temperature.
func NewFollower(c FollowerConfig) (*Follower, error) {
	if c.MaxGap == 0 {
		c.MaxGap = 10
	}
	if !(c.MaxGap > 0) || !(c.Air[0] >= 0) || !(c.Air[1] >= 0) {
		return nil, errors.New("gas: longest gap and free air must not be negative")
	}
	f := &Follower{config: c}
	if err := f.SetTau(c.Tau, c.TauLow, c.TauHigh); err != nil {
		return nil, err
	}
	f.Gap()
	return f, nil
}

// SetTau changes the time constant and its bounds, s; a bound of 0 is taken
// as a quarter of tau, or four times it.
func (f *Follower) SetTau(tau, low, high float64) error {
	if !(tau > 0) || math.IsInf(tau, 0) {
		return fmt.Errorf("gas: τ is %v s: it must be more than 0 and finite", tau)
	}
	if low == 0 {
		low = tau / 4
	}
	if high == 0 {
		high = tau * 4
	}
	if !(low > 0 && low <= tau && high >= tau) || math.IsInf(high, 0) {
		return fmt.Errorf("gas: the bounds of τ, %v to %v s, do not hold %v s between them", low, high, tau)
	}
	f.config.Tau, f.config.TauLow, f.config.TauHigh = tau, low, high
	return nil
}

// Gap forgets the gas temperature: it is unknown for the next 5 τ.
func (f *Follower) Gap() {
	f.state.Theta, f.state.Low, f.state.High, f.state.Bound = 1, 1, 1, 1
	f.state.Doubt, f.state.Unknown = afterGap, forgetting*f.config.Tau
	f.state.Volume = 0
}

// Step follows the gas over the last dt s to its measured volume, m³, and
// pressure, Pa absolute, with atmosphere in Pa absolute and the compressors'
// contacts. A step later than MaxGap after the one before counts as a gap, so
// that readings that are bad are simply not stepped with. Volumes and
// pressures that are not above 0 are ignored.
func (f *Follower) Step(dt, volume, pressure, atmosphere float64, compressors [2]bool) {
	if !(volume > 0) || !(pressure > 0) || !(dt >= 0) || math.IsInf(volume, 0) || math.IsInf(pressure, 0) {
		return
	}
	s := &f.state
	if dt > f.config.MaxGap || s.Volume == 0 {
		f.Gap()
		s.Volume, s.Settled = volume, pressure*volume
		return
	}
	air := 0.0
	for i, on := range compressors {
		if on {
			air += f.config.Air[i]
		}
	}
	added := 0.0
	if s.Settled > 0 {
		added = air * atmosphere * dt / s.Settled // dm/m, the wall's temperature taken as the ambient one
	}
	c := &f.config
	s.Theta = follow(s.Theta, s.Volume, volume, dt, c.Tau, added, 1)
	s.Low = follow(s.Low, s.Volume, volume, dt, c.TauLow, added, 1)
	s.High = follow(s.High, s.Volume, volume, dt, c.TauHigh, added, warmIntake)
	s.Bound = follow(s.Bound, s.Volume, volume, dt, c.TauLow, added, warmIntake)
	s.Doubt *= Rest(2, dt, c.TauHigh) - 1
	s.Volume = volume
	s.Settled = pressure * volume / s.Theta
	s.Unknown = math.Max(0, s.Unknown-dt)
}

// follow is θ after a step in which the mass grows by the part added, with
// air at intake times the wall's temperature.
func follow(theta, v0, v1, dt, tau, added, intake float64) float64 {
	theta = Expand(theta, v0, v1, dt, tau)
	return (theta + float64(added*Gamma*intake)) / (1 + added)
}

// Theta is the gas temperature over the wall temperature, and its ± band from
// the bounds of τ and what is left of the last gap. Where known is false it is
// less than 5 τ since a gap; θ is then 1 and the band what it can be.
func (f *Follower) Theta() (theta, band float64, known bool) {
	s := &f.state
	high := math.Max(s.High, math.Max(s.Low, s.Bound))
	low := math.Min(s.High, math.Min(s.Low, s.Bound))
	band = math.Max(0, math.Max(high-s.Theta, s.Theta-low)) + s.Doubt
	return s.Theta, band, s.Unknown == 0 && s.Volume > 0
}

// Settled is S = pV/θ, J: what pV will be once the gas has the wall's
// temperature. It changes only as air comes or goes.
func (f *Follower) Settled() (s float64, known bool) {
	return f.state.Settled, f.state.Unknown == 0 && f.state.Volume > 0
}

// State is what to save.
func (f *Follower) State() FollowerState { return f.state }

// Restore goes on from a saved state that is age s old. One older than
// MaxGap, or one that cannot be, is a gap.
func (f *Follower) Restore(s FollowerState, age float64) {
	sound := s.Volume > 0 && s.Settled > 0 && s.Doubt >= 0 && s.Unknown >= 0 && age >= 0 && age <= f.config.MaxGap
	for _, theta := range [4]float64{s.Theta, s.Low, s.High, s.Bound} {
		sound = sound && theta > 0.3 && theta < 3
	}
	if !sound {
		f.Gap()
		return
	}
	f.state = s
}
