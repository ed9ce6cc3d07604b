package report

import (
	"fmt"
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
	var rows [][]cell
	for i := range u.Standing {
		s := &u.Standing[i]
		state := cell{text: string(s.State)}
		if s.State.Active() {
			state.mark = string(s.Priority)
		}
		state.under = s.Reason
		rows = append(rows, []cell{plain(s.Title), plain(u.machine(s.Source)), state, plain(string(s.Priority)), plain(p.at(s.Since))})
	}
	if rows == nil {
		p.put("p", "", "No alarm stands, none waits for somebody, and none is covered.")
	} else {
		p.put("h3", "", "Standing, waiting or covered now")
		p.table([]string{"Alarm", "Where", "State", "!Priority", "!Since"}, rows)
	}
	if u.Load == nil {
		return
	}
	u.load(p, u.Load)
	u.mostFrequent(p, u.Load)
}

// load writes the figures by which the load is judged.
func (u *Unit) load(p *paper, l *Load) {
	r := l.rates()
	day := cell{text: decimal(r.mean, 1), under: fmt.Sprintf("about %d acceptable, %d the most", alarm.AcceptableADay, alarm.MostADay)}
	most := cell{text: fmt.Sprint(r.most), under: plural(r.busy, "day") + " over the acceptable"}
	switch {
	case r.over > 0:
		most.mark, most.text = "medium", most.text+", too many"
	case r.busy > 0:
		most.mark, most.text = "low", most.text+", over the acceptable"
	}
	floods := cell{text: fmt.Sprint(l.floods), under: fmt.Sprintf("more than %d in ten minutes", alarm.FloodOver)}
	if l.floods > 0 {
		floods.mark = "medium"
	}
	chatters := cell{text: fmt.Sprint(l.chatters), under: fmt.Sprintf("%d or more in a minute", alarm.Chatterings)}
	if l.chatters > 0 {
		chatters.mark = "low"
	}
	p.put("h3", "", "Load in the period, for one operator")
	p.facts(
		fact{"raised", plain(fmt.Sprint(l.raised))},
		fact{"a day, mean", day},
		fact{"in one day, most", most},
		fact{"in ten minutes, most", plain(fmt.Sprint(l.worst))},
		fact{"floods", floods},
		fact{"chattering", chatters},
		fact{"high · medium · low", cell{text: l.shares(), under: "of those raised"}},
		fact{"stale now", plain(fmt.Sprint(u.stale()))},
	)
	p.note("Counted is what asks for attention: raised and in sight, or come into sight. Figures of ISA-18.2 / IEC 62682, from memory.")
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
	var rows [][]cell
	for i, t := range list {
		if i == mostRows {
			break
		}
		stood := t.time(l.span.To)
		rows = append(rows, []cell{plain(t.title), plain(u.machine(t.source)), plain(fmt.Sprint(t.n)),
			plain(percent(signal.Number(float64(t.n)/float64(l.raised)), 0)), plain(long(time.Duration(stood * float64(time.Second))))})
	}
	p.put("h3", "", "Most frequent in the period")
	p.table([]string{"Alarm", "Where", "#Raised", "#Of all", "#Stood"}, rows)
	if n := len(list) - mostRows; n > 0 {
		p.note("%s more are not listed.", plural(n, "alarm"))
	}
}
