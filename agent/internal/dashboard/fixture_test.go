package dashboard

import (
	"fmt"
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/rules/machine"
	"strokebank/rules/machine/service"
	"strokebank/rules/machine/work"
	"strokebank/rules/proof"
	"strokebank/rules/reserve"
	"strokebank/rules/trend"
	"strokebank/sensors/signal"
)

// The fixtures are an invented unit: AU-7 at Quillen Reach, a vertical tank
// of 1.5 m diameter with four valves and three required cycles.

var noon = time.Date(2026, 3, 14, 11, 20, 31, 0, time.UTC)

func good(v float64, u signal.Unit, t time.Time) signal.Reading { return signal.Measured(v, u, t) }

// stored is AU-7 at rest, near full charge, with every field filled.
func stored(t time.Time) *rules.Assessment {
	return &rules.Assessment{
		Schema: rules.Schema, Site: "Quillen Reach", Unit: "AU-7", Time: t, ClockTrusted: true,
		Scan: uint64(t.Unix()), Quality: signal.Good, Readings: points(t),
		GasPressure: good(9.221e5, signal.Pascal, t), Level: good(1.462, signal.Metre, t),
		OilVolume: good(2.3627, signal.CubicMetre, t), GasVolume: good(2.4970, signal.CubicMetre, t),
		TankVolume: 4.8597, Reserve: figures(), Machines: four(t),
		Pairs: []machine.PairStatus{
			{Kind: machine.Pump, Available: 2, Redundancy: "both", Imbalance: 0.04, Missed: 1, NextLead: "pump2"},
			{Kind: machine.Compressor, Available: 2, Redundancy: "both", Imbalance: -0.02, NextLead: "compressor1"},
		},
		Alarms: catalogue(t), Limits: rules.Limits{
			SetPressure: 8.3e5, MinPressure: 5e5, SetLevel: 1.5, UnusableOil: 0.35, LowLevel: 1.3, LowPressure: 7.2e5,
			PumpCutIn: 1.4, PumpCutOut: 1.5, CompressorCutIn: 7.9e5, CompressorCutOut: 8.3e5,
			SetOil: 2.4298, LowOil: 2.0764, PumpCutInOil: 2.2531, PumpCutOutOil: 2.4298,
		},
		Gas:     rules.Gas{AirRatio: 0.985, TemperatureRatio: 1.002, TemperatureRatioBand: 0.01},
		Outputs: outputs(t), Service: tasks(t), Proof: functions(t),
	}
}

// outputs are the verdicts of the four machines: pump 2 gets weaker.
func outputs(t time.Time) []work.Verdict {
	var all []work.Verdict
	for i, m := range []string{"pump1", "pump2", "compressor1", "compressor2"} {
		base := signal.Number(0.0004)
		if i > 1 {
			base = 0.0042
		}
		v := work.Verdict{Position: m, Rating: base, Baseline: base, Learned: 5, Last: base * 0.993, LastBand: 0.006, Ratio: 0.993, Trend: trend.Verdict{
			Fills: 180, Days: 88, Smoothed: 0.994, Noise: 0.006, Slope: 0.00001, SlopeLow: -0.00004, SlopeHigh: 0.00006, Level: 0.995, Z: 0.4,
			Forecast: trend.Forecast{Reason: "does not fall"}}}
		if i == 1 {
			v.Last, v.Ratio, v.Falling = base*0.806, 0.806, true
			v.Trend.Smoothed, v.Trend.Slope, v.Trend.SlopeLow, v.Trend.SlopeHigh, v.Trend.Level, v.Trend.Z, v.Trend.Drift = 0.812, -0.0016, -0.0018, -0.0014, 0.81, -6.1, true
			v.Trend.Forecast = trend.Forecast{Known: true, At: t.AddDate(0, 0, 69), Early: t.AddDate(0, 0, 54), Late: t.AddDate(0, 0, 93)}
		}
		if i == 3 { // new: nothing learned yet
			v.Baseline, v.Learned, v.Trend = signal.Unknown(), 3, trend.Verdict{Smoothed: signal.Unknown(), Slope: signal.Unknown(), Level: signal.Unknown(), Z: signal.Unknown(),
				Reason: "too few values", Forecast: trend.Forecast{Reason: "too few values"}}
		}
		all = append(all, v)
	}
	return all
}

