package registers

import (
	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/rules/machine"
	"strokebank/sensors/signal"
)

// view is what rows are read from.
type view struct {
	a     *rules.Assessment // nil before the first
	fresh bool
	age   signal.Number // s
	m     *Map
}

// number is a figure of the assessment, unknown while there is none.
func (v *view) number(of func(a *rules.Assessment) signal.Number) signal.Number {
	if v.a == nil {
		return signal.Unknown()
	}
	return of(v.a)
}

func (v *view) count(is func(s *alarm.Status) bool) (n signal.Number) {
	for i := range v.a.Alarms {
		if is(&v.a.Alarms[i]) {
			n++
		}
	}
	return n
}

func (v *view) reading(id signal.ID) signal.Reading {
	for i := range v.a.Readings {
		if v.a.Readings[i].ID == id {
			return v.a.Readings[i].Reading
		}
	}
	return signal.Reading{}
}

func (v *view) pair(kind machine.Kind, of func(p *machine.PairStatus) signal.Number) signal.Number {
	for i := range v.a.Pairs {
		if v.a.Pairs[i].Kind == kind {
			return of(&v.a.Pairs[i])
		}
	}
	return signal.Unknown()
}

func (v *view) machine(position string, of func(m *machine.Status) signal.Number) signal.Number {
	for i := range v.a.Machines {
		if v.a.Machines[i].Position == position {
			return of(&v.a.Machines[i])
		}
	}
	return signal.Unknown()
}

// alarm is a figure of the alarm at place i, if that is still the same one.
func (v *view) alarm(i int, name, source string, of func(s *alarm.Status) signal.Number) signal.Number {
	if i >= len(v.a.Alarms) || v.a.Alarms[i].Name != name || v.a.Alarms[i].Source != source {
		return signal.Unknown()
	}
	return of(&v.a.Alarms[i])
}
