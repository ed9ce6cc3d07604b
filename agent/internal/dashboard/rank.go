package dashboard

import (
	"cmp"
	"slices"

	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/sensors/signal"
)

var urgency = map[alarm.Priority]int{alarm.High: 3, alarm.Medium: 2, alarm.Low: 1}

func (h *handler) summarise(a *rules.Assessment) summary {
	s := summary{
		Site: a.Site, Unit: a.Unit, Time: a.Time, Fresh: h.fresh(a), Quality: a.Quality,
		PowerLost: a.PowerLost, Known: a.Reserve.Known, Reason: a.Reserve.Reason,
		AtLeast: signal.Unknown(), Required: a.Reserve.Required,
	}
	if s.Known {
		s.AtLeast = a.Reserve.AtLeast
	}
	highest := 0
	for _, al := range a.Alarms {
		if !al.State.NeedsSomeone() {
			continue
		}
		s.Alarms++
		if u := urgency[al.Priority]; u > highest {
			highest, s.Highest = u, string(al.Priority)
		}
	}
	return s
}

// concern orders units: nobody can see it, its reserve is unknown or short,
// it lives on its reserve, then by the highest alarm.
func (s summary) concern() int {
	c := urgency[alarm.Priority(s.Highest)]
	if s.PowerLost {
		c += 4
	}
	if !s.Known || float64(s.AtLeast) < float64(s.Required) {
		c += 8
	}
	if !s.Fresh {
		c += 16
	}
	return c
}

// ranked is every unit, the one that needs attention first; equals keep the
// order of the configuration.
func (h *handler) ranked() []summary {
	out := []summary{}
	for _, a := range h.Units.Latest() {
		out = append(out, h.summarise(a))
	}
	slices.SortStableFunc(out, func(a, b summary) int {
		return cmp.Or(cmp.Compare(b.concern(), a.concern()), cmp.Compare(b.Alarms, a.Alarms))
	})
	return out
}