func tasks(t time.Time) []service.Status {
	one := func(source, task, title, state, nearest string, used float64, ago int, by string) service.Status {
		return service.Status{Source: source, Name: task, Title: title, State: state, Nearest: nearest, Used: used,
			Last: service.Done{Source: source, Name: task, Time: t.AddDate(0, 0, -ago), By: by, Assumed: by == ""}}
	}
	return []service.Status{
		one("unit", "condensate", "Drain condensate", service.Coming, "date", 0.93, 28, "M. Okoro"),
		one("unit", "relief_valve", "Have the relief valve tested", service.Well, "date", 0.41, 150, "B. Haddad"),
		one("pump1", "strainer", "Clean the suction strainer", service.Well, "run", 0.22, 80, "M. Okoro"),
		one("pump2", "strainer", "Clean the suction strainer", service.Due, "run", 1.04, 371, ""),
		one("pump2", "coupling", "Look at coupling and shaft seal", service.Well, "run", 0.52, 371, ""),
	}
}

// functions are what must work: most of it proven, the standby of the pumps
// 26 days ago, the compressors' overdue, one never, one failed.
func functions(t time.Time) []proof.Status {
	day := func(n int) time.Time { return t.AddDate(0, 0, n) }
	seen := func(name, title string, ago, every, count int, by string) proof.Status {
		return proof.Status{Function: name, Title: title, Proven: true, Last: day(-ago), By: by, Count: count, Due: day(every - ago), Overdue: ago > every}
	}
	failed := seen("valve.XV-2.strokes", "XV-2 completes its stroke in its time", 31, 180, 7, "closing stroke in 11 s")
	failed.Failed, failed.Why = day(-2), "closing stroke not done in 17 s"
	return []proof.Status{
		seen("pump1.delivers", "pump1 starts on demand and delivers", 0, 90, 212, "a fill of 141 L"),
		seen("pump2.delivers", "pump2 starts on demand and delivers", 1, 90, 204, "a fill of 139 L"),
		seen("pumps.standby", "pumps: the standby takes over", 26, 365, 2, "pump2 helped after 312 s"),
		seen("compressors.standby", "compressors: the standby takes over", 371, 365, 1, "compressor2 helped after 940 s"),
		{Function: "low_pressure.reported", Title: "a low pressure is reported", Due: day(213)},
		seen("valve.XV-1.strokes", "XV-1 completes its stroke in its time", 31, 180, 7, "closing stroke in 12 s"), failed,
		seen("unit.drawdown", "the unit delivers what the reserve promised", 31, 365, 3, "84 L drawn, pressure as predicted"),
	}
}

