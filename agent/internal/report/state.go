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
	p.facts()
	p.fact("at least", u.lastAtLeast(p))
	p.fact("expected", u.lastCycles(p, u.Newest.Expected))
	p.fact("full charge", with(cycles(u.FullCharge, 1), "at the set points, settled, by the configuration"))
	p.fact("required", fmt.Sprintf("%d cycles", u.Required))
	p.fact("gauge pressure", u.latest(p, u.Newest.Pressure, Pressure))
	p.fact("oil level", u.latest(p, u.Newest.Level, Length))
	p.fact("oil in the tank", u.latest(p, u.Newest.Oil, Volume))
	p.fact("air, against full charge", u.lastAir(p))
	p.end()
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
func (u *Unit) lastAtLeast(p *paper) string {
	k := u.State.LastKnown
	if k == nil {
		return with("unknown", "it was never known")
	}
	text := cycles(k.AtLeast, 0)
	if k.AtLeast.Known() && float64(k.AtLeast) < float64(u.Required) {
		text = abnormal("high", text+", fewer than required")
	}
	return with(text, "known "+p.at(k.Time))
}

func (u *Unit) lastCycles(p *paper, r *rules.Trend) string {
	if r != nil {
		return with(cycles(signal.Number(r.Mean), 1), p.at(r.Start))
	}
	return "not recorded"
}

func (u *Unit) latest(p *paper, r *rules.Trend, of Quantity) string {
	if r != nil {
		return with(u.Show.Text(r.Mean, of), p.at(r.Start))
	}
	return "not recorded"
}

func (u *Unit) lastAir(p *paper) string {
	if r := u.Newest.Air; r != nil {
		return with(percent(signal.Number(r.Mean), 0), p.at(r.Start))
	}
	return "not recorded"
}

// counters are what each machine has done in its life, and whether it is out
// of service.
func (u *Unit) counters(p *paper) {
	away := map[string]string{}
	for _, a := range u.State.Away {
		away[a.Source] = fmt.Sprintf("out of service until %s: %s (%s)", p.at(a.Until), a.Reason, a.By)
	}
	p.table(len(u.State.Machines), "Machine", "Serial number", "#Run in its life", "#Starts", "State")
	for i := range u.State.Machines {
		m := &u.State.Machines[i]
		state := "in service"
		if why, is := away[m.Position]; is {
			state = abnormal("low", why)
		} else if why, is := away["unit"]; is {
			state = abnormal("low", "unit "+why)
		}
		for k := range u.Standing {
			if s := &u.Standing[k]; s.Source == m.Position && s.State.Active() && s.Name != alarm.ServiceDue {
				state = abnormal(string(s.Priority), s.Title)
				break
			}
		}
		run := u.doubted(decimal(m.LifetimeRunSeconds/3600, 1)+" h", m.DoubtSeconds)
		p.row(u.machine(m.Position), or(m.Serial, "not given"), run, decimal(m.LifetimeStarts, 0), state)
	}
	p.endTable()
}

// doubted is a time with what it may be short, s, under it.
func (u *Unit) doubted(text string, doubt float64) string {
	if !(doubt > 0) {
		return text
	}
	return with(text, "at most "+u.Show.Text(doubt, Duration)+" more")
}

func or(text, otherwise string) string {
	if text == "" {
		return otherwise
	}
	return text
}
