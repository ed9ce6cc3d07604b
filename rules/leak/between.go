package leak

import "math"

// between looks at what the oil did from the end of one fill to the start of
// the next one, less the draws that were seen: a leak so large that it looks
// like one draw after the other leaves no idle window, but it is here.
type between struct {
	known bool
	oil   float64 // m³ at 15 °C after the last fill
	at    float64 // s
	drawn float64 // m³
	doubt float64 // m³², of it
	draws int
}

// mostDraws is how many draws an hour are believed: so many more on end are a
// leak in the disguise of draws (common practice, no source).
const mostDraws = 6

// drew takes a draw off.
func (b *between) drew(d *Draw, warmth float64) {
	b.drawn += d.Oil * warmth
	b.doubt += d.Band * d.Band
	b.draws++
}

// filled closes the time between two fills at the one that has just ended;
// before and after are the oil on its two sides, age is now and seconds how
// long ago it began.
func (b *between) filled(before, after, age, seconds float64) (w Window, ok bool) {
	if b.known {
		w.At, w.Seconds = age, age-seconds-b.at
		if float64(b.draws) > mostDraws*w.Seconds/3600 {
			b.drawn, b.doubt = 0, 0
		}
		if w.Seconds >= wholeIdle/2 {
			w.Down = (b.oil - before - b.drawn) / w.Seconds
			w.Error = math.Sqrt(b.doubt+1e-6) / w.Seconds
			ok = true
		}
	}
	*b = between{known: true, oil: after, at: age}
	return w, ok
}
