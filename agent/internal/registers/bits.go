package registers

import (
	"fmt"

	"strokebank/rules/alarm"
	"strokebank/rules/machine"
	"strokebank/sensors/signal"
)

// Where the alarms stand, in the order of the catalogue: in registers from
// alarmsAt on, and in bits from each of the others.
const (
	alarmsAt   = 1000
	raisedAt   = 1000
	quietAt    = 2000
	unackedAt  = 3000
	answeredAt = 4000
	mostAlarms = 1000 // so that the blocks do not meet
)

// A thing that is true or false has two bits, one for each: both 0 means that
// it is not known.

// unitBits is the bits that every unit has.
func unitBits() []row {
	rows := append(twoBits("data_fresh", "data_stale", "the data are no older than three scans", true,
		func(v *view) signal.Number { return truth(v.fresh) }),
		twoBits("reserve_known", "reserve_not_known", "the reserve is known", true,
			func(v *view) signal.Number { return truth(v.fresh && v.a.Reserve.Known) })...)
	rows = append(rows, twoBits("reserve_enough", "reserve_short", "the cycles stored at least are as many as required", false,
		func(v *view) signal.Number {
			r := &v.a.Reserve
			if !r.Known || !r.AtLeast.Known() {
				return signal.Unknown()
			}
			return truth(float64(r.AtLeast) >= float64(r.Required))
		})...)
	rows = append(rows, twoBits("mains_present", "mains_lost", "the unit has mains", false,
		func(v *view) signal.Number { return v.reading(signal.Mains).Number() })...)
	rows = append(rows, twoBits("clock_trusted", "clock_not_trusted", "the agent's clock is known to be right", false,
		func(v *view) signal.Number { return truth(v.a.ClockTrusted) })...)
	rows = block(0, rows...)
	for i, position := range positions {
		rows = append(rows, machineBits(uint16(100+10*i), position)...)
	}
	return rows
}

func machineBits(at uint16, position string) []row {
	name := position + "_"
	rows := append(twoBits(name+"running", name+"stopped", "the machine runs", false,
		func(v *view) signal.Number { return v.machine(position, running) }),
		twoBits(name+"available", name+"not_available", "the machine could start now", false,
			func(v *view) signal.Number {
				return v.machine(position, func(m *machine.Status) signal.Number {
					if !m.AvailableKnown {
						return signal.Unknown()
					}
					return truth(m.Available)
				})
			})...)
	return block(at, rows...)
}

// twoBits are a bit that is 1 where something is true, and one that is 1 where
// it is not true.
func twoBits(name, other, doc string, always bool, of func(v *view) signal.Number) []row {
	return []row{
		{name: name, doc: doc, always: always, of: of},
		{name: other, doc: "it is known not to be so", always: always, of: func(v *view) signal.Number { return 1 - of(v) }},
	}
}

// alarmRows is the register and the four bits of the alarm at place i.
func alarmRows(i int, s *alarm.Status) (word row, bits []row) {
	name, source := s.Name, s.Source
	of := func(of func(s *alarm.Status) signal.Number) func(v *view) signal.Number {
		return func(v *view) signal.Number { return v.alarm(i, name, source, of) }
	}
	called := fmt.Sprintf("%s.%s", source, name)
	at := uint16(i)
	word = row{at: alarmsAt + at, size: one, scale: 1, step: 1, name: called, doc: s.Title + ": state of the alarm", of: of(stateOf)}
	return word, []row{
		{at: raisedAt + at, name: called + ".raised", doc: s.Title, of: of(raised)},
		{at: quietAt + at, name: called + ".not_raised", doc: "it is known not to be raised",
			of: of(func(s *alarm.Status) signal.Number { return 1 - raised(s) })},
		{at: unackedAt + at, name: called + ".unacknowledged", doc: "it waits for somebody to acknowledge it", of: of(unacknowledged)},
		{at: answeredAt + at, name: called + ".not_unacknowledged", doc: "it is known not to wait for that",
			of: of(func(s *alarm.Status) signal.Number { return 1 - unacknowledged(s) })},
	}
}

// stateOf is the place of the state in the order of the life cycle, from 1.
func stateOf(s *alarm.Status) signal.Number {
	for i, state := range alarm.States() {
		if s.State == state && state != alarm.NotKnown {
			return signal.Number(i + 1)
		}
	}
	return signal.Unknown()
}

// raised is 1 or 0, covered or not; unknown while it cannot be judged.
func raised(s *alarm.Status) signal.Number {
	if on, known := s.Raised(); known {
		return truth(on)
	}
	return signal.Unknown()
}

// unacknowledged is 1 while the alarm waits for a person to acknowledge it,
// which it may do although it cannot be judged.
func unacknowledged(s *alarm.Status) signal.Number {
	state := s.State
	if state == alarm.NotKnown {
		state = s.Behind
	}
	return truth(state == alarm.Unacknowledged || state == alarm.Returned)
}

func running(m *machine.Status) signal.Number {
	if m.State == machine.StateUnknown || m.State == "" {
		return signal.Unknown()
	}
	return truth(m.State == machine.Running)
}

func truth(b bool) signal.Number {
	if b {
		return 1
	}
	return 0
}
