package trend

import (
	"errors"
	"fmt"
	"math"
	"time"

	"strokebank/sensors/signal"
)

// The thresholds of a machine's health. Ordinary ones lie when they are looked
// at every day: see TestOrdinaryThresholdsLie. Common practice, no source,
// where no other is named.
const (
	// MinLoss is the smallest loss of output that is ever announced.
	MinLoss = 0.05
	// minZ is the least Mann-Kendall and level z of a drift that is announced.
	minZ = 3.5
	// minRunLength is the mean number of fills of a healthy machine between
	// two false step alarms, with neighbouring fills correlated by
	// autocorrelation.
	minRunLength    = 1e5
	autocorrelation = 0.5
	// MostUncertainty is the largest relative uncertainty of a fill that counts.
	MostUncertainty = 0.02
)

const (
	smoothing = 0.2 // λ of the average that is shown

	// The step's CUSUM sums what lies under 1 - MinLoss: a healthy machine may
	// even live half a σ above that limit and still runs minRunLength.
	closest = 0.5
	// The sum is held at this part of its limit, so that it comes back.
	most = 1.5
	// Under this part of its limit the sum is quiet.
	quiet = 0.1
	// So many fills before the sum became loud and after it tell a step from a
	// slow fall.
	around = 8
	// No single fill moves the sum by more than a third of the limit.
	single = 3

	absurd = 10 // times the baseline: no measurement of a flow

	noises     = 32    // differences between neighbours from which σ is taken
	fewNoises  = 8     // before that many σ is startNoise
	startNoise = 0.02  // relative
	leastNoise = 0.005 // relative
	mostNoise  = 0.03  // relative

	// A drift is announced once it has been straight for that long and the 95 %
	// interval of its date is no wider than that, or no time is left to wait.
	leastBent = 16  // days
	sharpDays = 8   // days
	sharp     = .25 // of the time left
	soon      = 18  // days left
)

// Forecast is when a line falls under a limit, with its interval.
type Forecast struct {
	Known  bool      `json:"known"`
	Reason string    `json:"reason,omitempty"` // why it is not
	At     time.Time `json:"at,omitzero"`
	Early  time.Time `json:"early,omitzero"`
	Late   time.Time `json:"late,omitzero"`
}

// Verdict is the health of one machine. Ratios are to its baseline.
type Verdict struct {
	Fills    int64         `json:"fills"`    // that counted since the baseline
	Days     int           `json:"days"`     // on which the line stands
	Smoothed signal.Number `json:"smoothed"` // EWMA of the ratio
	Noise    signal.Number `json:"noise"`    // standard deviation of one fill, ratio

	Step   bool      `json:"step"`             // output fell at once by MinLoss or more, and stays there
	StepAt time.Time `json:"step_at,omitzero"` // the first fill of the fall, while Step

	Drift     bool          `json:"drift"`         // output falls steadily, MinLoss or more is gone
	Slope     signal.Number `json:"slope_per_day"` // ratio per day
	SlopeLow  signal.Number `json:"slope_low"`     // 95 % limits
	SlopeHigh signal.Number `json:"slope_high"`
	Level     signal.Number `json:"level"` // the line on its last day
	Z         signal.Number `json:"z"`     // Mann-Kendall, of the same days
	Reason    string        `json:"reason,omitempty"`

	Forecast Forecast `json:"forecast"`
}

// HealthState is everything that a Health remembers, as plain JSON of bounded
// size (about 3 kB).
type HealthState struct {
	Average EWMA  `json:"average"`
	Sum     CUSUM `json:"sum"`
	Days    Days  `json:"days"`

	Diffs [noises]float64 `json:"diffs"` // between neighbours, absolute
	Last  [around]float64 `json:"last"`  // ratios, newest at (Fills-1) % around
	Fall  fall            `json:"fall"`
	Fills int64           `json:"fills"`
	Step  bool            `json:"step"`
	Drift bool            `json:"drift"`
}

// Health judges the output of one machine from its fills or charges. It needs
// about 70 kB. Update does not allocate. Not safe for concurrent use.
type Health struct {
	limit    float64 // ratio under which the machine has failed
	decision float64 // of the step's sum
	state    HealthState
	finder   drift
	line     Line
	test     Kendall
	verdict  Verdict
}

// NewHealth begins a machine with a fresh baseline. limit is the ratio to the
// baseline under which it counts as failed, in (0, 1), such as 0.7.
func NewHealth(limit float64) (*Health, error) {
	if !(limit > 0 && limit < 1) {
		return nil, fmt.Errorf("the limit of a machine's output is %v of its baseline, it must be between 0 and 1", limit)
	}
	h, ok := DecisionLimit(closest, minRunLength, autocorrelation)
	if !ok {
		return nil, errors.New("no decision limit for the thresholds of health")
	}
	m := &Health{limit: limit, decision: h}
	m.Reset()
	return m, nil
}

// Update takes in one fill: its time from a trusted clock, its corrected flow
// over the baseline and the relative standard uncertainty of that. A fill that
// is no finite number, ten times the baseline or more, or more uncertain than
// MostUncertainty does not count and changes nothing; counted says so. When a day (UTC) has ended the drift is
// looked at anew, which takes a few tenths of a millisecond.
func (h *Health) Update(at time.Time, ratio, uncertainty float64) (counted bool) {
	if !finite(ratio, uncertainty) || ratio < 0 || ratio >= absurd || uncertainty < 0 || uncertainty > MostUncertainty {
		return false
	}
	s := &h.state
	h.learnNoise(ratio)
	h.stepSum(at, ratio, math.Max(h.noise(), uncertainty))
	s.Average.Update(ratio, smoothing)
	s.Last[s.Fills%around] = ratio
	s.Fills++
	if s.Days.add(at, ratio) {
		h.line, h.test = h.finder.find(&s.Days)
		h.judgeDrift()
	}
	h.judge()
	return true
}

// Verdict is the health after the last Update.
func (h *Health) Verdict() Verdict { return h.verdict }

// Reset forgets everything: the baseline was set anew, as after a repair.
func (h *Health) Reset() {
	h.state, h.line, h.test = HealthState{}, Line{Reason: tooFew}, Kendall{Reason: tooFew}
	h.judge()
}

// Save returns the state to keep over a restart.
func (h *Health) Save() HealthState { return h.state }

// Restore goes on from a saved state, and gives the verdict that it had.
func (h *Health) Restore(s HealthState) error {
	if !s.Days.sound() || s.Fills < 0 || s.Sum.UpCount < 0 || s.Sum.DownCount < 0 || s.Fall.Len < 0 || s.Fall.Len > around ||
		!finite(s.Average.Value, s.Sum.Up, s.Sum.Down, s.Fall.Before) ||
		!finite(s.Diffs[:]...) || !finite(s.Last[:]...) || !finite(s.Fall.After[:]...) {
		return errors.New("the saved state of a machine's health is damaged")
	}
	h.state = s
	h.line, h.test = h.finder.find(&h.state.Days)
	h.judge()
	return nil
}