func points(t time.Time) []rules.NamedReading {
	out := []rules.NamedReading{
		{ID: signal.Pressure, Reading: good(8.208e5, signal.Pascal, t)},
		{ID: signal.Level, Reading: good(1.462, signal.Metre, t)},
		{ID: signal.SumpLevel, Reading: good(0.612, signal.Metre, t)},
		{ID: signal.OilTemperature, Reading: good(296.4, signal.Kelvin, t)},
		{ID: signal.WallTemperature, Reading: good(291.2, signal.Kelvin, t).Degrade(signal.Uncertain, signal.BelowRange)},
		{ID: signal.FilterDifferential, Reading: good(0.32e5, signal.Pascal, t)},
		{ID: signal.Mains, Reading: good(1, signal.Boolean, t)},
		{ID: signal.LowLevelSwitch, Reading: good(0, signal.Boolean, t)},
		{ID: signal.LowPressureSwitch, Reading: good(0, signal.Boolean, t)},
	}
	for _, m := range []string{"pump1", "pump2", "compressor1", "compressor2"} {
		running := 0.0
		if m == "pump1" {
			running = 1
		}
		out = append(out,
			rules.NamedReading{ID: signal.Of(m, signal.Running), Reading: good(running, signal.Boolean, t)},
			rules.NamedReading{ID: signal.Of(m, signal.MotorCurrent), Reading: good(running*7.4, signal.Ampere, t)},
			rules.NamedReading{ID: signal.Of(m, signal.Overload), Reading: good(0, signal.Boolean, t)},
			rules.NamedReading{ID: signal.Of(m, signal.Automatic), Reading: good(1, signal.Boolean, t)})
	}
	for _, v := range []string{"XV-1", "XV-2", "XV-3", "XV-4"} {
		out = append(out, rules.NamedReading{ID: signal.OfValve(v, signal.Open), Reading: good(1, signal.Boolean, t)})
	}
	return append(out, rules.NamedReading{ID: signal.OfLink("panel"), Reading: good(1, signal.Boolean, t)})
}

func figures() reserve.Figures {
	f := reserve.Figures{
		Known: true, Quality: signal.Good, Required: 3, AtLeast: 4, Expected: 5.4, FullCharge: 5.9,
		Limit: reserve.ByPressure, UsableOil: 1.1448, HoldTime: 51.4 * 3600, TimeToFull: 262, TimeToFullOne: 521,
	}
	pressure, level := 8.208e5, 1.462
	for cycle := 1; cycle <= 6; cycle++ {
		for _, closing := range []bool{true, false} {
			for v := 1; v <= 4; v++ {
				pressure, level = pressure-0.077e5, level-0.015
				f.Strokes = append(f.Strokes, reserve.AfterStroke{
					Cycle: cycle, Valve: fmt.Sprintf("XV-%d", v), Closing: closing,
					Pressure: signal.Number(pressure), Level: signal.Number(level), Counts: pressure > 5e5,
				})
			}
		}
	}
	return f
}

func four(t time.Time) []machine.Status {
	one := func(position, tag string, kind machine.Kind, hours, starts float64, lead bool, share signal.Number) machine.Status {
		m := machine.Status{
			Position: position, Tag: tag, Kind: kind, Serial: "QR-" + tag, State: machine.Stopped, Quality: signal.Good,
			Since: t.Add(-47 * time.Minute), Lead: lead, Available: true,
			LifetimeRunSeconds: hours * 3600, LifetimeStarts: starts, LifetimeUnobservedSeconds: 5400,
		}
		for i, length := range []string{"24h", "7d", "30d"} {
			m.Windows[i] = machine.Window{
				Length: length, RunSeconds: 900 * float64(i*i*6+1), Starts: float64(i*i*9 + 2),
				ShareOfRun: share, ShareOfStarts: 0.5,
			}
		}
		return m
	}
	all := []machine.Status{
		one("pump1", "P-1", machine.Pump, 1284.3, 9120, true, 0.52),
		one("pump2", "P-2", machine.Pump, 1239.8, 9077, false, 0.48),
		one("compressor1", "C-1", machine.Compressor, 642.7, 1811, false, 0.49),
		one("compressor2", "C-2", machine.Compressor, 655.1, 1822, false, 0.51),
	}
	all[0].State, all[0].Since, all[0].ThisRunSeconds = machine.Running, t.Add(-94*time.Second), 94
	all[1].DoubtSeconds = 5
	all[2].Windows[0] = machine.Window{Length: "24h", ShareOfRun: signal.Unknown(), ShareOfStarts: signal.Unknown()}
	all[3].Windows[0] = all[2].Windows[0]
	return all
}

