package rules

import "strokebank/rules/alarm"

// Explanations counts, for each pair of the catalogue, at how many sources of
// a unit the one explains the other.
func Explanations(u *Unit) map[[2]string]int {
	out := map[[2]string]int{}
	for _, d := range alarm.Catalogue() {
		for _, to := range d.Explains {
			out[[2]string{d.Name, to}] = 0
		}
	}
	for i := range u.alarms {
		for k := range u.alarms {
			if from, to := &u.alarms[k], &u.alarms[i]; u.follows(from, to) {
				out[[2]string{from.definition.Name, to.definition.Name}]++
			}
		}
	}
	return out
}
