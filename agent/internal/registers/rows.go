package registers

import (
	"math"

	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/rules/machine"
	"strokebank/sensors/signal"
)

// unitWords is the registers that every unit has. Blocks begin at round
// addresses and have no holes, so that a client reads one in one request.
func unitWords() []row {
	rows := append(headWords(), reserveWords()...)
	rows = append(rows, measuredWords()...)
	for i, kind := range []machine.Kind{machine.Pump, machine.Compressor} {
		rows = append(rows, pairWords(uint16(50+10*i), kind)...)
	}
	for i, position := range positions {
		rows = append(rows, machineWords(uint16(100+20*i), position)...)
	}
	return rows
}

// positions are those of package configs.
var positions = [...]string{"pump1", "pump2", "compressor1", "compressor2"}

// block numbers rows one behind the other.
func block(at uint16, rows ...row) []row {
	for i := range rows {
		rows[i].at = at
		at += uint16(max(rows[i].size, 1))
		if rows[i].scale == 0 {
			rows[i].scale = 1
		}
		if rows[i].step == 0 {
			rows[i].step = 1
		}
	}
	return rows
}

func headWords() []row {
	return block(0,
		row{size: one, name: "map_version", always: true, doc: "version of this map",
			of: func(*view) signal.Number { return Version }},
		row{size: one, name: "map_signature", always: true, doc: "changes with any address or meaning: compare it with the printed one",
			of: func(v *view) signal.Number { return signal.Number(v.m.Signature) }},
		row{size: one, name: "heartbeat", always: true, doc: "counts scans from 0 to 32767 and on from 0; stands still while nothing is judged; unknown before the first scan",
			of: func(v *view) signal.Number {
				return v.number(func(a *rules.Assessment) signal.Number { return signal.Number(a.Scan & 0x7FFF) })
			}},
		row{size: one, name: "data_age", unit: "s", always: true, doc: "age of the data; unknown before the first scan",
			of: func(v *view) signal.Number { return v.age }},
		row{size: one, name: "quality", doc: "quality of what the reserve is computed from: 1 bad, 2 uncertain, 3 good",
			of: func(v *view) signal.Number { return quality(v.a.Quality) }},
		row{size: one, name: "alarms_raised", doc: "alarms whose condition stands, shelved or suppressed or not",
			of: func(v *view) signal.Number { return v.count(func(s *alarm.Status) bool { return raised(s) == 1 }) }},
		row{size: one, name: "alarms_unacknowledged", doc: "alarms that wait for somebody to acknowledge them",
			of: func(v *view) signal.Number {
				return v.count(func(s *alarm.Status) bool { return unacknowledged(s) == 1 })
			}},
		row{size: one, name: "alarms_unknown", doc: "alarms that cannot be judged now",
			of: func(v *view) signal.Number { return v.count(func(s *alarm.Status) bool { return !raised(s).Known() }) }},
	)
}

func reserveWords() []row {
	figure := func(of func(a *rules.Assessment) signal.Number) func(v *view) signal.Number {
		return func(v *view) signal.Number {
			if !v.a.Reserve.Known {
				return signal.Unknown() // whatever stands in the figures is then no number
			}
			return of(v.a)
		}
	}
	return block(10,
		row{size: one, name: "reserve_known", always: true, doc: "1 known, 2 not known",
			of: func(v *view) signal.Number { return yes(v.fresh && v.a.Reserve.Known) }},
		row{size: one, name: "reserve_at_least", unit: "cycles", doc: "shutdown cycles stored at least: a computed lower bound, no protective function and no warranty",
			of: figure(func(a *rules.Assessment) signal.Number { return a.Reserve.AtLeast })},
		row{size: one, name: "reserve_expected", unit: "cycles", scale: 10, step: 0.1, doc: "shutdown cycles stored by the best estimate",
			of: figure(func(a *rules.Assessment) signal.Number { return a.Reserve.Expected })},
		row{size: one, name: "reserve_full_charge", unit: "cycles", scale: 10, step: 0.1, doc: "shutdown cycles of a full, settled charge",
			of: figure(func(a *rules.Assessment) signal.Number { return a.Reserve.FullCharge })},
		row{size: one, name: "reserve_required", unit: "cycles", doc: "shutdown cycles that must be stored",
			of: func(v *view) signal.Number { return signal.Number(v.a.Reserve.Required) }},
		row{size: one, name: "reserve_quality", doc: "1 bad, 2 uncertain, 3 good",
			of: func(v *view) signal.Number { return quality(v.a.Reserve.Quality) }},
		row{size: two, name: "hold_time", unit: "s", doc: "how long the required cycles stay stored at least, untouched and without mains",
			of: figure(func(a *rules.Assessment) signal.Number { return floor(a.Reserve.HoldTime) })},
		row{size: two, name: "time_to_full", unit: "s", doc: "time to full charge with both machines of each pair",
			of: figure(func(a *rules.Assessment) signal.Number { return a.Reserve.TimeToFull })},
		row{size: two, name: "time_to_full_one", unit: "s", doc: "time to full charge with one machine of each pair",
			of: figure(func(a *rules.Assessment) signal.Number { return a.Reserve.TimeToFullOne })},
	)
}

