package rules

import (
	"strokebank/rules/alarm"
	"strokebank/rules/machine/fault"
	"strokebank/rules/machine/service"
	"strokebank/rules/machine/work"
	"strokebank/sensors/signal"
)

// worked adds the alarms about what the machines achieve and how they run.
func (u *Unit) worked(name string, points []signal.Point, add func(string, check)) {
	each := func(of func(*fault.Out, int) signal.Reading) {
		for pair, config := range u.pairConfigs() {
			for which, m := range config.Machines {
				add(m.Position, checkPair(func(u *Unit) signal.Reading { return of(u.works.found[pair], which) }))
			}
		}
	}
	both := func(of func(*fault.Out) signal.Reading) {
		for pair, source := range pairSources {
			add(source, checkPair(func(u *Unit) signal.Reading { return of(u.works.found[pair]) }))
		}
	}
	tell := func(signals ...string) func(func(*fault.Out, int) signal.Reading) {
		return func(of func(*fault.Out, int) signal.Reading) {
			u.eachMachine(points, func(position string, _ check) {
				pair, which, _ := u.position(position)
				add(position, checkPair(func(u *Unit) signal.Reading { return of(u.works.found[pair], which) }))
			}, nil, signals...)
		}
	}
	switch name {
	case alarm.RunsInHand:
		tell(signal.Hand)(func(o *fault.Out, i int) signal.Reading { return o.InHand[i] })
	case alarm.RunsUncalled:
		each(func(o *fault.Out, i int) signal.Reading { return o.Uncalled[i] })
	case alarm.FailedToStop:
		each(func(o *fault.Out, i int) signal.Reading { return o.NotStopped[i] })
	case alarm.SpuriousStop:
		each(func(o *fault.Out, i int) signal.Reading { return o.Spurious[i] })
	case alarm.MissedTurns:
		each(func(o *fault.Out, i int) signal.Reading { return o.MissedTurns[i] })
	case alarm.AlternationStuck:
		both(func(o *fault.Out) signal.Reading { return o.Stuck })
	case alarm.StandbyHelped:
		both(func(o *fault.Out) signal.Reading { return o.Helped })
	case alarm.ShortCycling:
		both(func(o *fault.Out) signal.Reading { return o.ShortCycling })
	case alarm.AirBeforeOil:
		add(pairSources[compressors], checkPair(func(u *Unit) signal.Reading { return u.works.found[compressors].BeforeOil }))
	default:
		u.delivered(name, add)
	}
}

// delivered adds the alarms that compare a figure.
func (u *Unit) delivered(name string, add func(string, check)) {
	outputs := func(on func(*work.Verdict) bool) {
		for i := range u.works.outputs {
			add(u.pairConfigs()[i/2].Machines[i%2].Position, checkOutput(i, on))
		}
	}
	setting := u.cfg.Alarms[name]
	at := locateWorks(u.points, nil)
	switch {
	case name == alarm.NoDelivery:
		outputs(func(v *work.Verdict) bool { return v.Nothing })
	case name == alarm.LowOutput:
		outputs(func(v *work.Verdict) bool { return v.Low })
	case name == alarm.OutputFalling:
		outputs(func(v *work.Verdict) bool { return v.Falling })
	case name == alarm.TooManyStarts:
		for pair, config := range u.pairConfigs() {
			for which, m := range config.Machines {
				if m.StartsPerHour > 0 {
					add(m.Position, checkStarts(pair, which, m.StartsPerHour))
				}
			}
		}
	case name == alarm.SumpLow && at.sump >= 0:
		add(unitSource, checkSump(setting, u.cfg.LowSump))
	case name == alarm.FilterClogged && at.filter >= 0:
		limit := u.cfg.FilterLimit
		if limit == 0 {
			limit = work.FilterLimit
		}
		add(unitSource, checkFilter(limitOf(setting, limit)))
	case name == alarm.ServiceDue:
		seen := map[string]bool{}
		for _, t := range u.tasks() {
			if !seen[t.Source] {
				seen[t.Source] = true
				add(t.Source, checkService(t.Source))
			}
		}
	}
}

// checkOutput is present while a machine's output is found to be so.
func checkOutput(i int, on func(*work.Verdict) bool) check {
	return func(u *Unit, _ *signal.Scan, _ *alarm.Definition, _ bool) verdict {
		o := &u.out.Outputs[i]
		v := verdict{condition: alarm.Absent, value: o.Ratio, limit: work.Limit, unit: signal.Ratio}
		if on(o) {
			v.condition = alarm.Present
		}
		return v
	}
}

func checkStarts(pair, which int, limit float64) check {
	return func(u *Unit, _ *signal.Scan, _ *alarm.Definition, _ bool) verdict {
		f := u.works.found[pair]
		r := f.TooManyStarts[which]
		return verdict{condition: alarm.When(r), reason: r.Reason.String(),
			value: signal.Number(f.Starts[which]), limit: signal.Number(limit), unit: signal.Count}
	}
}

