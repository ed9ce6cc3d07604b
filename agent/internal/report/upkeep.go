package report

import (
	"fmt"
	"strconv"

	"strokebank/rules"
	"strokebank/rules/machine/service"
	"strokebank/rules/proof"
)

// proof writes which protective functions were seen to work.
func (u *Unit) proof(p *paper) {
	p.section("Proof coverage")
	defer p.end()
	if u.State == nil {
		p.put("p", "", "Nothing is known of it: the history holds no saved state.")
		return
	}
	proven, overdue := 0, 0
	for i := range u.State.Proof {
		if f := &u.State.Proof[i]; f.Proven {
			proven++
		}
		if u.State.Proof[i].Overdue {
			overdue++
		}
	}
	p.put("p", "", fmt.Sprintf("%d of %s were seen to work; %d are overdue. What was not seen to work is only hoped for.", proven, plural(len(u.State.Proof), "function"), overdue))
	p.table(len(u.State.Proof), "Function", "!State", "Last proven", "#Times", "#Due")
	for i := range u.State.Proof {
		f := &u.State.Proof[i]
		state := "proven"
		switch {
		case f.Failed.After(f.Last):
			state = with(abnormal("medium", "failed"), p.day(f.Failed)+": "+f.Why)
		case f.Overdue:
			state = abnormal("low", "overdue")
		case !f.Proven:
			state = "not proven yet"
		}
		last, due := "never", "–"
		if f.Proven {
			last = with(p.day(f.Last), f.By)
		}
		if !f.Due.IsZero() {
			due = p.day(f.Due)
		}
		p.row(f.Title, state, last, strconv.Itoa(f.Count), due)
	}
	p.endTable()
	u.tests(p)
}

// tests lists the proof tests of the span.
func (u *Unit) tests(p *paper) {
	if len(u.Tests) == 0 {
		p.put("p", "", "No proof test ended in this period.")
		return
	}
	p.put("h3", "", "Proof tests")
	p.table(min(len(u.Tests), mostRows), "#Number", "!Begun", "By", "Note", "#Pass", "#Fail", "#Not seen")
	for i := max(0, len(u.Tests)-mostRows); i < len(u.Tests); i++ {
		t := &u.Tests[i]
		p.row(strconv.FormatUint(t.Number, 10), p.at(t.Begin), t.By, t.Note,
			strconv.Itoa(t.Count(proof.Pass)), failedCount(t), strconv.Itoa(t.Count(proof.NotSeen)))
	}
	p.endTable()
	p.note("strokebank report -test NUMBER makes the record of one.")
}

func failedCount(t *Test) string {
	n := t.Count(proof.Fail)
	if n > 0 {
		return abnormal("medium", strconv.Itoa(n))
	}
	return "0"
}

// service writes what is due and what was done.
func (u *Unit) service(p *paper) {
	p.section("Service")
	defer p.end()
	if u.State != nil {
		p.table(len(u.State.Service), "Task", "!Where", "!State", "#Used", "!Due", "Last done")
		for i := range u.State.Service {
			u.task(p, &u.State.Service[i])
		}
		p.endTable()
	}
	if len(u.Serviced) == 0 {
		p.put("p", "", "No work on the machines was written down in this period.")
		return
	}
	p.put("h3", "", "Done in the period")
	p.table(min(len(u.Serviced), mostRows), "!When", "!Where", "What", "By", "Note")
	for i := max(0, len(u.Serviced)-mostRows); i < len(u.Serviced); i++ {
		d := &u.Serviced[i]
		p.row(p.at(d.Time), u.machine(d.Source), d.What, d.By, d.Note)
	}
	p.endTable()
	if n := len(u.Serviced) - mostRows; n > 0 {
		p.note("%d before these are in the journal.", n)
	}
}

func (u *Unit) task(p *paper, s *service.Status) {
	state := s.State
	if s.State == service.Due {
		state = abnormal("low", state)
	}
	due := "by " + s.Nearest
	switch {
	case s.State == service.Due:
		due = "now"
	case !s.Forecast.IsZero():
		due = "about " + p.day(s.Forecast)
	case !s.DueDate.IsZero():
		due = p.day(s.DueDate)
	}
	done := "nobody has said"
	if !s.Last.Assumed {
		done = p.day(s.Last.Time) + ", " + s.Last.By
	}
	p.row(s.Title, u.machine(s.Source), state, decimal(100*s.Used, 0)+" %", due, done)
}

// failed writes failures and the figures of reliability.
func (u *Unit) failed(p *paper) {
	p.section("Failures and reliability")
	defer p.end()
	first := max(0, len(u.Failures)-3*mostRows)
	if len(u.Failures) == 0 {
		p.put("p", "", "No failure is on record in this period, and none is open.")
	} else {
		p.table(len(u.Failures)-first, "!Failure", "!Where", "Mode (ISO 14224)", "!When", "State", "!Repair")
		for i := first; i < len(u.Failures); i++ {
			u.failure(p, &u.Failures[i])
		}
		p.endTable()
	}
	if first > 0 {
		p.note("%d before these are in the export.", first)
	}
	for _, c := range u.Cautions {
		p.note("Note: %s.", c)
	}
	for _, g := range u.Figures {
		p.tag("div", "class", "group")
		p.put("h3", "", u.machine(g.Title))
		p.tag("table", "class", "said")
		p.tag("tbody")
		for _, row := range g.Rows {
			p.tag("tr")
			p.tag("td", "class", "label")
			p.say(row[0])
			p.end()
			p.put("td", "", row[1])
			p.end()
		}
		p.end()
		p.end()
		p.end()
	}
}

func (u *Unit) failure(p *paper, f *rules.Failure) {
	state := string(f.State)
	if f.Said != nil {
		state = with(state, f.Said.By+": "+or(f.Said.Reason, "no cause given"))
	}
	repair := "open"
	switch {
	case f.Repair != nil:
		repair = with(p.at(f.Repair.Time), f.Repair.By+": "+f.Repair.Reason)
	case f.State == rules.Rejected:
		repair = "–"
	case f.State == rules.Confirmed:
		repair = abnormal("medium", repair)
		if f.Impact() != rules.Critical {
			repair = abnormal("low", "open")
		}
	}
	p.row(f.ID, with(u.machine(f.Position), f.Serial), with(f.Mode()+" "+rules.FailureTitle(f.Mode()), f.Impact()),
		p.at(f.Time()), state, repair)
}

// basis writes what the report stands on.
func (u *Unit) basis(p *paper) {
	p.section("What this stands on")
	defer p.end()
	span := u.Span.To.Sub(u.Span.From)
	text := fmt.Sprintf("The record covers %s of the time asked for. Nobody watched for %s of it (%s)", long(span), long(u.Blind), plural(u.Unwatched, "gap"))
	if span > 0 {
		text += fmt.Sprintf(", %.2f %%", 100*u.Blind.Hours()/span.Hours())
	}
	if u.Unknown > 0 {
		text += fmt.Sprintf("; %s of unknown length are not among them, because the clock could not be trusted", plural(u.Unknown, "more gap"))
	}
	p.put("p", "", text+".")
}
