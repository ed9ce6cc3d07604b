package reserve

import (
	"math"

	"strokebank/sensors/signal"
)

// An uncertain reading is taken with twice its band, and with at least this
// part of full charge where the band is smaller (*common practice, no
// source*): it is out of its measuring range, late, or of doubtful time.
const (
	uncertainWider = 2
	uncertainLeast = 0.01
)

// hottest is by how much θ may be above 1 where nothing at all is known: 40 K
// above a wall at -6 °C, about what compressing air from 8 to 13 bar without
// any heat loss gives (*common practice, no source*).
const hottest = 0.15

// subject is an input that a reason names.
type subject uint8

const (
	ofPressure subject = iota
	ofLevel
	ofWall
)

// phrases holds every phrase, so that a unit with a bad input does not
// allocate at each step.
var phrases = func() (all [3][signal.DependsOnBad + 1]string) {
	for s, name := range [...]string{"pressure", "level", "wall temperature"} {
		for r := range all[s] {
			all[s][r] = name + ": " + signal.Reason(r).String()
		}
	}
	return all
}()

func phrase(s subject, r signal.Reason) string {
	if int(r) < len(phrases[s]) {
		return phrases[s][r]
	}
	return phrases[s][signal.NeverRead]
}

// trust is the worst quality that a view has used so far, and its reason.
type trust struct {
	quality signal.Quality
	reason  string
}

// wider is by how much the band of a reading widens; an uncertain one leaves
// its mark.
func (t *trust) wider(s subject, r signal.Reading) float64 {
	if r.Quality == signal.Good {
		return 1
	}
	if t.quality == signal.Good {
		*t = trust{signal.Uncertain, phrase(s, r.Reason)}
	}
	return uncertainWider
}

// band is a configured band, widened where the reading is not good, then at
// least a part of what the reading is at full charge.
func (t *trust) band(s subject, r signal.Reading, band, full float64) float64 {
	if w := t.wider(s, r); w > 1 {
		return max(w*band, uncertainLeast*full)
	}
	return band
}

// view puts an input together with the configuration. Where the reserve
// cannot be known the quality is bad, with the reason; else it is that of the
// worst input used.
func (e *Engine) view(in *Input) (view, trust) {
	c := &e.config
	if why := unusable(in); why != "" {
		return view{}, trust{signal.Bad, why}
	}
	t := trust{quality: signal.Good}
	v := view{
		p: in.Pressure.Value, tank: c.Tank.Total(),
		min: c.MinPressure + in.Atmosphere, atmosphere: in.Atmosphere, unusable: c.UnusableOil,
	}
	v.pBand = t.band(ofPressure, in.Pressure, c.PressureBand, c.SetPressure+in.Atmosphere)
	h, band := in.Level.Value, t.band(ofLevel, in.Level, c.LevelBand, c.SetLevel)
	if h < -band || h > c.Tank.Height()+band {
		return v, trust{signal.Bad, "level: outside the tank"}
	}
	v.oil, v.oilLow, v.oilHigh = c.Tank.Volume(h), c.Tank.Volume(h-band), c.Tank.Volume(h+band)
	if v.oil >= v.tank {
		return v, trust{signal.Bad, "level: no gas above the oil"}
	}
	v.wall = e.wall(in, &t)
	e.exchange(&v, in)
	v.leakUpper = c.MaxLeak
	if in.LeakKnown {
		v.leak = max(0, in.Leak)
		v.leakUpper = v.leak + math.Abs(in.LeakBand)
	}
	return v, t
}

// unusable names the input without which nothing can be said, and why.
func unusable(in *Input) string {
	switch {
	case !in.Pressure.Known():
		return phrase(ofPressure, in.Pressure.Reason)
	case !in.Level.Known():
		return phrase(ofLevel, in.Level.Reason)
	case !(in.Pressure.Value > 0) || math.IsInf(in.Pressure.Value, 0):
		return "pressure: not above vacuum"
	case math.IsNaN(in.Level.Value) || math.IsInf(in.Level.Value, 0):
		return phrase(ofLevel, signal.Implausible)
	case !(in.Atmosphere > 0) || math.IsInf(in.Atmosphere, 0):
		return "atmospheric pressure: not known"
	case in.ThetaKnown && !(in.Theta > 0):
		return "gas temperature: implausible value"
	}
	return ""
}

// wall is the lowest wall temperature over the present one.
func (e *Engine) wall(in *Input, t *trust) float64 {
	c := &e.config
	configured := in.Wall.Reason != signal.NotConfigured && !in.Wall.Time.IsZero()
	if configured {
		band := c.WallBand * t.wider(ofWall, in.Wall)
		if in.Wall.Known() && in.Wall.Value > 0 {
			return max(0.5, min(1, 1-math.Abs(band)/in.Wall.Value))
		}
	}
	lowest := c.LowestWall
	if lowest == 0 {
		lowest = c.usualWall() - c.WallBand
	}
	return max(0.5, lowest/c.usualWall())
}

// exchange fills in τ and θ with their bands.
func (e *Engine) exchange(v *view, in *Input) {
	c := &e.config
	v.tau, v.tauUpper = c.HeatExchange, c.HeatExchangeUpper
	if in.HeatExchange > 0 {
		v.tau, v.tauUpper = in.HeatExchange, in.HeatExchangeUpper
	}
	if v.tau == 0 {
		v.tau = AssumedHeatExchange
	}
	if v.tauUpper == 0 {
		v.tauUpper = math.Inf(1)
	}
	v.tauUpper = max(v.tauUpper, v.tau)
	v.theta, v.thetaBand = 1, math.Abs(in.ThetaBand)
	if in.ThetaKnown {
		v.theta = in.Theta
		return
	}
	// Nobody saw what warmed the gas: a service fill from bottles can do more
	// than the unit's own machines.
	if v.thetaBand == 0 {
		v.thetaBand = hottest
	}
}
