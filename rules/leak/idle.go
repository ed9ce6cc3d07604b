package leak

import "math"

// Window is one stretch of idle time and how fast the oil went down in it.
type Window struct {
	At      float64 `json:"at"` // s of watched time, its end
	Seconds float64 `json:"seconds"`
	Down    float64 `json:"down_m3_s"`
	Error   float64 `json:"error_m3_s"`
}

// The rules of the idle decline.
const (
	bins       = 32
	firstWidth = 120.0      // s of a bin; doubled when all are full
	leastIdle  = 600.0      // s: a shorter window says nothing
	wholeIdle  = 3600.0     // s: enough to be taken early where it is clear
	longIdle   = 4 * 3600.0 // s: a window ends there
	recentDays = 1
	keptDays   = 7
)

// OilState is what a restart needs of the idle decline.
type OilState struct {
	Windows [32]Window `json:"windows"`
	Count   int        `json:"count"`
	// Between are the last times between two fills, and Loud the last decline
	// over the limit with when that was.
	Between  [3]Window `json:"between"`
	Betweens int       `json:"between_count"`
	Loud     Window    `json:"loud"`
	// Volume is the oil that may change its temperature, m³, and Warm whether
	// that is measured.
	Volume float64 `json:"volume_m3"`
	Warm   bool    `json:"warm"`
}

// between takes in what the oil did between two fills.
func (o *oil) between(w Window, age float64) {
	push(o.state.Between[:], &o.state.Betweens, w)
	o.judge(age)
}

// oil finds how fast the oil goes down while nothing moves: a robust slope
// over each idle window, and over many of them the middle one, so that a draw
// too small to be seen does not count.
type oil struct {
	cfg   *Config
	state OilState
	liner *liner

	points [bins]Point
	filled int
	width  float64
	begun  float64
	sum    average // of the volume
	when   average
	last   float64 // s, watched time of the last bin
	white  noise   // of the volume from scan to scan
	scans  int     // in the last whole bin

	recent, kept Decline
}

// Decline is a rate at which oil goes down, m³/s, with its ± band.
type Decline struct {
	Rate, Band float64
	Seconds    float64 // of idle time behind it
	Windows    int
	Known      bool
}

// step takes a scan in; age is the watched time, s. It reports that the
// figures have changed.
func (o *oil) step(s *Scan, age float64, idle bool) bool {
	if !idle {
		return o.end(age)
	}
	o.state.Warm, o.state.Volume = s.Warm, s.Oil
	if o.width == 0 {
		o.width, o.begun, o.filled = firstWidth, age, 0
		o.sum.reset()
		o.when.reset()
	}
	o.sum.add(float64(s.Oil*s.Warmth), s.Seconds, math.Inf(1))
	o.white.add(float64(s.Oil * s.Warmth))
	o.when.add(age, s.Seconds, math.Inf(1))
	if age-o.begun < float64(o.filled+1)*o.width {
		return false
	}
	o.points[o.filled] = Point{o.when.value, o.sum.value}
	o.filled++
	o.scans = o.sum.n
	o.sum.reset()
	o.when.reset()
	if o.filled == bins {
		o.merge()
	}
	return o.early(age)
}

// lately is how fast the oil goes down in the window under way, or in the last
// one if that has just begun, m³/s; 0: not known.
func (o *oil) lately(age float64) float64 {
	if float64(o.filled)*o.width >= wholeIdle/2 && o.filled >= 8 {
		slope, _ := o.liner.line(o.points[:o.filled])
		return -slope
	}
	if n := o.state.Count; n > 0 && age-o.state.Windows[n-1].At < 2*wholeIdle {
		return o.state.Windows[n-1].Down
	}
	return 0
}

// forget drops what was collected: an instrument has moved.
func (o *oil) forget() {
	o.state = OilState{}
	o.recent, o.kept = Decline{}, Decline{}
	o.filled, o.width = 0, 0
}

// merge joins the bins two by two.
func (o *oil) merge() {
	for i := range bins / 2 {
		a, b := o.points[2*i], o.points[2*i+1]
		o.points[i] = Point{a.At/2 + b.At/2, a.Value/2 + b.Value/2}
	}
	o.filled = bins / 2
	o.width *= 2
}

// early ends a window that is long enough, or long and clear.
func (o *oil) early(age float64) bool {
	long := age - o.begun
	if long < wholeIdle {
		return false
	}
	if long < longIdle {
		slope, err := o.line()
		if -slope-float64(3*err) < o.cfg.OilLimit {
			return false
		}
	}
	return o.end(age)
}

// line is the slope over the window under way, m³/s, and its standard error.
// A few bins can lie on a line by chance: the error is never less than the
// noise from scan to scan makes it.
func (o *oil) line() (slope, err float64) {
	n := o.filled
	slope, err = o.liner.line(o.points[:n])
	if n < 3 || o.scans == 0 {
		return slope, err
	}
	bin := o.white.sigma(0) / math.Sqrt(float64(o.scans))
	return slope, math.Max(err, lineError(bin, n, o.points[n-1].At-o.points[0].At))
}

// end closes the window under way, without its open bin: what ended it may
// have begun in it.
func (o *oil) end(age float64) bool {
	n, width := o.filled, o.width
	slope, err := o.line()
	o.filled, o.width = 0, 0
	if width == 0 || n < 3 || float64(n)*width < leastIdle {
		return false
	}
	if math.IsInf(err, 1) {
		return false
	}
	push(o.state.Windows[:], &o.state.Count, Window{At: age, Seconds: float64(n) * width, Down: -slope, Error: err})
	o.judge(age)
	return true
}

