package dashboard

import (
	"fmt"
	"slices"

	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/sensors/signal"
)

var urgency = map[alarm.Priority]int{alarm.High: 3, alarm.Medium: 2, alarm.Low: 1}

// needsSomeone reports whether an alarm waits for a person: its condition
// stands, or it has gone without anybody having seen it, or wants a reset.
func needsSomeone(s alarm.State) bool {
	return s.Active() || s == alarm.Returned || s == alarm.Latched
}

func (h *handler) summarise(a *rules.Assessment) summary {
	s := summary{
		Site: a.Site, Unit: a.Unit, Time: a.Time, Age: h.Now().Sub(a.Time).Seconds(), Fresh: h.fresh(a), Quality: a.Quality,
		PowerLost: a.PowerLost, Known: a.Reserve.Known, Reason: a.Reserve.Reason,
		AtLeast: signal.Unknown(), Expected: signal.Unknown(), Required: a.Reserve.Required, Redundancy: []backing{},
	}
	if s.Known {
		s.AtLeast, s.Expected, s.Limit = a.Reserve.AtLeast, a.Reserve.Expected, a.Reserve.Limit
	}
	for _, p := range a.Pairs {
		s.Redundancy = append(s.Redundancy, backing{p.Kind, p.Redundancy})
	}
	highest, title := 0, ""
	for _, al := range a.Alarms {
		if !needsSomeone(al.State) {
			continue
		}
		s.Alarms++
		if al.State != alarm.Acknowledged && al.State != alarm.Latched {
			s.Unseen++
		}
		if u := urgency[al.Priority]; u > highest {
			highest, title, s.Highest = u, al.Title, string(al.Priority)
		}
	}
	s.Attention = s.why(title)
	return s
}

func (s *summary) short() bool { return s.Known && float64(s.AtLeast) < float64(s.Required) }

// why is the gravest thing in words.
func (s *summary) why(alarm string) string {
	switch {
	case !s.Fresh:
		return "no fresh scan"
	case !s.Known:
		return "reserve unknown"
	case s.short():
		return fmt.Sprintf("%.0f of %d required cycles", float64(s.AtLeast), s.Required)
	case s.PowerLost:
		return "mains lost"
	case alarm != "":
		return alarm
	case s.unbacked() > 0:
		return "no backup"
	case s.Quality != signal.Good:
		return "reserve uncertain"
	}
	return ""
}

// unbacked is how far the worst kind of machine is from backing each other up.
func (s *summary) unbacked() (worst int) {
	for _, b := range s.Redundancy {
		worst = max(worst, map[string]int{"one": 1, "unknown": 1, "none": 2}[b.Redundancy])
	}
	return worst
}

// concern orders units: nobody can see it, its reserve is unknown or short,
// it lives on its reserve, then by the highest alarm and how many nobody has
// seen, machines without backup, and doubt about the reserve. What changes
// from scan to scan without a meaning has no place, so that rows stay put.
func (s *summary) concern() []int {
	return []int{
		mark(!s.Fresh), mark(!s.Known || s.short()), mark(s.PowerLost),
		urgency[alarm.Priority(s.Highest)], s.Unseen, s.Alarms, s.unbacked(), mark(s.Quality != signal.Good),
	}
}

func mark(on bool) int {
	if on {
		return 1
	}
	return 0
}

// ranked is every unit, the one that needs attention first; equals keep the
// order of the configuration.
func (h *handler) ranked() []summary {
	out := []summary{}
	for _, a := range h.Units.Latest() {
		out = append(out, h.summarise(a))
	}
	slices.SortStableFunc(out, func(a, b summary) int { return slices.Compare(b.concern(), a.concern()) })
	return out
}