// catalogue is every alarm, all normal.
func catalogue(t time.Time) []alarm.Status {
	row := func(name, source, title string, p alarm.Priority, respond time.Duration, action string) alarm.Status {
		return alarm.Status{
			Name: name, Source: source, Title: title, State: alarm.Normal, Priority: p, Since: t.Add(-90 * time.Hour),
			Action: action, Respond: respond.Seconds(), Value: signal.Unknown(), Limit: signal.Unknown(),
		}
	}
	return []alarm.Status{
		row("low_reserve", "unit", "Low reserve", alarm.High, 10*time.Minute,
			"Do not start any valve movement that can wait. See which machine should be filling and start it by hand at the panel."),
		row("reserve_unknown", "unit", "Reserve is blind", alarm.High, 30*time.Minute,
			"Read pressure and level at the tank's own gauges now and every half hour until this clears."),
		row("mains_lost", "unit", "Mains lost", alarm.High, 5*time.Minute,
			"The unit lives on what is stored. Keep strokes for the shutdown and find out when power returns."),
		row("low_pressure", "unit", "Low pressure", alarm.Medium, 20*time.Minute,
			"See whether a compressor runs. If none does, start one by hand once the level is restored."),
		row("low_level", "unit", "Low level", alarm.Medium, 20*time.Minute,
			"See whether a pump runs and whether oil is lost at the valves."),
		row("overload", "pump2", "Overload tripped", alarm.Medium, time.Hour,
			"Let the motor cool, find the cause before you reset the overload at the panel. The other pump has no backup until then."),
		row("not_automatic", "compressor2", "Selector not in automatic", alarm.Low, 8*time.Hour,
			"Ask who works on the machine. Set the selector back to automatic when the work is done."),
		row("transmitter_failed", "level", "Transmitter failed", alarm.Medium, time.Hour,
			"Compare with the sight glass. Check the transmitter's supply and wiring, then the transmitter."),
	}
}

func raise(a *rules.Assessment, name string, s alarm.State, ago time.Duration, value, limit signal.Number, u signal.Unit) {
	for i := range a.Alarms {
		if x := &a.Alarms[i]; x.Name == name {
			x.State, x.Since, x.Value, x.Limit, x.Unit = s, a.Time.Add(-ago), value, limit, u
		}
	}
}

// short has fewer cycles than required, one pump out and one compressor in hand.
func short(t time.Time) *rules.Assessment {
	a := stored(t)
	a.Reserve.AtLeast, a.Reserve.Expected, a.Reserve.HoldTime = 2, 3.1, 0
	a.Reserve.TimeToFull, a.Reserve.TimeToFullOne = signal.Unknown(), 1940
	a.OilVolume, a.GasVolume = good(1.94, signal.CubicMetre, t), good(2.9197, signal.CubicMetre, t)
	a.Level, a.GasPressure = good(1.223, signal.Metre, t), good(8.07e5, signal.Pascal, t)
	a.Readings[0].Reading, a.Readings[1].Reading = good(7.06e5, signal.Pascal, t), good(1.223, signal.Metre, t)
	a.Machines[1].Available, a.Machines[1].Blocked = false, "overload tripped"
	a.Machines[3].Available, a.Machines[3].Blocked = false, "selector not in automatic"
	a.Pairs[0].Available, a.Pairs[0].Redundancy, a.Pairs[0].NextLead = 1, "one", "pump1"
	a.Pairs[1].Available, a.Pairs[1].Redundancy = 1, "one"
	raise(a, "not_automatic", alarm.Acknowledged, 5*time.Hour, signal.Unknown(), signal.Unknown(), signal.NoUnit)
	raise(a, "low_level", alarm.Unacknowledged, 9*time.Minute, 1.223, 1.3, signal.Metre)
	for i, r := range a.Readings {
		if r.ID == signal.Of("pump2", signal.Overload) {
			a.Readings[i].Reading = good(1, signal.Boolean, t)
		}
	}
	raise(a, "overload", alarm.Acknowledged, 41*time.Minute, signal.Unknown(), signal.Unknown(), signal.NoUnit)
	raise(a, "low_pressure", alarm.Unacknowledged, 6*time.Minute, 7.06e5, 7.2e5, signal.Pascal)
	raise(a, "low_reserve", alarm.Unacknowledged, 3*time.Minute, 2, 3, signal.Count)
	return a
}

