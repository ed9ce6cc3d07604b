package machine

import (
	"math"

	"strokebank/sensors/signal"
)

// checks hold the panel's counters against the program's count.
type checks struct {
	Starts against `json:"starts"`
	Run    against `json:"run"`
}

// against is one counter of the panel beside ours, since they were first seen
// together. Difference is how much more the panel has counted.
type against struct {
	Set        bool    `json:"set"`
	Offset     float64 `json:"offset"`
	Last       float64 `json:"last"`
	Difference float64 `json:"difference"`
}

// take holds the panel's figure against ours. One that went back was reset or
// exchanged: from there on the two go on with the difference that was seen.
func (a *against) take(r signal.Reading, ours float64) {
	if !r.Known() {
		return
	}
	if !a.Set || r.Value < a.Last {
		a.Set, a.Offset = true, r.Value-ours-a.Difference
	}
	a.Last = r.Value
	a.Difference = r.Value - ours - a.Offset
}

func (a *against) ahead() signal.Number {
	if !a.Set {
		return signal.Unknown()
	}
	return signal.Number(a.Difference)
}

// check compares once a machine stands still.
func (m *member) check(s *Signals) {
	if m.state != Stopped {
		return
	}
	m.Checks.Starts.take(s.StartCounter, float64(m.Totals.Starts))
	m.Checks.Run.take(s.HourMeter, math.Round(m.Totals.Run.Seconds()))
}
