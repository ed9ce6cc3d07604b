package rules

import (
	"math"
	"time"

	"strokebank/rules/leak"
	"strokebank/rules/machine"
	"strokebank/rules/reserve"
	"strokebank/rules/tank"
	"strokebank/sensors/signal"
)

// leaks joins the unit to what watches for leaks.
type leaks struct {
	watch  *leak.Watch
	found  *leak.Findings
	scan   leak.Scan
	sump   int // place in a scan, or -1
	low    [2]lowSwitch
	valves []valve
	was    [4]bool  // machines running at the scan before
	ratio  smoothed // S over that of a full charge
}

// lowSwitch is a low switch of the panel, where it is wired.
type lowSwitch struct {
	at int
	on bool
}

// smoothed is a moving average with the time constant of ten minutes; it
// counts from three on.
type smoothed struct{ value, seconds float64 }

const ratioSeconds = 600

func (s *smoothed) add(x, dt float64) {
	if s.seconds == 0 {
		s.value = x
	}
	s.seconds += dt
	s.value += float64((x - s.value) * math.Min(1, dt/math.Min(s.seconds, ratioSeconds)))
}

func newLeaks(c *Config, points []signal.Point) *leaks {
	l := &leaks{
		sump: find(points, signal.SumpLevel), valves: newValves(c, points),
		low: [2]lowSwitch{{at: find(points, signal.LowLevelSwitch)}, {at: find(points, signal.LowPressureSwitch)}},
	}
	l.watch = leak.New(leakConfig(c))
	l.found = new(leak.Findings)
	return l
}

// leakConfig is what the watch needs of the unit.
func leakConfig(c *Config) leak.Config {
	r := &c.Reserve
	tau := math.Max(r.HeatExchange, r.HeatExchangeUpper)
	if tau == 0 || math.IsInf(tau, 0) {
		tau = reserve.AssumedHeatExchange
	}
	gas := func(level float64) float64 { return c.Tank.Total() - c.Tank.Volume(level) }
	out := leak.Config{
		OilLimit: c.OilLeak, AirLimit: c.AirLeak, Dissolved: c.DissolvedAir,
		Tank: c.Tank.Total(), Full: (r.SetPressure + c.Atmosphere) * gas(r.SetLevel),
		Most:     1.02 * (c.Compressors.CutOut + c.Atmosphere + r.PressureBand) * gas(c.Pumps.CutIn-r.LevelBand),
		Highest:  1.08 * c.Compressors.CutOut,
		Settling: math.Min(5*tau, 3600), SumpArea: c.SumpArea,
		LevelBand: math.Max(r.LevelBand, 0.003*c.Tank.Height()), Band: math.Max(r.PressureBand, 0.003*r.SetPressure),
		Points: [leak.Points]float64{c.Pumps.CutIn, c.Pumps.CutOut, c.Compressors.CutIn, c.Compressors.CutOut},
	}
	for _, s := range r.Cycle {
		if s.Oil > 0 && s.Duration > 0 {
			if out.Stroke == 0 || s.Oil < out.Stroke {
				out.Stroke = s.Oil
			}
			if out.Flow == 0 || s.Oil/s.Duration < out.Flow {
				out.Flow = s.Oil / s.Duration
			}
		}
	}
	return out
}

// stepLeaks takes this scan in and reports what came of it.
func (u *Unit) stepLeaks(scan *signal.Scan, dt time.Duration) {
	l := u.leaks
	u.lookForLeaks(scan, dt)
	f := l.watch.Step(&l.scan)
	l.found = f
	if s := &l.scan; s.Read && s.Follows && !s.Compressors {
		l.ratio.add(s.Settled/l.watch.Config().Full, s.Seconds)
	} else if !s.Read {
		l.ratio = smoothed{}
	}
	if f.Draw != nil {
		u.reportDraw(scan, f.Draw)
	}
	if f.Loss != nil {
		e := u.event(scan, LossEvent, unitSource, "air lost")
		e.Values = []Value{{"gauge_pressure", signal.Number(f.Loss.Gauge), signal.Pascal.String()},
			{"part_of_air", signal.Number(f.Loss.Part), ""}}
		u.out.Events = append(u.out.Events, e)
	}
	if f.Acted {
		u.reportAction(scan, f)
	}
	u.reportSwitches(scan)
	u.showLeaks(f)
}

// lookForLeaks fills the room's scan.
func (u *Unit) lookForLeaks(scan *signal.Scan, dt time.Duration) {
	a, s := &u.out, &u.leaks.scan
	*s = leak.Scan{Time: scan.Time, Seconds: dt.Seconds(), Warmth: 1, Atmosphere: u.atmosphere, Locked: u.locked && a.Level.Value < u.cfg.Pumps.CutIn}
	s.Read = a.GasPressure.Known() && a.Level.Known() && dt > 0
	s.Pressure, s.Level = a.GasPressure.Value, a.Level.Value
	s.Gauge = s.Pressure - u.atmosphere
	s.Oil, s.Gas = a.OilVolume.Value, a.GasVolume.Value
	if oil := pick(scan, u.at.oilTemperature, signal.Kelvin); oil.Known() {
		s.Warmth, s.Warm = tank.VolumeFactor(u.cfg.OilDensity, oil.Value), true
	}
	s.Theta, _, _ = u.air.follower.Theta()
	s.Settled, s.Follows = u.air.follower.Settled()
	if wall := pick(scan, u.at.wall, signal.Kelvin); wall.Known() {
		s.Wall = wall.Value
	}
	sump := pick(scan, u.leaks.sump, signal.Metre)
	s.Sump, s.SumpRead = sump.Value, sump.Quality == signal.Good
	for i, m := range a.Machines {
		if m.State != machine.Stopped {
			if i < 2 {
				s.Pumps = true
			} else {
				s.Compressors = true
			}
		}
		was := u.leaks.was[i]
		on := m.State == machine.Running
		if c := u.contacts[i/2][i%2].read(scan); was != on && (c.Hand.On() || !on && c.Called.On() || c.Automatic.Known() && !c.Automatic.On()) {
			s.Hand = true
		}
		u.leaks.was[i] = on
	}
	for i := range u.leaks.valves {
		oil, moving := u.leaks.valves[i].filled(scan)
		s.Cylinders += oil
		s.Moving = s.Moving || moving
	}
}

// tell gives the reserve the oil leak, once it has been learned.
func (l *leaks) tell(in *reserve.Input) {
	if d := &l.found.Oil; d.Known {
		in.Leak, in.LeakBand, in.LeakKnown = math.Max(0, d.Rate), d.Band, true
	}
	if d := &l.found.OilRecent; d.Known && (!in.LeakKnown || d.Rate-d.Band > in.Leak+in.LeakBand) {
		in.Leak, in.LeakBand, in.LeakKnown = math.Max(0, d.Rate), d.Band, true
	}
}
