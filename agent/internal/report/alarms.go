package report

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"strokebank/rules/alarm"
	"strokebank/sensors/signal"
)

// mostRows is how many rows of what may be many are written.
const mostRows = 15

// alarms writes what stands and what the load was.
func (u *Unit) alarms(p *paper) {
	p.section("Alarms")
	defer p.end()
	if len(u.Standing) == 0 {
		p.put("p", "", "No alarm stands, none waits for somebody, and none is covered.")
	} else {
		p.put("h3", "", "Standing, waiting or covered now")
		u.standingTable(p)
	}
	if u.Load == nil {
		return
	}
	u.load(p, u.Load)
	u.loadChart(p, u.Load)
	u.mostFrequent(p, u.Load)
}

func (u *Unit) standingTable(p *paper) {
	p.table(len(u.Standing), "Alarm", "Where", "State", "!Priority", "!Since")
	for i := range u.Standing {
		s := &u.Standing[i]
		state := string(s.State)
		if s.State.Active() {
			state = abnormal(string(s.Priority), state)
		}
		p.row(s.Title, u.machine(s.Source), with(state, s.Reason), string(s.Priority), p.at(s.Since))
	}
	p.endTable()
}

// load writes the figures by which the load is judged.
func (u *Unit) load(p *paper, l *Load) {
	r := l.rates()
	most, floods, chatters := strconv.Itoa(r.most), strconv.Itoa(l.floods), strconv.Itoa(l.chatters)
	switch {
	case r.over > 0:
		most = abnormal("medium", most+", too many")
	case r.busy > 0:
		most = abnormal("low", most+", over the acceptable")
	}
	if l.floods > 0 {
		floods = abnormal("medium", floods)
	}
	if l.chatters > 0 {
		chatters = abnormal("low", chatters)
	}
	p.put("h3", "", "Load in the period, for one operator")
	p.facts()
	p.fact("raised", strconv.Itoa(l.raised))
	p.fact("a day, mean", with(decimal(r.mean, 1), fmt.Sprintf("about %d acceptable, %d the most", alarm.AcceptableADay, alarm.MostADay)))
	p.fact("in one day, most", with(most, plural(r.busy, "day")+" over the acceptable"))
	p.fact("in ten minutes, most", strconv.Itoa(l.worst))
	p.fact("floods", with(floods, fmt.Sprintf("more than %d in ten minutes", alarm.FloodOver)))
	p.fact("chattering", with(chatters, fmt.Sprintf("%d or more in a minute", alarm.Chatterings)))
	p.fact("high · medium · low", with(l.shares(), "of those raised"))
	p.fact("stale now", strconv.Itoa(u.stale()))
	p.end()
	p.note("Counted is what asks for attention: raised and in sight, or come into sight. Figures of ISA-18.2 / IEC 62682, from memory.")
}

// loadChart draws how many alarms were raised on each day of the period.
func (u *Unit) loadChart(p *paper, l *Load) {
	if l.raised == 0 || len(l.days) < 2 {
		return
	}
	// The figures of a day are drawn where they are near; they mostly are far above.
	c := p.picture("Alarms raised", "in each 24 h of the period", l.span.From, l.span.To, 0, 1.2*float64(max(slices.Max(l.days), 4)))
	c.blind(u.Gaps)
	for i, n := range l.days {
		from := l.span.From.Add(time.Duration(i) * 24 * time.Hour)
		x0, x1 := c.x(from), c.x(from.Add(24*time.Hour))
		if width := (x1 - x0) * 0.84; n > 0 {
			c.bar("one", x0+(x1-x0-width)/2, math.Max(width, 0.4), float64(n))
		}
	}
	c.level("limit", alarm.AcceptableADay, fmt.Sprintf("acceptable %d", alarm.AcceptableADay))
	c.level("limit", alarm.MostADay, fmt.Sprintf("the most %d", alarm.MostADay))
	c.end("")
}

// shares are the parts of the priorities.
func (l *Load) shares() string {
	text := ""
	for i, priority := range [...]alarm.Priority{alarm.High, alarm.Medium, alarm.Low} {
		if i > 0 {
			text += " · "
		}
		share := signal.Unknown()
		if l.raised > 0 {
			share = signal.Number(float64(l.priority[priority]) / float64(l.raised))
		}
		if !share.Known() {
			text += "–"
			continue
		}
		text += percent(share, 0)
	}
	return text
}

func (u *Unit) stale() (n int) {
	for i := range u.Standing {
		if s := &u.Standing[i]; s.Stale {
			n++
		}
	}
	return n
}

// mostFrequent lists the alarms that came most often.
func (u *Unit) mostFrequent(p *paper, l *Load) {
	list := l.frequent()
	if len(list) == 0 {
		return
	}
	p.put("h3", "", "Most frequent in the period")
	p.table(min(len(list), mostRows), "Alarm", "Where", "#Raised", "#Of all", "#Stood")
	for i, t := range list {
		if i == mostRows {
			break
		}
		stood := t.time(l.span.To)
		p.row(t.title, u.machine(t.source), strconv.Itoa(t.n),
			percent(signal.Number(float64(t.n)/float64(l.raised)), 0), long(time.Duration(stood*float64(time.Second))))
	}
	p.endTable()
	if n := len(list) - mostRows; n > 0 {
		p.note("%s more are not listed.", plural(n, "alarm"))
	}
}
