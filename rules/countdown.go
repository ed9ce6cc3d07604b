package rules

import (
	"math"
	"time"

	"strokebank/sensors/signal"
)

// Countdown is how the reserve has gone down since the mains were lost.
type Countdown struct {
	Since   time.Time `json:"mains_lost_at"`
	Seconds float64   `json:"mains_lost_seconds"` // what nobody watched included, where it is known

	// The reserve when the mains were lost.
	AtLeastThen  signal.Number `json:"at_least_cycles_then"`
	ExpectedThen signal.Number `json:"expected_cycles_then"`

	// Strokes made since then, as CountedBy has seen them. StrokesReason says
	// why they are unknown, or why there may have been more.
	Strokes       signal.Number `json:"strokes_made"`
	MayBeMore     bool          `json:"strokes_may_be_more"`
	CountedBy     string        `json:"strokes_counted_by,omitempty"`
	StrokesReason string        `json:"strokes_reason,omitempty"`

	// Decline is how fast the expected figure has gone down in the last ten
	// minutes, cycles/s. TimeLeft, s, is how long the cycles stored at least
	// last if it goes on so; unknown, with the reason, where nothing declines
	// visibly. It is a forecast and no bound.
	Decline        signal.Number `json:"decline_cycles_per_second"`
	TimeLeft       signal.Number `json:"time_left_seconds"`
	TimeLeftReason string        `json:"time_left_reason,omitempty"`
}

// What strokes are counted by.
const (
	bySwitches = "valve switches"
	byDraws    = "draws of a stroke's size"
)

// The decline is taken over declineFor, from one sample each sampleEvery, once
// declineLeast has passed; what is less than leastDecline cycles is noise.
// Common practice, no source.
const (
	declineFor   = 10 * time.Minute
	declineLeast = time.Minute
	sampleEvery  = 15 * time.Second
	leastDecline = 0.1
	samples      = int(declineFor / sampleEvery)
)

// sample is the expected figure at a time of the monotonic clock.
type sample struct {
	at       time.Duration
	expected float64
}

// countdown counts what happens while the mains are lost.
type countdown struct {
	savedCountdown
	view Countdown

	stroke   float64 // m³ of a usual stroke; 0: not known
	switches bool    // every valve of the cycle has both limit switches
	present  bool    // the mains were seen to be there
	ring     [samples]sample
	count    int
}

// savedCountdown is what a restart needs. Ends is where each valve with limit
// switches was last seen: 'o', 'c', or '?'.
type savedCountdown struct {
	Lost         bool          `json:"lost"`
	Since        time.Time     `json:"since,omitzero"`
	Seconds      float64       `json:"seconds"`
	Strokes      int           `json:"strokes"`
	Why          string        `json:"may_be_more_because,omitempty"`
	AtLeastThen  signal.Number `json:"at_least_then"`
	ExpectedThen signal.Number `json:"expected_then"`
	Ends         string        `json:"ends,omitempty"`
}

func newCountdown(c *Config, valves []valve) *countdown {
	d := &countdown{}
	oil, n := 0.0, 0
	wired := map[string]bool{}
	for i := range valves {
		wired[valves[i].tag] = true
	}
	d.switches = len(c.Reserve.Cycle) > 0
	for _, s := range c.Reserve.Cycle {
		d.switches = d.switches && wired[s.Valve]
		if s.Oil > 0 {
			oil, n = oil+s.Oil, n+1
		}
	}
	if n > 0 {
		d.stroke = oil / float64(n)
	}
	d.forgetEnds(len(valves))
	return d
}

func (d *countdown) forgetEnds(valves int) {
	ends := make([]byte, valves)
	for i := range ends {
		ends[i] = '?'
	}
	d.Ends = string(ends)
}

// restore goes on from a saved state. Whatever was not watched may hold
// strokes that nobody counted.
func (d *countdown) restore(s *savedCountdown) {
	if s == nil {
		return
	}
	valves := len(d.Ends)
	d.savedCountdown = *s
	if len(s.Ends) != valves {
		d.forgetEnds(valves)
	}
	if d.Lost && !d.switches {
		d.Why = "nobody watched for a time"
	}
}