// doubtful has a pressure above its measuring range.
func doubtful(t time.Time) *rules.Assessment {
	a := stored(t)
	a.Quality, a.Reserve.Quality = signal.Uncertain, signal.Uncertain
	a.GasPressure = a.GasPressure.Degrade(signal.Uncertain, signal.AboveRange)
	a.Readings[0].Reading = a.Readings[0].Reading.Degrade(signal.Uncertain, signal.AboveRange)
	return a
}

// dark has lost its mains and made some strokes.
func dark(t time.Time) *rules.Assessment {
	a := stored(t)
	a.PowerLost = true
	a.Readings[6].Reading = good(0, signal.Boolean, t)
	a.Reserve.AtLeast, a.Reserve.Expected, a.Reserve.HoldTime = 3, 4.2, 6.2*3600
	a.Reserve.TimeToFull, a.Reserve.TimeToFullOne = signal.Unknown(), signal.Unknown()
	for i := range a.Machines {
		m := &a.Machines[i]
		m.State, m.Available, m.Blocked = machine.Stopped, false, "mains lost"
	}
	for i := range a.Pairs {
		a.Pairs[i].Available, a.Pairs[i].Redundancy = 0, "none"
	}
	a.Countdown = &rules.Countdown{Since: t.Add(-12 * time.Minute), Seconds: 720, AtLeastThen: 4, ExpectedThen: 5.4, Strokes: 10, CountedBy: "valve switches",
		Decline: 1.2 / 720, TimeLeft: 1800}
	raise(a, "mains_lost", alarm.Unacknowledged, 12*time.Minute, signal.Unknown(), signal.Unknown(), signal.NoUnit)
	return a
}

// blind has lost its level transmitter.
func blind(t time.Time) *rules.Assessment {
	a := stored(t)
	gone := func(u signal.Unit, why signal.Reason) signal.Reading {
		return signal.Missing(u, why, t.Add(-4*time.Minute))
	}
	a.Quality = signal.Bad
	a.Readings[1].Reading = gone(signal.Metre, signal.FailureLow)
	a.Level = gone(signal.Metre, signal.FailureLow)
	a.OilVolume, a.GasVolume = gone(signal.CubicMetre, signal.FailureLow), gone(signal.CubicMetre, signal.FailureLow)
	u := signal.Unknown()
	a.Gas = rules.Gas{AirRatio: u, TemperatureRatio: u, TemperatureRatioBand: u}
	a.Reserve = reserve.Figures{
		Reason: "oil level: failure signal low", Required: 3, AtLeast: u, Expected: u, FullCharge: u,
		UsableOil: u, HoldTime: u, TimeToFull: u, TimeToFullOne: u,
	}
	for i, r := range a.Readings {
		if r.ID == signal.OfValve("XV-2", signal.Open) {
			a.Readings[i].Reading = gone(signal.Boolean, signal.NoAnswer)
		}
	}
	a.LastKnown = &rules.LastKnown{AtLeast: 4, Expected: 5.4, Time: t.Add(-4 * time.Minute), Age: 240}
	raise(a, "reserve_unknown", alarm.Unacknowledged, 4*time.Minute, u, u, signal.NoUnit)
	raise(a, "transmitter_failed", alarm.Unacknowledged, 4*time.Minute, u, u, signal.NoUnit)
	for i := range a.Alarms {
		if x := &a.Alarms[i]; x.Name == "low_reserve" || x.Name == "low_level" {
			x.State, x.Reason = alarm.NotKnown, "failure signal low"
		}
	}
	return a
}
