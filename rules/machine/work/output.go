package work

import (
	"math"
	"slices"
	"time"

	"strokebank/rules/trend"
	"strokebank/sensors/signal"
)

const (
	// learnFrom is how many good runs make a baseline.
	learnFrom = 5
	// Limit is the part of its baseline under which a machine has failed.
	Limit = 0.7

	// Two runs in a row that surely lack this part of the baseline are a loss
	// that does not wait for the statistics; against the rating, which the
	// machine may never have had exactly, it is more. Common practice, no
	// source.
	grossLoss   = 0.10
	ratingLoss  = 0.25
	grossReturn = 0.05
	// A machine that surely gives less than this part while it runs delivers
	// nothing; one that surely gives twice as much does again.
	nothing = 0.25
)

// OutputState is all that an Output remembers, as plain JSON.
type OutputState struct {
	Serial   string             `json:"serial,omitempty"`
	Baseline float64            `json:"baseline"` // m³/s; 0: not learned yet
	Learned  int                `json:"learned"`  // runs taken in for it
	Values   [learnFrom]float64 `json:"values"`
	Low      int                `json:"low"` // runs in a row that lack too much
	Well     int                `json:"well"`
	Gross    bool               `json:"gross"`
	Nothing  bool               `json:"nothing"`
	Last     float64            `json:"last"` // corrected flow of the last run that counted
	LastU    float64            `json:"last_uncertainty"`
	Health   *trend.HealthState `json:"health,omitempty"`
}

// Output judges how much one machine delivers against its baseline.
type Output struct {
	rating float64
	fixed  float64 // baseline from the configuration; 0: learned
	state  OutputState
	health *trend.Health
}

// NewOutput begins with nothing learned. rating is the machine's rating, m³/s,
// 0 where it is not known; baseline, where above 0, is taken instead of
// learning one.
func NewOutput(rating, baseline float64) (*Output, error) {
	h, err := trend.NewHealth(Limit)
	if err != nil {
		return nil, err
	}
	o := &Output{rating: rating, fixed: baseline, health: h}
	o.Rebaseline("")
	return o, nil
}

// Rebaseline forgets what the machine has done: after a repair, or because
// another individual, with this serial number, stands there now. The next good
// runs make a new baseline.
func (o *Output) Rebaseline(serial string) {
	o.state = OutputState{Serial: serial, Baseline: o.fixed}
	o.health.Reset()
}

// Due is the corrected flow that the machine should have, m³/s: its baseline,
// or its rating as long as there is none, or 0.
func (o *Output) Due() float64 {
	if o.state.Baseline > 0 {
		return o.state.Baseline
	}
	return o.rating
}

// Take takes in a run that counts: its corrected flow, m³/s, and its relative
// uncertainty. at is the wall clock; a run whose time nobody knows (trusted is
// false) is judged but enters no trend.
func (o *Output) Take(at time.Time, trusted bool, flow, uncertainty float64) {
	s := &o.state
	s.Last, s.LastU = flow, uncertainty
	o.gross(flow, uncertainty)
	switch {
	case s.Baseline == 0:
		o.learn(flow)
	case trusted:
		// More than that the statistics do not take; how much the runs really
		// scatter they learn from them.
		o.health.Update(at, math.Max(0, flow/s.Baseline), math.Min(uncertainty, MostUncertainty))
	}
}

// learn makes the baseline from the median of the first good runs. From a
// machine that lacks much of its rating nothing is learned.
func (o *Output) learn(flow float64) {
	s := &o.state
	if s.Gross || s.Low > 0 {
		return
	}
	s.Values[s.Learned] = flow
	if s.Learned++; s.Learned == learnFrom {
		v := s.Values
		slices.Sort(v[:])
		s.Baseline = v[learnFrom/2]
	}
}

// gross looks for a loss that two runs in a row show.
func (o *Output) gross(flow, u float64) {
	s := &o.state
	low, well := false, true
	for _, c := range [...]struct{ due, loss float64 }{{s.Baseline, grossLoss}, {o.rating, ratingLoss}} {
		if c.due > 0 {
			lost := 1 - flow/c.due
			low = low || lost-float64(sure*u) > c.loss
			well = well && lost < c.loss-grossReturn
		}
	}
	s.Low, s.Well = count(s.Low, low), count(s.Well, well)
	switch {
	case s.Low >= 2:
		s.Gross = true
	case s.Well >= 2:
		s.Gross = false
	}
	o.Watch(flow, u*o.Due())
}

func count(n int, on bool) int {
	if !on {
		return 0
	}
	return min(n+1, 2)
}

// Watch takes in the net flow of a run under way, m³/s with its standard
// error, so that a machine that delivers nothing is found while it runs. It
// reports that the verdict has changed.
func (o *Output) Watch(flow, sigma float64) bool {
	due, was := o.Due(), o.state.Nothing
	if !(due > 0) {
		return false
	}
	switch {
	case flow+float64(sure*sigma) < nothing*due:
		o.state.Nothing = true
	case flow-float64(sure*sigma) > 2*nothing*due:
		o.state.Nothing = false
	}
	return o.state.Nothing != was
}

// Verdict is what is known of one machine's output. Flows m³/s, corrected.
type Verdict struct {
	Position string        `json:"position"`
	Rating   signal.Number `json:"rating_cubic_meters_per_second"`
	Baseline signal.Number `json:"baseline_cubic_meters_per_second"` // unknown: not learned yet
	Learned  int           `json:"baseline_runs"`
	Last     signal.Number `json:"last_cubic_meters_per_second"`
	LastBand signal.Number `json:"last_uncertainty_ratio"`
	Ratio    signal.Number `json:"last_ratio"` // of the baseline or, without one, the rating
	Low      bool          `json:"low_output"`
	Falling  bool          `json:"output_falling"`
	Nothing  bool          `json:"delivers_nothing"`
	Trend    trend.Verdict `json:"trend"`
}

// Verdict is the present view of the machine at a position.
func (o *Output) Verdict(position string) Verdict {
	s, t, no := &o.state, o.health.Verdict(), signal.Unknown()
	v := Verdict{Position: position, Rating: no, Baseline: no, Last: no, LastBand: no, Ratio: no,
		Learned: s.Learned, Trend: t, Low: s.Gross || t.Step, Falling: t.Drift, Nothing: s.Nothing}
	if o.rating > 0 {
		v.Rating = signal.Number(o.rating)
	}
	if s.Baseline > 0 {
		v.Baseline = signal.Number(s.Baseline)
	}
	if s.LastU > 0 {
		v.Last, v.LastBand = signal.Number(s.Last), signal.Number(s.LastU)
		if due := o.Due(); due > 0 {
			v.Ratio = signal.Number(s.Last / due)
		}
	}
	return v
}

// Save is the state to keep over a restart.
func (o *Output) Save() OutputState {
	s := o.state
	h := o.health.Save()
	s.Health = &h
	return s
}

// Restore goes on from a saved state of the individual with this serial
// number; that of another one is left alone, and so is one that is damaged.
func (o *Output) Restore(s OutputState, serial string) {
	another := s.Serial != "" && serial != "" && s.Serial != serial
	if another || !(s.Baseline >= 0) || s.Learned < 0 || s.Learned > learnFrom {
		o.state.Serial = serial
		return
	}
	if s.Health != nil && o.health.Restore(*s.Health) != nil {
		o.health.Reset()
	}
	s.Health, s.Serial = nil, serial
	if s.Learned == learnFrom && s.Baseline == 0 {
		s.Learned = 0
	}
	o.state = s
	if o.fixed > 0 {
		o.state.Baseline = o.fixed
	}
}
