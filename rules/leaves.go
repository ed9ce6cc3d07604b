package rules

import (
	"time"

	"strokebank/rules/alarm"
	"strokebank/sensors/signal"
)

// absence is a place that can be out of service: the unit or a machine.
type absence struct {
	Place string      `json:"place"`
	Leave alarm.Leave `json:"leave"`
}

// Away is a machine or the unit that is out of service.
type Away struct {
	Source string    `json:"source"` // "unit", or the machine's position
	Since  time.Time `json:"since"`
	Until  time.Time `json:"until"`
	Reason string    `json:"reason"`
	By     string    `json:"by"`
}

func (u *Unit) absences() []absence {
	list := []absence{{Place: unitSource}}
	for _, config := range u.pairConfigs() {
		for _, m := range config.Machines {
			list = append(list, absence{Place: m.Position})
		}
	}
	return list
}

// leaveOf is the leave that takes a source's alarms out of service; nil where
// it is in service.
func (u *Unit) leaveOf(source string) *alarm.Leave {
	for i := range u.leaves {
		if a := &u.leaves[i]; a.Leave.On() && covers(a.Place, source) {
			return &a.Leave
		}
	}
	return nil
}

// away reports that a machine is out of service itself. The unit as a whole
// being so says nothing of its machines.
func (u *Unit) away(position string) bool {
	for i := range u.leaves {
		if u.leaves[i].Place == position {
			return u.leaves[i].Leave.On()
		}
	}
	return false
}

// passLeaves lets time go by. What comes back into service is said once.
func (u *Unit) passLeaves(scan *signal.Scan, dt time.Duration) {
	u.passTest(scan, dt)
	u.out.Away = u.out.Away[:0]
	for i := range u.leaves {
		a := &u.leaves[i]
		if a.Leave.Pass(dt, scan.Time) {
			e := u.event(scan, CommandEvent, a.Place, string(BackInService))
			e.Reason = "its time out of service is over"
			u.out.Events = append(u.out.Events, e)
		}
		if l := &a.Leave; l.On() {
			u.out.Away = append(u.out.Away, Away{a.Place, l.Since, l.Until, l.Reason, l.By})
		}
	}
}

func (u *Unit) savedLeaves() (list []absence) {
	for _, a := range u.leaves {
		if a.Leave.On() {
			list = append(list, a)
		}
	}
	return list
}

func (u *Unit) restoreLeaves(list []absence) {
	for _, saved := range list {
		for i := range u.leaves {
			if u.leaves[i].Place == saved.Place {
				u.leaves[i].Leave = saved.Leave
			}
		}
	}
}

// save is the alarm as a restart needs it.
func (w *watcher) save() savedAlarm {
	s := savedAlarm{Name: w.definition.Name, Source: w.source, Alarm: w.alarm, Test: w.test, Failed: w.failing}
	if w.tally.Count > 0 {
		t := w.tally
		s.Tally = &t
	}
	return s
}
