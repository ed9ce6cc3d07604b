package leak

import "math"

// InventoryState is what a restart needs of the oil inventory.
type InventoryState struct {
	Points [36]Point `json:"points"` // ten minutes each, at s of watched time
	Count  int       `json:"count"`
}

// inventory adds tank, sump and cylinders at 15 °C: what goes missing has
// left the system.
type inventory struct {
	cfg   *Config
	state InventoryState
	liner *liner
	sum   average
	lost  Decline
	since float64 // s, watched time since it has been over the limit; 0: it is not
	total float64 // m³ at 15 °C; 0: not known
	blind float64 // s without one of its readings; 0: all are there
}

// now is the inventory at present, m³; 0 while one of its readings is missing:
// the last figure is not the present one.
func (v *inventory) now() float64 {
	if v.blind > 0 {
		return 0
	}
	return v.total
}

// piece is the length of a mean, s.
const piece = 600.0

func (v *inventory) step(s *Scan, age float64) bool {
	if v.cfg.SumpArea <= 0 {
		return false
	}
	if !s.Read || !s.SumpRead {
		if v.blind += s.Seconds; v.blind > piece {
			v.total = 0
			v.sum.reset()
		}
		return false
	}
	v.blind = 0
	if s.Moving {
		return false
	}
	// The sump's oil is taken to be as warm as the tank's.
	v.sum.add(float64((s.Oil+float64(s.Sump*v.cfg.SumpArea)+s.Cylinders)*s.Warmth), s.Seconds, math.Inf(1))
	if v.sum.seconds < piece {
		return false
	}
	v.total = v.sum.value
	push(v.state.Points[:], &v.state.Count, Point{age, v.sum.value})
	v.sum.reset()
	v.judge(age, s)
	return true
}

// judge draws the line over the last six hours of pieces, or over the last two
// where they already show a leak beyond doubt.
func (v *inventory) judge(age float64, s *Scan) {
	v.lost = v.over(age, s, 6*3600, 12)
	if d := v.over(age, s, 2*3600, 9); d.Known && d.Rate-d.Band > 2*v.cfg.OilLimit {
		v.lost = d
	}
	switch {
	case !v.lost.Known || v.lost.Rate-v.lost.Band < v.cfg.OilLimit:
		v.since = 0
	case v.since == 0:
		v.since = age
	}
}

func (v *inventory) over(age float64, s *Scan, seconds float64, least int) Decline {
	st := &v.state
	first := 0
	for first < st.Count && age-st.Points[first].At > seconds {
		first++
	}
	p := st.Points[first:st.Count]
	if len(p) < least {
		return Decline{}
	}
	slope, err := v.liner.line(p)
	span := p[len(p)-1].At - p[0].At
	kelvin := 0.75 // by which the oil's temperature may be misjudged
	if !s.Warm {
		kelvin = 1.5
	}
	return Decline{Rate: -slope, Seconds: span, Windows: len(p), Known: true,
		Band: float64(2*err) + v.total*7e-4*kelvin/span}
}
