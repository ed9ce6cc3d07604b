package report

import (
	"fmt"
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/sensors/signal"
)

// state writes how the unit was when it was last judged.
func (u *Unit) state(p *paper, now time.Time) {
	p.section("State of the unit")
	defer p.end()
	if u.State == nil {
		p.put("p", "", "The history holds no saved state of this unit.")
		return
	}
	p.note("As the agent last saved it, %s (%s before this report). Values are means of the last minutes that were recorded.", p.at(u.Watched), long(now.Sub(u.Watched)))
	p.facts(
		fact{"at least", u.lastAtLeast(p)},
		fact{"expected", u.lastCycles(p, u.Newest.Expected)},
		fact{"full charge", cell{text: cycles(u.FullCharge, 1), under: "at the set points, settled, by the configuration"}},
		fact{"required", plain(fmt.Sprintf("%d cycles", u.Required))},
		fact{"gauge pressure", u.latest(p, u.Newest.Pressure, Pressure)},
		fact{"oil level", u.latest(p, u.Newest.Level, Length)},
		fact{"oil in the tank", u.latest(p, u.Newest.Oil, Volume)},
		fact{"air, against full charge", u.lastAir(p)},
	)
	u.counters(p)
}

// cycles writes a number of them.
func cycles(n signal.Number, decimals int) string {
	if !n.Known() {
		return "unknown"
	}
	return decimal(float64(n), decimals) + " cycles"
}

// lastAtLeast is the lower bound as it was last known; where that is some time
// ago it says when.
func (u *Unit) lastAtLeast(p *paper) cell {
	k := u.State.LastKnown
	if k == nil {
		return cell{text: "unknown", under: "it was never known"}
	}
	c := cell{text: cycles(k.AtLeast, 0), under: "known " + p.at(k.Time)}
	if k.AtLeast.Known() && float64(k.AtLeast) < float64(u.Required) {
		c.mark, c.text = "high", c.text+", fewer than required"
	}
	return c
}

func (u *Unit) lastCycles(p *paper, r *rules.Trend) cell {
	if r != nil {
		return cell{text: cycles(signal.Number(r.Mean), 1), under: p.at(r.Start)}
	}
	return plain("not recorded")
}

func (u *Unit) latest(p *paper, r *rules.Trend, of Quantity) cell {
	if r != nil {
		return cell{text: u.Show.Text(r.Mean, of), under: p.at(r.Start)}
	}
	return plain("not recorded")
}

func (u *Unit) lastAir(p *paper) cell {
	if r := u.Newest.Air; r != nil {
		return cell{text: percent(signal.Number(r.Mean), 0), under: p.at(r.Start)}
	}
	return plain("not recorded")
}

// counters are what each machine has done in its life, and whether it is out
// of service.
func (u *Unit) counters(p *paper) {
	away := map[string]string{}
	for _, a := range u.State.Away {
		away[a.Source] = fmt.Sprintf("out of service until %s: %s (%s)", p.at(a.Until), a.Reason, a.By)
	}
	var rows [][]cell
	for i := range u.State.Machines {
		m := &u.State.Machines[i]
		state := cell{text: "in service"}
		if why, is := away[m.Position]; is {
			state = cell{text: why, mark: "low"}
		} else if why, is := away["unit"]; is {
			state = cell{text: "unit " + why, mark: "low"}
		}
		for k := range u.Standing {
			if s := &u.Standing[k]; s.Source == m.Position && s.State.Active() && s.Name != alarm.ServiceDue {
				state = cell{text: s.Title, mark: string(s.Priority)}
				break
			}
		}
		hours := decimal(m.LifetimeRunSeconds/3600, 1) + " h"
		doubt := cell{text: hours}
		if m.DoubtSeconds > 0 {
			doubt.under = "at most " + u.Show.Text(m.DoubtSeconds, Duration) + " more"
		}
		rows = append(rows, []cell{plain(u.machine(m.Position)), plain(or(m.Serial, "not given")), doubt, plain(decimal(m.LifetimeStarts, 0)), state})
	}
	p.table([]string{"Machine", "Serial number", "#Run in its life", "#Starts", "State"}, rows)
}

func or(text, otherwise string) string {
	if text == "" {
		return otherwise
	}
	return text
}
