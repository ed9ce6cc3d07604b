package report

import (
	"fmt"
	"slices"
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/rules/machine/service"
	"strokebank/rules/machine/work"
)

// How soon something wants doing, most urgent first.
const (
	atOnce = iota
	today
	thisWeek
	toPlan
	toImprove
)

var urgencies = [...]struct{ word, mark string }{
	atOnce: {"at once", "high"}, today: {"today", "medium"}, thisWeek: {"this week", "low"}, toPlan: {"plan it", ""}, toImprove: {"improve", ""},
}

// step is one thing to do: how soon, what, and why.
type step struct {
	urgency       int
	what, do, why string
}

// silent is how long an agent may take to save what it knows, and some more.
const silent = 45 * time.Minute

// told are the alarms that another step tells in more detail.
var told = map[string]bool{alarm.ServiceDue: true, alarm.ProofOverdue: true}

// steps are what is to be done, the most urgent first; equals stand in the
// order in which this lists them. Dates in them are in the zone of now.
func (u *Unit) steps(now time.Time) []step {
	var list []step
	add := func(urgency int, what, do, why string) { list = append(list, step{urgency, what, do, why}) }
	u.unwatched(now, add)
	u.standing(now, add)
	u.openFailures(add)
	if u.State != nil {
		u.unproven(add)
		u.due(now, add)
		u.falling(now, add)
	}
	u.noisy(add)
	var sorted []step
	for urgency := range urgencies {
		for _, s := range list {
			if s.urgency == urgency {
				sorted = append(sorted, s)
			}
		}
	}
	return sorted
}

type adder func(urgency int, what, do, why string)

func (u *Unit) unwatched(now time.Time, add adder) {
	switch {
	case u.State == nil:
		add(atOnce, "Nobody watches this unit", "Start the agent, or name the history that it writes.", "The history holds no saved state of it.")
	case now.Sub(u.Watched) > silent:
		add(atOnce, "Nobody watches this unit", "Look after the agent: strokebank inspect says what is wrong. A report from a backup says so too.",
			fmt.Sprintf("It was last judged %s before this report.", long(now.Sub(u.Watched))))
	case u.State.LastKnown != nil && u.Required > 0 && float64(u.State.LastKnown.AtLeast) < float64(u.Required) && !u.stands(alarm.LowReserve) && !u.stands(alarm.ReserveLost):
		add(atOnce, "Fewer shutdown cycles than required", "Restore oil, then air; look for what drew the tank down.",
			fmt.Sprintf("At least %.0f were stored when it was last known, %d are required.", float64(u.State.LastKnown.AtLeast), u.Required))
	}
}

func (u *Unit) stands(name string) bool {
	return slices.ContainsFunc(u.Standing, func(s alarm.Status) bool { return s.Name == name && s.State.NeedsSomeone() })
}

// standing are alarms that wait for somebody.
func (u *Unit) standing(now time.Time, add adder) {
	urgency := map[alarm.Priority]int{alarm.High: atOnce, alarm.Medium: today, alarm.Low: thisWeek}
	for i := range u.Standing {
		s := &u.Standing[i]
		if !s.State.NeedsSomeone() || told[s.Name] {
			continue
		}
		what := u.where(s.Title, s.Source)
		if !s.State.Active() {
			add(max(urgency[s.Priority], thisWeek), what, "Find out why it came; then acknowledge it, and reset it where it waits for that.",
				fmt.Sprintf("The alarm has gone and is %s since %s.", s.State, s.Since.In(now.Location()).Format("2006-01-02 15:04 MST")))
			continue
		}
		soon := urgency[s.Priority]
		if s.Respond > 0 && s.Respond <= 24*3600 {
			soon = min(soon, today)
		}
		why := fmt.Sprintf("Alarm of %s priority, %s", s.Priority, s.State)
		if s.Respond > 0 {
			why += fmt.Sprintf("; there are %s to respond", long(time.Duration(s.Respond*float64(time.Second))))
		}
		if s.Stale {
			why += "; it has stood for longer than a day"
		}
		do := s.Action
		if s.Note != "" {
			do += " " + s.Note
		}
		add(soon, what, do, why+".")
	}
}

func (u *Unit) openFailures(add adder) {
	unsaid := 0
	for i := range u.Failures {
		f := &u.Failures[i]
		switch {
		case f.State == rules.Unconfirmed:
			unsaid++
		case f.State == rules.Confirmed && f.Repair == nil:
			urgency := toPlan
			if f.Impact() == rules.Critical {
				urgency = today
			}
			add(urgency, fmt.Sprintf("Repair %s: %s", u.machine(f.Position), rules.FailureTitle(f.Mode())),
				"Repair it, then close failure "+f.ID+" with what was done.", "A confirmed failure, "+f.Impact()+", is open.")
		}
	}
	if unsaid > 0 {
		add(thisWeek, "Judge "+plural(unsaid, "failure")+" that the program found", "Confirm, correct or reject each, on the page or with strokebank act.",
			"What nobody has confirmed does not count in the figures of reliability.")
	}
}

