package leak

import "math"

// AirState is what a restart needs of the air's decline.
type AirState struct {
	Hours  [mostPoints]Point `json:"hours"` // at s of watched idle time, J
	HourN  int               `json:"hour_count"`
	Days   [40]Point         `json:"days"`
	DayN   int               `json:"day_count"`
	Idle   float64           `json:"idle_seconds"`
	Offset float64           `json:"offset_joules"`
	Held   float64           `json:"held_joules"` // where the series stood; 0: not begun
}

// AirDecline is the part of the air that is lost a day, with its ± band.
type AirDecline struct {
	Rate, Band float64
	Days       float64 // of data behind it
	Known      bool
}

// air follows S over days. What the compressors added is taken off by going
// on, once the gas has settled again, from where S stood before; what went
// away dissolved in fresh oil is added back.
type air struct {
	cfg   *Config
	state AirState
	liner *liner

	recent    average // of the series, the last ten minutes
	entry     average // of S after a disturbance, not joined yet
	quiet     float64 // s since the last disturbance
	hour, day average
	at        [2]average // idle time of the open hour and day
	joined    bool
	wall      bool

	result AirDecline
}

const (
	smooth     = 600.0 // s over which S is averaged where the series is joined
	wallKelvin = 288.15
)

// dissolve adds back the air that oil pumped into the tank takes up.
func (a *air) dissolve(oil float64, s *Scan) {
	a.state.Offset += float64(a.cfg.Dissolved*oil) * math.Max(0, s.Pressure-s.Atmosphere)
}

// part ends the series until the gas has settled again.
func (a *air) part() {
	if a.joined && a.recent.n > 0 {
		a.state.Held = a.recent.value
	}
	a.joined, a.quiet = false, 0
	a.entry.reset()
}

// step takes a scan in. It reports that the figures have changed.
func (a *air) step(s *Scan) bool {
	if !s.Read || !s.Follows || s.Compressors || a.cfg.Highest > 0 && s.Gauge > a.cfg.Highest {
		a.part()
		return false
	}
	v := s.Settled
	a.wall = s.Wall > 0
	if a.wall {
		v *= wallKelvin / s.Wall
	}
	a.quiet += s.Seconds
	if !a.joined {
		a.join(v, s.Seconds)
		return false
	}
	st := &a.state
	st.Idle += s.Seconds
	v += st.Offset
	a.recent.add(v, s.Seconds, smooth)
	a.hour.add(v, s.Seconds, math.Inf(1))
	a.day.add(v, s.Seconds, math.Inf(1))
	a.at[0].add(st.Idle, s.Seconds, math.Inf(1))
	a.at[1].add(st.Idle, s.Seconds, math.Inf(1))
	if a.hour.seconds < 3600 {
		return false
	}
	push(st.Hours[:], &st.HourN, Point{a.at[0].value, a.hour.value})
	a.hour.reset()
	a.at[0].reset()
	if a.day.seconds >= day {
		push(st.Days[:], &st.DayN, Point{a.at[1].value, a.day.value})
		a.day.reset()
		a.at[1].reset()
	}
	a.judge()
	return true
}

// join goes on from where the series stood.
func (a *air) join(v, dt float64) {
	if a.quiet < a.cfg.Settling {
		return
	}
	a.entry.add(v, dt, math.Inf(1))
	if a.entry.seconds < smooth {
		return
	}
	if a.state.Held != 0 {
		a.state.Offset = a.state.Held - a.entry.value
	}
	a.joined = true
	a.recent.reset()
	a.recent.add(a.entry.value+a.state.Offset, smooth, smooth)
}

// judge takes the daily means from seven days on, and before that the hourly
// ones, with what the weather can do in the time: a kelvin moves S by 1/290.
func (a *air) judge() {
	st := &a.state
	short := a.over(st.Hours[:st.HourN], 1, 0.005, 0.05)
	days := st.Days[:st.DayN]
	long := a.over(days, a.liner.persistence(days), 0.003, 0.025)
	a.result = short
	if long.Known && long.Days >= 3 && !(short.Known && short.Band < long.Band) {
		a.result = long
	}
}

// lately is how fast S changes over the last hours, J/s, positive upwards;
// not known without three hours in a row.
func (a *air) lately() (rate float64, known bool) {
	st := &a.state
	n := min(st.HourN, 4)
	p := st.Hours[st.HourN-n : st.HourN]
	if n < 3 || p[n-1].At-p[0].At > float64(n)*3600 {
		return 0, false
	}
	slope, _ := a.liner.line(p)
	return slope, true
}

// forget drops what was collected: an instrument has moved.
func (a *air) forget() {
	a.part()
	a.state.HourN, a.state.DayN = 0, 0
	a.hour.reset()
	a.day.reset()
	a.at = [2]average{}
	a.result = AirDecline{}
}

// over is the decline along the points, whose error is so many times that of
// independent ones; the last two arguments are by how much the gas temperature
// may have moved S over the whole, with the wall's temperature measured and
// without (common practice, no source).
func (a *air) over(p []Point, times, wall, without float64) AirDecline {
	if len(p) < 4 {
		return AirDecline{}
	}
	slope, err := a.liner.line(p)
	if math.IsInf(err, 1) {
		return AirDecline{}
	}
	days := (p[len(p)-1].At - p[0].At) / day
	weather := without
	if a.wall {
		weather = wall
	}
	d := AirDecline{Rate: -slope * day / a.cfg.Full, Days: days}
	d.Band = float64(2*times*err*day/a.cfg.Full) + weather/days
	if !a.wall {
		d.Band += 0.001 // a season: 0.3 K a day
	}
	d.Known = days >= 0.3
	return d
}
