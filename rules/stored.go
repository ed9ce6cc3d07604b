package rules

import (
	"cmp"
	"math"
	"time"

	"strokebank/rules/reserve"
	"strokebank/sensors/signal"
)

// The reserve is computed again at once when pressure or level have moved by
// their accuracy band or a quality has changed, otherwise at this period: noise
// alone is no reason, and the lower bound has the band inside.
const reserveEvery = 5 * time.Second

// reserveAsked is what the present figures were computed from.
type reserveAsked struct {
	done            bool
	elapsed         time.Duration
	pressure, level signal.Reading
}

// stepReserve brings the reserve up to this scan.
func (u *Unit) stepReserve(scan *signal.Scan) {
	a := &u.out
	a.PowerLost = false
	if mains := pick(scan, u.at.mains, signal.Boolean); mains.Known() {
		a.PowerLost = !mains.On()
	}
	if u.inputsMoved(scan) {
		u.asked = reserveAsked{true, scan.Elapsed, a.GasPressure, a.Level}
		in := reserve.Input{Pressure: a.GasPressure, Level: a.Level, Atmosphere: u.atmosphere,
			Wall: pick(scan, u.at.wall, signal.Kelvin)}
		u.air.tell(&in)
		u.leaks.tell(&in)
		u.engine.Evaluate(in, &a.Reserve)
	}
	a.Quality = a.Reserve.Quality
	u.remember(scan)
}

// inputsMoved reports whether the figures no longer belong to the inputs.
func (u *Unit) inputsMoved(scan *signal.Scan) bool {
	was, a, c := &u.asked, &u.out, &u.cfg.Reserve
	every := cmp.Or(u.cfg.ReserveEvery, reserveEvery)
	return !was.done || scan.Elapsed-was.elapsed >= every ||
		moved(was.pressure, a.GasPressure, c.PressureBand) || moved(was.level, a.Level, c.LevelBand)
}

// moved compares a reading with the one used before.
func moved(was, is signal.Reading, band float64) bool {
	return was.Quality != is.Quality || was.Reason != is.Reason ||
		math.Abs(is.Value-was.Value) > band
}

// knowledge is the last reserve that was known and how old it is, by the
// monotonic clock.
type knowledge struct {
	last  LastKnown
	at    time.Duration // Elapsed when age was taken
	age   time.Duration // then
	dated bool
}

// remember keeps the last figures that were known, in a field of their own
// that shows only while the reserve is unknown.
func (u *Unit) remember(scan *signal.Scan) {
	a, k := &u.out, &u.known
	a.LastKnown = nil
	if a.Reserve.Known {
		k.last = LastKnown{AtLeast: a.Reserve.AtLeast, Expected: a.Reserve.Expected, Time: scan.Time}
		k.at, k.age, k.dated = scan.Elapsed, 0, true
		return
	}
	if k.last.Time.IsZero() {
		return
	}
	if !k.dated { // of an earlier process: only the wall clock knows its age
		k.at, k.age, k.dated = scan.Elapsed, max(scan.Time.Sub(k.last.Time), 0), true
	}
	k.last.Age = (k.age + scan.Elapsed - k.at).Seconds()
	a.LastKnown = &k.last
}