// unproven are functions that failed, are overdue, or were never seen.
func (u *Unit) unproven(add adder) {
	var overdue, never []string
	for i := range u.State.Proof {
		f := &u.State.Proof[i]
		switch {
		case f.Failed.After(f.Last):
			add(today, "A protective function did not work: "+f.Title, "Find out why, then prove it in an announced test.", f.Why+".")
		case f.Overdue:
			overdue = append(overdue, f.Title)
		case !f.Proven:
			never = append(never, f.Title)
		}
	}
	if overdue != nil {
		add(thisWeek, "Prove "+plural(len(overdue), "protective function"), "Announce a test when the plant allows, and provoke: "+joined(overdue)+".",
			"Each was not seen to work within its interval.")
	}
	if never != nil {
		add(toPlan, "Prove what was never seen: "+plural(len(never), "protective function"), "At the next test: "+joined(never)+".",
			"What was not seen to work is only hoped for.")
	}
}

// due is service.
func (u *Unit) due(now time.Time, add adder) {
	for i := range u.State.Service {
		s := &u.State.Service[i]
		what := u.where(s.Title, s.Source)
		switch {
		case s.State == service.Due:
			add(thisWeek, what, "Have it done after the maker's book, then say so with strokebank act service_done.",
				fmt.Sprintf("Service is due: %.0f %% of its interval has passed.", 100*s.Used))
		case s.State == service.Coming:
			why := fmt.Sprintf("%.0f %% of its interval has passed", 100*s.Used)
			if !s.Forecast.IsZero() {
				why += ", due in about " + long(s.Forecast.Sub(now))
			}
			add(toPlan, what, "Order what it needs and agree a day.", why+".")
		}
	}
}

// falling is machines whose output will fall under its limit.
func (u *Unit) falling(now time.Time, add adder) {
	for i := range u.State.Outputs {
		o := &u.State.Outputs[i]
		f := &o.Trend.Forecast
		if !o.Trend.Drift || !f.Known {
			continue
		}
		urgency := toPlan
		if f.Early.Sub(now) < 30*24*time.Hour {
			urgency = thisWeek
		}
		add(urgency, "Overhaul "+u.machine(o.Position), "Look for wear, suction, valves and filters; agree the work before the date.",
			fmt.Sprintf("Its output falls and reaches %.0f %% of its baseline about %s, between %s and %s.", 100*work.Limit,
				f.At.In(now.Location()).Format(time.DateOnly), f.Early.In(now.Location()).Format(time.DateOnly), f.Late.In(now.Location()).Format(time.DateOnly)))
	}
}

// noisy is what the load of alarms asks for.
func (u *Unit) noisy(add adder) {
	l := u.Load
	if l == nil {
		return
	}
	if days := l.rates().over; days > 0 {
		add(toImprove, "Too many alarms", "Look at the most frequent ones first: cause, then delay and deadband.",
			fmt.Sprintf("On %s more than %d were raised (about %d a day are acceptable for one operator).", plural(days, "day"), alarm.MostADay, alarm.AcceptableADay))
	}
	if most := l.frequent(); len(most) > 0 && most[0].n >= 10 && most[0].n*4 > l.raised {
		a := most[0]
		add(toImprove, "One alarm makes much of the load: "+a.title+", "+u.machine(a.source), "Remove its cause, or tune its delay and deadband.",
			fmt.Sprintf("%d of %d alarms.", a.n, l.raised))
	}
}

// where is what something is about, with its place where that is not the unit.
func (u *Unit) where(title, source string) string {
	if source == "unit" {
		return title
	}
	return title + ": " + u.machine(source)
}

// joined lists words.
func joined(list []string) string {
	const most = 8
	text := ""
	for i, s := range list {
		switch {
		case i == most:
			return fmt.Sprintf("%s and %d more", text, len(list)-most)
		case i > 0:
			text += "; "
		}
		text += s
	}
	return text
}

// long is a length in the coarsest words that tell something.
func long(d time.Duration) string {
	switch {
	case d < 2*time.Minute:
		return fmt.Sprintf("%.0f s", max(d, 0).Seconds())
	case d < 2*time.Hour:
		return fmt.Sprintf("%.0f min", d.Minutes())
	case d < 48*time.Hour:
		return fmt.Sprintf("%.0f h", d.Hours())
	}
	return fmt.Sprintf("%.0f days", d.Hours()/24)
}

// next writes what to do.
func (u *Unit) next(p *paper, now time.Time) {
	p.section("What to do next")
	steps := u.steps(now.In(p.zone))
	if len(steps) == 0 {
		p.put("p", "", "Nothing waits for somebody: no alarm stands, no failure is open, nothing is due, and every function was seen to work in its time.")
	} else {
		p.tag("ol", "class", "steps")
		for _, s := range steps {
			p.tag("li")
			p.tag("span")
			p.value(abnormal(urgencies[s.urgency].mark, urgencies[s.urgency].word))
			p.end()
			p.tag("span")
			p.put("span", "what", s.what)
			p.say(". " + s.do + " ")
			p.put("span", "why", s.why)
			p.end()
			p.end()
		}
		p.end()
	}
	p.end()
}
