package work

import (
	"math"
	"time"

	"strokebank/sensors/signal"
)

const (
	// sumpPart of the highest level that the sump was seen at is low, where the
	// site gives no limit; common practice, no source.
	sumpPart   = 0.6
	sumpSmooth = 60.0   // s
	sumpLearn  = 3600.0 // s
)

// Sump keeps the sump's level. Its JSON form is what a restart needs.
type Sump struct {
	Level   float64 `json:"level"`   // smoothed, m
	Slow    float64 `json:"slow"`    // mean of an hour with the tank filled, m
	Highest float64 `json:"highest"` // that Slow has been, m
	Seconds float64 `json:"seconds"` // watched

	last signal.Reading
}

// Take takes one reading in, dt after the one before. filled: the tank is known
// to hold what the pumps keep in it. What has run out of it stands in the sump
// until they raise it again, and is no measure of how full the sump should be.
func (s *Sump) Take(r signal.Reading, dt time.Duration, filled bool) {
	s.last = r
	if !r.Known() {
		return
	}
	if s.Seconds == 0 {
		s.Level = r.Value
	}
	x := dt.Seconds()
	s.Level += float64((r.Value - s.Level) * -math.Expm1(-x/sumpSmooth))
	s.Seconds += x
	if !filled {
		return
	}
	if s.Highest == 0 {
		s.Slow = r.Value
	}
	s.Slow += float64((r.Value - s.Slow) * -math.Expm1(-x/sumpLearn))
	s.Highest = max(s.Highest, s.Slow)
}

// Reading is the smoothed level, as good as the last reading.
func (s *Sump) Reading() signal.Reading { return signal.Derive(s.Level, signal.Metre, s.last) }

// Limit is the level under which the sump is low, m, where the site gives none.
func (s *Sump) Limit() float64 { return sumpPart * s.Highest }

const (
	// FilterLimit is the differential pressure, Pa, at which a return filter is
	// taken as clogged where the site gives no limit; common practice, no
	// source.
	FilterLimit = 0.9e5
	flowing     = 0.05e5 // Pa, over this oil flows through the filter
	between     = 30.0   // s without flow end a stroke
)

// Filter keeps the highest differential pressure of the last two flows through
// the return filter: at rest there is none to be seen. Its JSON form is what a
// restart needs.
type Filter struct {
	Peak  float64    `json:"peak"` // Pa, of the flow under way
	Last  [2]float64 `json:"last"` // newest first
	Flows int        `json:"flows"`
	Still float64    `json:"still_seconds"`

	last signal.Reading
}

// Take takes one reading in, dt after the one before.
func (f *Filter) Take(r signal.Reading, dt time.Duration) {
	f.last = r
	switch {
	case !r.Known():
		return
	case r.Value > flowing:
		f.Peak, f.Still = max(f.Peak, r.Value), 0
		return
	case f.Peak == 0:
		return
	}
	if f.Still += dt.Seconds(); f.Still < between {
		return
	}
	f.Last[1], f.Last[0] = f.Last[0], f.Peak
	f.Peak, f.Still = 0, 0
	f.Flows = min(f.Flows+1, 2)
}

// Reading is the lower of the last two flows' peaks, as good as the last
// reading: one valve that moves beside another one is no clogged filter. Two
// flows are needed; before them it is 0.
func (f *Filter) Reading() signal.Reading {
	v := 0.0
	if f.Flows == 2 {
		v = min(f.Last[0], f.Last[1])
	}
	return signal.Derive(v, signal.Pascal, f.last)
}