// stepCountdown counts on with this scan, after the reserve is known.
func (u *Unit) stepCountdown(scan *signal.Scan, dt time.Duration) {
	d, a := u.countdown, &u.out
	made := u.strokesSeen(scan)
	a.Countdown = nil
	mains := pick(scan, u.at.mains, signal.Boolean)
	switch {
	case mains.Known() && mains.On():
		d.Lost, d.present, d.Why, d.count = false, true, "", 0
		return
	case a.PowerLost && !d.Lost:
		d.begin(a)
	case !d.Lost:
		return
	default:
		d.Strokes += made
		d.Seconds += dt.Seconds()
	}
	d.look(scan.Elapsed, a)
	if a.PowerLost {
		d.show(a)
		a.Countdown = &d.view
	}
}

// begin starts to count with the reserve as it stands now.
func (d *countdown) begin(a *Assessment) {
	ends := d.Ends
	d.savedCountdown = savedCountdown{Lost: true, Since: a.Time, AtLeastThen: a.Reserve.AtLeast, ExpectedThen: a.Reserve.Expected, Ends: ends}
	if !d.present {
		d.Why = "the mains were lost before the agent watched"
	}
	d.count = 0
}

// strokesSeen is how many strokes this scan completes.
func (u *Unit) strokesSeen(scan *signal.Scan) (n int) {
	d := u.countdown
	if !d.switches {
		for i := range u.out.Draws {
			if oil := float64(u.out.Draws[i].Oil); d.stroke > 0 && oil >= d.stroke/2 {
				n += int(math.Round(oil / d.stroke))
			}
		}
		if d.Lost && !u.out.OilVolume.Known() {
			d.Why = "the oil level was not known for a time"
		}
		return n
	}
	for i := range u.leaks.valves {
		v := &u.leaks.valves[i]
		open, closed := &scan.Readings[v.open], &scan.Readings[v.closed]
		at := byte('?')
		switch {
		case !open.Known() || !closed.Known():
			if d.Lost {
				d.Why = "a valve's limit switch was not known for a time"
			}
		case open.On() && !closed.On():
			at = 'o'
		case closed.On() && !open.On():
			at = 'c'
		}
		was := d.Ends[i]
		if at == '?' || at == was {
			continue
		}
		if was != '?' {
			n++
		}
		ends := []byte(d.Ends)
		ends[i] = at
		d.Ends = string(ends)
	}
	return n
}

// look takes a sample of the expected figure.
func (d *countdown) look(now time.Duration, a *Assessment) {
	if !a.Reserve.Known {
		return
	}
	if d.count == 0 || now-d.ring[(d.count-1)%samples].at >= sampleEvery {
		d.ring[d.count%samples] = sample{now, float64(a.Reserve.Expected)}
		d.count++
	}
	d.decline(now, a)
}

// decline compares the expected figure with the oldest one of the last ten
// minutes.
func (d *countdown) decline(now time.Duration, a *Assessment) {
	v := &d.view
	v.Decline, v.TimeLeft, v.TimeLeftReason = signal.Unknown(), signal.Unknown(), ""
	oldest := sample{at: -1}
	for i := max(0, d.count-samples); i < d.count && oldest.at < 0; i++ {
		if s := d.ring[i%samples]; now-s.at <= declineFor {
			oldest = s
		}
	}
	past := now - oldest.at
	lost := oldest.expected - float64(a.Reserve.Expected)
	switch {
	case oldest.at < 0 || past < declineLeast:
		v.TimeLeftReason = "the mains have not been lost for a minute yet"
	case lost < leastDecline:
		v.Decline = signal.Number(math.Max(0, lost) / past.Seconds())
		v.TimeLeftReason = "the reserve does not decline visibly"
	default:
		v.Decline = signal.Number(lost / past.Seconds())
		v.TimeLeft = signal.Number(float64(a.Reserve.AtLeast) / float64(v.Decline))
	}
}

// show fills the view.
func (d *countdown) show(a *Assessment) {
	v := &d.view
	v.Since, v.Seconds, v.AtLeastThen, v.ExpectedThen = d.Since, d.Seconds, d.AtLeastThen, d.ExpectedThen
	v.Strokes, v.MayBeMore, v.StrokesReason = signal.Number(d.Strokes), d.Why != "", d.Why
	v.CountedBy = byDraws
	switch {
	case d.switches:
		v.CountedBy = bySwitches
	case !a.OilVolume.Known():
		v.Strokes, v.MayBeMore = signal.Unknown(), false
		v.StrokesReason = "draws cannot be seen: oil level " + a.OilVolume.Reason.String()
	}
	if !a.Reserve.Known {
		v.Decline, v.TimeLeft, v.TimeLeftReason = signal.Unknown(), signal.Unknown(), "the reserve is unknown: "+a.Reserve.Reason
	}
}
