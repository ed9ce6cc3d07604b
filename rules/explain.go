package rules

import (
	"slices"
	"strings"

	"strokebank/rules/alarm"
	"strokebank/sensors/signal"
)

// explainer is an alarm that another one follows from while it stands.
type explainer struct {
	at      int    // place in Unit.alarms
	because string // how that is said
}

// explain finds, once, which alarms follow from which by the catalogue's own
// table, and the order in which what explains stands before what it explains.
// Nothing else suppresses, and nothing hides what the site ranks higher.
func (u *Unit) explain() {
	for i := range u.alarms {
		w := &u.alarms[i]
		for k := range u.alarms {
			if by := &u.alarms[k]; by.definition.Priority.Ranks(w.definition.Priority) && u.follows(by, w) {
				w.explainers = append(w.explainers, explainer{k, "explained by " + by.definition.Name + " (" + by.source + ")"})
			}
		}
	}
	u.order = u.order[:0]
	seen := make([]bool, len(u.alarms))
	for i := range u.alarms {
		u.before(i, seen)
	}
}

// before puts an alarm into the order, behind all that explain it.
func (u *Unit) before(i int, seen []bool) {
	if seen[i] {
		return
	}
	seen[i] = true
	for _, e := range u.alarms[i].explainers {
		u.before(e.at, seen)
	}
	u.order = append(u.order, i)
}

// follows reports whether an alarm concerns the same thing as one that
// explains it.
func (u *Unit) follows(from, to *watcher) bool {
	reach, ok := alarm.ReachOf(from.definition, to.definition.Name)
	if !ok {
		return false
	}
	inputs := alarm.Inputs(to.definition.Name, to.source)
	switch reach {
	case alarm.WholeUnit:
		return true
	case alarm.ReadOver:
		return slices.ContainsFunc(u.points, func(p signal.Point) bool {
			return p.Link != "" && string(signal.OfLink(p.Link)) == from.source && slices.Contains(inputs, p.ID)
		})
	case alarm.OfPair:
		pair, _, ok := u.position(to.source)
		return ok && pairSources[pair] == from.source
	case alarm.JudgedFrom:
		return slices.Contains(inputs, signal.ID(from.source))
	case alarm.OfPumps:
		pair, _, ok := u.position(to.source)
		return to.source == pairSources[pumps] || ok && pair == pumps
	default:
		return from.source == to.source
	}
}

// explainedBy is what an alarm is put down to now; nil where nothing in sight
// explains it.
func (u *Unit) explainedBy(w *watcher) *explainer {
	for i := range w.explainers {
		if e := &w.explainers[i]; u.alarms[e.at].alarm.Explains() {
			return e
		}
	}
	return nil
}

// covers reports whether a machine or the unit at a source, being out of
// service, takes the alarms of another source with it.
func covers(place, source string) bool {
	return place == unitSource || place == source || strings.HasPrefix(source, place+".")
}
