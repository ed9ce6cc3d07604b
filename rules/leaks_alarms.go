package rules

import (
	"math"

	"strokebank/rules/alarm"
	"strokebank/rules/leak"
	"strokebank/sensors/signal"
)

// plant adds the alarms about leaks, instruments and proof.
func (u *Unit) plant(name string, add func(string, check)) {
	sump := u.leaks.sump >= 0 && u.cfg.SumpArea > 0
	switch name {
	case alarm.OilLeak:
		add(unitSource, checkOilLeak)
	case alarm.OilReturns:
		if sump {
			add(unitSource, checkOilReturns)
		}
	case alarm.OilLost:
		if sump {
			add(unitSource, checkOilLost)
		}
	case alarm.AirLeak:
		add(unitSource, checkAirLeak)
	case alarm.Waterlogged:
		add(unitSource, checkWaterlogged)
	case alarm.Overcharged:
		add(unitSource, checkOvercharged)
	case alarm.ReliefLifting:
		add(unitSource, checkRelief)
	case alarm.PointMoved:
		add(pairSources[pumps], checkPoint(leak.PumpCutIn, leak.PumpCutOut))
		add(pairSources[compressors], checkPoint(leak.CompressorCutIn, leak.CompressorCutOut))
	case alarm.MeasurementStuck:
		add(string(signal.Level), checkStuck(func(s *leak.StuckState) bool { return s.Level }))
		add(string(signal.Pressure), checkStuck(func(s *leak.StuckState) bool { return s.Pressure }))
	case alarm.ProofOverdue:
		for i, f := range u.proofs.book.All() {
			add(f.Function, checkProof(i))
		}
	}
}

// What has been learned over hours stands while a reading is missing, so
// these alarms do not become unknown with it: they stay as they were.
// Nor do they speak while an instrument is known to be wrong.
func (u *Unit) learned(rate, band, limit float64, known, hold bool, unit signal.Unit) verdict {
	v := verdict{condition: alarm.Unread, value: signal.Unknown(), limit: signal.Number(limit), unit: unit}
	f := u.leaks.found
	if !known || f.Drifts || f.Stuck.Level || f.Stuck.Pressure {
		return v
	}
	v.value, v.condition = signal.Number(rate), alarm.Absent
	// Once raised it stays until the decline itself is clearly under the limit.
	if rate-band > limit || hold && rate > 0.7*limit {
		v.condition = alarm.Present
	}
	return v
}

func checkOilLeak(u *Unit, _ *signal.Scan, _ *alarm.Definition, hold bool) verdict {
	f := u.leaks.found
	limit, _ := u.leaks.watch.Limits()
	v := u.learned(f.OilRecent.Rate, f.OilRecent.Band, limit, f.OilRecent.Known, hold, signal.CubicMetrePerSecond)
	if f.Lost.Known && v.condition == alarm.Present {
		v.condition = alarm.Absent // of a known kind
	}
	return v
}

func checkOilReturns(u *Unit, _ *signal.Scan, _ *alarm.Definition, hold bool) verdict {
	f := u.leaks.found
	limit, _ := u.leaks.watch.Limits()
	d, out := &f.OilRecent, &f.Lost
	if out.Known && out.Rate-out.Band > limit/2 {
		limit = math.Max(limit, d.Rate/3) // both at once must be plain to see
	}
	return u.learned(d.Rate-math.Max(0, out.Rate), math.Hypot(d.Band, out.Band), limit, d.Known && out.Known, hold, signal.CubicMetrePerSecond)
}

func checkOilLost(u *Unit, _ *signal.Scan, _ *alarm.Definition, hold bool) verdict {
	f := u.leaks.found
	limit, _ := u.leaks.watch.Limits()
	// A slow one waits until the gas has told whether it is the level that
	// drifts.
	known := f.Lost.Known && (hold || f.LostFor > 3*3600 || f.Lost.Rate-f.Lost.Band > 8*limit)
	return u.learned(f.Lost.Rate, f.Lost.Band, limit, known, hold, signal.CubicMetrePerSecond)
}

func checkAirLeak(u *Unit, _ *signal.Scan, _ *alarm.Definition, hold bool) verdict {
	f := u.leaks.found
	_, limit := u.leaks.watch.Limits()
	return u.learned(f.Air.Rate, f.Air.Band, limit, f.Air.Known, hold, signal.Ratio)
}

// airRatio is the smoothed air ratio as a reading; not yet read while the gas
// temperature has to settle.
func (u *Unit) airRatio() signal.Reading {
	r := u.leaks.ratio
	if r.seconds < ratioSeconds/3 {
		return signal.Missing(signal.Ratio, signal.NeverRead, u.out.Time)
	}
	return signal.Measured(r.value, signal.Ratio, u.out.Time)
}

// checkWaterlogged is present while the air is under what the dead bands
// allow at the present level: the pressure stands under the compressors'
// cut-in although the level is normal and nothing holds them back. A level
// that is shown wrong does not matter here: it is in both.
func checkWaterlogged(u *Unit, _ *signal.Scan, d *alarm.Definition, hold bool) verdict {
	c, s := u.leaks.watch.Config(), &u.leaks.scan
	r := u.airRatio()
	v := verdict{condition: alarm.Unread, value: r.Number(), limit: signal.Unknown(), unit: signal.Ratio}
	if !s.Read || s.Pumps || s.Compressors || u.out.Level.Value < u.cfg.Pumps.CutIn-c.LevelBand {
		return v
	}
	limit := leastAir * (u.cfg.Compressors.CutIn + u.atmosphere - c.Band) * s.Gas / c.Full
	v.condition, v.limit = alarm.Below(r, limit, d.Deadband, hold), signal.Number(limit)
	return v
}