// looks are how far back a leak is looked for, the shortest first, and how far
// over the limit it must be to count there: one draw that was not seen, in one
// of few windows, must not look like a leak.
var looks = [...]struct {
	seconds float64 // of idle time
	windows int
	times   float64
}{{2 * 3600, 3, 4}, {8 * 3600, 4, 1.5}}

func (o *oil) judge(age float64) {
	o.recent = o.over(age, recentDays*day, 2*3600)
	o.kept = o.over(age, keptDays*day, 6*3600)
	if o.recent.Known && o.recent.Rate-o.recent.Band > o.cfg.OilLimit {
		return
	}
	if d := o.loud(age); d.Known {
		o.recent = d
		o.state.Loud = Window{At: age, Seconds: d.Seconds, Down: d.Rate, Error: d.Band}
		return
	}
	// A leak that was plain stands until a day has gone round.
	if l := &o.state.Loud; l.Seconds > 0 && age-l.At < day {
		o.recent = Decline{Rate: l.Down, Band: l.Error, Seconds: l.Seconds, Windows: 1, Known: true}
	}
}

// loud is a leak that shows before a day has gone round.
func (o *oil) loud(age float64) Decline {
	for _, l := range looks {
		least := float64(l.times * o.cfg.OilLimit)
		if d := o.newest(age, l.seconds, l.windows, least); d.Known && d.Rate-d.Band > least {
			return d
		}
	}
	if d := o.amid(age, 2, 8); d.Known {
		return d
	}
	return o.amid(age, 3, 4)
}

// amid is the least decline in the last n times between two fills, where each
// of them is so many times over the limit.
func (o *oil) amid(age float64, n int, times float64) Decline {
	if o.state.Betweens < n {
		return Decline{}
	}
	d := Decline{Rate: math.Inf(1), Windows: n, Known: true}
	for _, w := range o.state.Between[o.state.Betweens-n : o.state.Betweens] {
		if w.Down-2*w.Error < float64(times*o.cfg.OilLimit) || age-w.At > day {
			return Decline{}
		}
		d.Rate, d.Band = math.Min(d.Rate, w.Down), math.Max(d.Band, w.Error)
		d.Seconds += w.Seconds
	}
	return d
}

// newest is the decline over the newest windows that have so many seconds of
// idle time together, counting those that could tell a decline of least; not
// known where one of these contradicts it.
func (o *oil) newest(age, seconds float64, windows int, least float64) Decline {
	idle, n := 0.0, 0
	for i := o.state.Count - 1; i >= 0; i-- {
		w := &o.state.Windows[i]
		if age-w.At > 3*day {
			break
		}
		if w.Error > least/2 {
			continue
		}
		if w.Down+2*w.Error < least {
			break
		}
		idle += w.Seconds
		if n++; idle >= seconds && n >= windows {
			d := o.over(age, age-w.At+1, seconds)
			if !o.steady(i, &d, least) {
				return Decline{}
			}
			return d
		}
	}
	return Decline{}
}

// steady reports that every window from i on that could tell a decline of
// least goes along with d. A leak is always there; what some windows show and
// others do not is a draw that was not seen.
func (o *oil) steady(i int, d *Decline, least float64) bool {
	for _, w := range o.state.Windows[i:o.state.Count] {
		if w.Error <= least/2 && w.Down+2*w.Error < d.Rate/2 {
			return false
		}
	}
	return true
}

// over is the decline over the windows of the last s seconds; known from so
// many seconds of idle time on.
func (o *oil) over(age, s, least float64) Decline {
	var d Decline
	var slopes, weights [len(o.state.Windows)]float64
	sum, first := 0.0, age
	for _, w := range o.state.Windows[:o.state.Count] {
		if age-w.At > s {
			continue
		}
		e := math.Max(w.Error, 1e-9/w.Seconds)
		slopes[d.Windows], weights[d.Windows] = w.Down, 1/(e*e)
		sum += 1 / (e * e)
		d.Seconds += w.Seconds
		first = math.Min(first, w.At-w.Seconds)
		d.Windows++
	}
	if d.Windows == 0 {
		return d
	}
	d.Rate = weightedMedian(slopes[:d.Windows], weights[:d.Windows], sum)
	scatter := 0.0
	for i := range d.Windows {
		z := math.Abs(slopes[i]-d.Rate) * math.Sqrt(weights[i])
		scatter += math.Min(z, 3) // an odd window is a draw that was not seen
	}
	scatter = math.Max(1, 1.25*scatter/float64(d.Windows)) // 1.25: to a standard deviation
	d.Band = float64(2*1.25*scatter/math.Sqrt(sum)) + o.swing(age-first)
	d.Known = d.Seconds >= least && d.Windows >= 2
	return d
}

// swing is how fast the oil's own temperature may move the volume, m³/s:
// 0.5 K an hour where it is not measured and a fifth of that where it is
// (common practice, no source), less as the day goes round.
func (o *oil) swing(span float64) float64 {
	kelvin := 0.5
	if o.state.Warm {
		kelvin = 0.1
	}
	return o.state.Volume * 7e-4 * kelvin / 3600 / (1 + span/(6*3600))
}

// weightedMedian orders both by the slopes.
func weightedMedian(x, w []float64, sum float64) float64 {
	for i := 1; i < len(x); i++ {
		for j := i; j > 0 && x[j] < x[j-1]; j-- {
			x[j], x[j-1] = x[j-1], x[j]
			w[j], w[j-1] = w[j-1], w[j]
		}
	}
	below := 0.0
	for i := range x {
		below += w[i]
		if below >= sum/2 {
			return x[i]
		}
	}
	return x[len(x)-1]
}