func measuredWords() []row {
	pair := func(name, unit string, scale float64, doc string, of func(v *view) signal.Reading) []row {
		return []row{
			{size: one, name: name, unit: unit, scale: scale, doc: doc,
				of: func(v *view) signal.Number { return of(v).Number() }},
			{size: one, name: name + "_quality", doc: "1 bad, 2 uncertain, 3 good",
				of: func(v *view) signal.Number { return quality(of(v).Quality) }},
		}
	}
	rows := pair("gauge_pressure", "mbar", 0.01, "gauge pressure as measured",
		func(v *view) signal.Reading { return v.reading(signal.Pressure) })
	rows = append(rows, pair("gas_pressure", "mbar", 0.01, "absolute pressure of the gas",
		func(v *view) signal.Reading { return v.a.GasPressure })...)
	rows = append(rows, pair("oil_level", "mm", 1000, "oil level above the lowest inside point of the tank",
		func(v *view) signal.Reading { return v.a.Level })...)
	rows = append(rows, pair("oil_volume", "L", 1000, "oil in the tank",
		func(v *view) signal.Reading { return v.a.OilVolume })...)
	return block(30, rows...)
}

func pairWords(at uint16, kind machine.Kind) []row {
	of := func(of func(p *machine.PairStatus) signal.Number) func(v *view) signal.Number {
		return func(v *view) signal.Number { return v.pair(kind, of) }
	}
	name := string(kind) + "s_"
	return block(at,
		row{size: one, name: name + "redundancy", doc: "machines of the pair that could start now: 2 both, 1 one, 0 none",
			of: of(func(p *machine.PairStatus) signal.Number {
				if p.Redundancy == "unknown" {
					return signal.Unknown()
				}
				return signal.Number(p.Available)
			})},
		row{size: one, name: name + "imbalance", unit: "%", scale: 1000, step: 0.1, doc: "difference of the two run times over their sum, -100 to 100 %",
			of: of(func(p *machine.PairStatus) signal.Number { return p.Imbalance })},
		row{size: one, name: name + "same_lead", doc: "lead runs in a row by the same machine beyond the first",
			of: of(func(p *machine.PairStatus) signal.Number { return signal.Number(p.SameLead) })},
	)
}

func machineWords(at uint16, position string) []row {
	of := func(of func(m *machine.Status) signal.Number) func(v *view) signal.Number {
		return func(v *view) signal.Number { return v.machine(position, of) }
	}
	name := position + "_"
	rows := []row{
		{size: one, name: name + "state", doc: "1 stopped, 2 running", of: of(func(m *machine.Status) signal.Number {
			if running := running(m); running.Known() {
				return running + 1
			}
			return signal.Unknown()
		})},
		{size: one, name: name + "quality", doc: "quality of the running contact: 1 bad, 2 uncertain, 3 good",
			of: of(func(m *machine.Status) signal.Number { return quality(m.Quality) })},
		{size: one, name: name + "available", doc: "1 could start now, 2 could not", of: of(func(m *machine.Status) signal.Number {
			if !m.AvailableKnown {
				return signal.Unknown()
			}
			return yes(m.Available)
		})},
		{size: one, name: name + "lead", doc: "1 leads the present or next run, 2 does not",
			of: of(func(m *machine.Status) signal.Number { return yes(m.Lead) })},
		{size: two, name: name + "run_hours", unit: "h", scale: 10, step: 0.1, doc: "run time of the individual for its life",
			of: of(func(m *machine.Status) signal.Number { return signal.Number(m.LifetimeRunSeconds / 3600) })},
		{size: two, name: name + "starts", doc: "starts of the individual for its life",
			of: of(func(m *machine.Status) signal.Number { return signal.Number(m.LifetimeStarts) })},
	}
	for w, length := range []string{"24h", "7d", "30d"} {
		rows = append(rows,
			row{size: one, name: name + "run_share_" + length, unit: "%", scale: 1000, step: 0.1, doc: "part of the pair's run time; unknown if the pair did not run",
				of: of(func(m *machine.Status) signal.Number { return m.Windows[w].ShareOfRun })},
			row{size: one, name: name + "start_share_" + length, unit: "%", scale: 1000, step: 0.1, doc: "part of the pair's starts; unknown if the pair did not start",
				of: of(func(m *machine.Status) signal.Number { return m.Windows[w].ShareOfStarts })})
	}
	return block(at, rows...)
}

// quality is how a quality is told: never 0, so that an empty register does
// not look like one.
func quality(q signal.Quality) signal.Number { return signal.Number(q) + 1 }

// yes is 1 for true and 2 for false: 0 is neither.
func yes(b bool) signal.Number {
	if b {
		return 1
	}
	return 2
}

func floor(n signal.Number) signal.Number { return signal.Number(math.Floor(float64(n))) }