// leastAir is the part of the pressure at the cut-in that is left for the
// switch's own error (common practice, no source).
const leastAir = 0.985

// checkOvercharged is present while the air is over what the dead bands allow:
// the compressors' cut-out at the largest gas space at which they may run.
// Under the pumps' cut-in the level may be what is wrong.
func checkOvercharged(u *Unit, _ *signal.Scan, d *alarm.Definition, hold bool) verdict {
	c := u.leaks.watch.Config()
	limit, r := c.Most/c.Full+u.shifted(), u.airRatio()
	v := verdict{condition: alarm.Above(r, limit, d.Deadband, hold), value: r.Number(), limit: signal.Number(limit), unit: signal.Ratio}
	if v.condition == alarm.Present && !hold && u.out.Level.Value < u.cfg.Pumps.CutIn-c.LevelBand {
		v.condition = alarm.Unread
	}
	return v
}

// shifted is by how much the air ratio may be wrong because a switching point
// has moved, and perhaps with it a transmitter.
func (u *Unit) shifted() float64 {
	c, points := u.leaks.watch.Config(), &u.leaks.found.Points
	off := 0.0
	if p := &points[leak.PumpCutIn]; p.Moved {
		now := p.Now()
		off += math.Abs(u.cfg.Tank.Volume(now)-u.cfg.Tank.Volume(p.Usual(c.Points[leak.PumpCutIn]))) * (u.cfg.Reserve.SetPressure + u.atmosphere)
	}
	if p := &points[leak.CompressorCutIn]; p.Moved {
		off += math.Abs(p.Now()-p.Usual(c.Points[leak.CompressorCutIn])) * (u.cfg.Tank.Total() - u.cfg.Tank.Volume(u.cfg.Reserve.SetLevel))
	}
	return off / c.Full
}

func checkRelief(u *Unit, _ *signal.Scan, _ *alarm.Definition, _ bool) verdict {
	f := u.leaks.found
	v := verdict{condition: alarm.Absent, value: signal.Unknown(), limit: signal.Unknown(), unit: signal.Pascal}
	if f.Lifting {
		v.condition, v.value = alarm.Present, signal.Number(f.LiftsAt)
	}
	return v
}

func checkPoint(first, second int) check {
	return func(u *Unit, _ *signal.Scan, _ *alarm.Definition, _ bool) verdict {
		v := verdict{condition: alarm.Absent, value: signal.Unknown(), limit: signal.Unknown(), unit: pointUnits[first]}
		points := u.leaks.watch.Config().Points
		for _, i := range [...]int{second, first} {
			if p := &u.leaks.found.Points[i]; p.Moved {
				v.condition = alarm.Present
				v.value, v.limit = signal.Number(p.Now()), signal.Number(p.Usual(points[i]))
			}
		}
		return v
	}
}

func checkStuck(of func(*leak.StuckState) bool) check {
	return func(u *Unit, _ *signal.Scan, _ *alarm.Definition, _ bool) verdict {
		v := verdict{condition: alarm.Absent, value: signal.Unknown(), limit: signal.Unknown(), unit: signal.CubicMetre}
		if s := &u.leaks.found.Stuck; of(s) {
			v.condition, v.value, v.limit = alarm.Present, signal.Number(s.Seen), signal.Number(s.Raised)
		}
		return v
	}
}

func checkProof(i int) check {
	return func(u *Unit, _ *signal.Scan, _ *alarm.Definition, _ bool) verdict {
		v := verdict{condition: alarm.Absent, value: signal.Unknown(), limit: signal.Unknown(), unit: signal.Second}
		if u.proofs.book.All()[i].Overdue {
			v.condition = alarm.Present
		}
		return v
	}
}

// plantEvidence is the figures that led to an alarm of this file.
func (u *Unit) plantEvidence(w *watcher) []Value {
	f, rate := u.leaks.found, signal.CubicMetrePerSecond.String()
	decline := func(name string, d *leak.Decline) []Value {
		return []Value{{name, signal.Number(d.Rate), rate}, {name + "_band", signal.Number(d.Band), rate},
			{name + "_idle", signal.Number(d.Seconds), signal.Second.String()}}
	}
	switch w.definition.Name {
	case alarm.OilLeak:
		return decline("oil_decline", &f.OilRecent)
	case alarm.OilReturns, alarm.OilLost:
		return append(decline("oil_decline", &f.OilRecent), decline("oil_lost", &f.Lost)...)
	case alarm.AirLeak:
		return []Value{{"air_decline_per_day", signal.Number(f.Air.Rate), ""}, {"air_decline_band", signal.Number(f.Air.Band), ""},
			{"days", signal.Number(f.Air.Days), ""}}
	case alarm.ReliefLifting:
		return []Value{{"lifts_at", signal.Number(f.LiftsAt), signal.Pascal.String()}, {"part_of_air_lost", signal.Number(f.LiftedPart), ""}}
	case alarm.PointMoved:
		return u.pointEvidence(w.source)
	}
	return nil
}

// pointEvidence is both points of a pair, as they used to be and are.
func (u *Unit) pointEvidence(source string) []Value {
	first := leak.PumpCutIn
	if source == pairSources[compressors] {
		first = leak.CompressorCutIn
	}
	var out []Value
	for i, name := range [...]string{"cut_in", "cut_out"} {
		p, unit := &u.leaks.found.Points[first+i], pointUnits[first].String()
		out = append(out, Value{name, signal.Number(p.Now()), unit},
			Value{name + "_usual", signal.Number(p.Usual(u.leaks.watch.Config().Points[first+i])), unit})
	}
	return out
}