// checkSump compares the sump's level with the site's limit or, without one,
// with the highest that it was seen at.
func checkSump(s alarm.Setting, limit float64) check {
	return func(u *Unit, _ *signal.Scan, d *alarm.Definition, hold bool) verdict {
		low := limit
		if low == 0 {
			low = u.works.sump.Limit()
		}
		return below(u.works.sump.Reading(), limitOf(s, low), d, hold)
	}
}

func checkFilter(limit float64) check {
	return func(u *Unit, _ *signal.Scan, d *alarm.Definition, hold bool) verdict {
		r := u.works.filter.Reading()
		return verdict{condition: alarm.Above(r, limit, d.Deadband, hold), reason: r.Reason.String(),
			value: r.Number(), limit: signal.Number(limit), unit: r.Unit}
	}
}

func checkService(source string) check {
	return func(u *Unit, _ *signal.Scan, _ *alarm.Definition, _ bool) verdict {
		v := verdict{condition: alarm.Absent, value: signal.Unknown(), limit: 1, unit: signal.Ratio}
		if s := u.worst(source); s != nil {
			v.value = signal.Number(s.Used)
			if s.State == service.Due {
				v.condition = alarm.Present
			}
		}
		return v
	}
}

// evidence is what led to an alarm about the machines, beside what was
// compared.
func (u *Unit) evidence(name, source string) []Value {
	pair, which, ok := u.position(source)
	if !ok {
		return u.pairEvidence(name, source)
	}
	o, f := &u.out.Outputs[2*pair+which], u.works.found[pair]
	switch name {
	case alarm.NoDelivery, alarm.LowOutput, alarm.OutputFalling:
		return outputEvidence(name, o)
	case alarm.FailedToStart, alarm.FailedToStop, alarm.RunsUncalled, alarm.RunsInHand, alarm.SpuriousStop:
		m, c := &u.out.Machines[2*pair+which], u.pairConfigs()[pair]
		unit := processUnit(pair)
		return []Value{
			{"process", signal.Number(f.Level), unit}, {"cut_in", signal.Number(c.CutIn), unit}, {"cut_out", signal.Number(c.CutOut), unit},
			{"this_run", signal.Number(m.ThisRunSeconds), signal.Second.String()}, {"lifetime_run", signal.Number(m.LifetimeRunSeconds), signal.Second.String()},
		}
	case alarm.MissedTurns:
		return []Value{{"turns_of_partner", signal.Number(f.Turns[which]), ""}}
	}
	return nil
}

func outputEvidence(name string, o *work.Verdict) []Value {
	unit := signal.CubicMetrePerSecond.String()
	values := []Value{{"baseline", o.Baseline, unit}, {"rating", o.Rating, unit}, {"last", o.Last, unit},
		{"uncertainty", o.LastBand, ""}, {"smoothed", o.Trend.Smoothed, ""}}
	if name == alarm.OutputFalling {
		values = append(values, Value{"slope_per_day", o.Trend.Slope, ""}, Value{"z", o.Trend.Z, ""})
		if f := &o.Trend.Forecast; f.Known {
			values = append(values, Value{"falls_under_limit_at", signal.Number(f.At.Unix()), "s since 1970"},
				Value{"at_the_earliest", signal.Number(f.Early.Unix()), "s since 1970"},
				Value{"at_the_latest", signal.Number(f.Late.Unix()), "s since 1970"})
		}
	}
	return values
}

func processUnit(pair int) string {
	if pair == pumps {
		return signal.Metre.String()
	}
	return signal.Pascal.String()
}

func (u *Unit) pairEvidence(name, source string) []Value {
	for i, s := range pairSources {
		if s != source {
			continue
		}
		f, p := u.works.found[i], &u.out.Pairs[i]
		switch name {
		case alarm.AlternationStuck:
			return []Value{{"same_lead_runs", signal.Number(p.SameLead), ""}, {"missed_turns", signal.Number(p.Missed), ""}}
		case alarm.StandbyHelped:
			return []Value{{"lead_had_run", signal.Number(f.HelpedAfter), signal.Second.String()}}
		case alarm.ShortCycling:
			return []Value{{"stopped_at", signal.Number(f.StoppedAt), processUnit(i)}, {"cut_out", signal.Number(u.pairConfigs()[i].CutOut), processUnit(i)}}
		case alarm.AirBeforeOil:
			return []Value{{"oil_level", u.out.Level.Number(), signal.Metre.String()}, {"pump_cut_in", signal.Number(u.cfg.Pumps.CutIn), signal.Metre.String()}}
		}
	}
	return nil
}
