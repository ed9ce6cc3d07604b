package report

import (
	"fmt"

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
	var rows [][]cell
	proven, overdue := 0, 0
	for i := range u.State.Proof {
		f := &u.State.Proof[i]
		state := plain("proven")
		switch {
		case f.Failed.After(f.Last):
			state = cell{text: "failed", mark: "medium", under: p.day(f.Failed) + ": " + f.Why}
		case f.Overdue:
			state = cell{text: "overdue", mark: "low"}
			overdue++
		case !f.Proven:
			state = plain("not proven yet")
		}
		last, due := plain("never"), plain("–")
		if f.Proven {
			proven++
			last = cell{text: p.day(f.Last), under: f.By}
		}
		if !f.Due.IsZero() {
			due = plain(p.day(f.Due))
		}
		rows = append(rows, []cell{plain(f.Title), state, last, plain(fmt.Sprint(f.Count)), due})
	}
	p.put("p", "", fmt.Sprintf("%d of %s were seen to work; %d are overdue. What was not seen to work is only hoped for.", proven, plural(len(rows), "function"), overdue))
	p.table([]string{"Function", "!State", "Last proven", "#Times", "#Due"}, rows)
	u.tests(p)
}

// tests lists the proof tests of the span.
func (u *Unit) tests(p *paper) {
	if len(u.Tests) == 0 {
		p.put("p", "", "No proof test ended in this period.")
		return
	}
	var rows [][]cell
	for i := max(0, len(u.Tests)-mostRows); i < len(u.Tests); i++ {
		t := &u.Tests[i]
		rows = append(rows, []cell{plain(fmt.Sprint(t.Number)), plain(p.at(t.Begin)), plain(t.By), plain(t.Note),
			plain(fmt.Sprint(t.Count(proof.Pass))), failedCount(t), plain(fmt.Sprint(t.Count(proof.NotSeen)))})
	}
	p.put("h3", "", "Proof tests")
	p.table([]string{"#Number", "!Begun", "By", "Note", "#Pass", "#Fail", "#Not seen"}, rows)
	p.note("strokebank report -test NUMBER makes the record of one.")
}

func failedCount(t *Test) cell {
	n := t.Count(proof.Fail)
	if n > 0 {
		return cell{text: fmt.Sprint(n), mark: "medium"}
	}
	return plain("0")
}

// service writes what is due and what was done.
func (u *Unit) service(p *paper) {
	p.section("Service")
	defer p.end()
	if u.State != nil {
		var rows [][]cell
		for i := range u.State.Service {
			rows = append(rows, u.task(p, &u.State.Service[i]))
		}
		p.table([]string{"Task", "!Where", "!State", "#Used", "!Due", "Last done"}, rows)
	}
	if len(u.Serviced) == 0 {
		p.put("p", "", "No work on the machines was written down in this period.")
		return
	}
	var rows [][]cell
	for i := max(0, len(u.Serviced)-mostRows); i < len(u.Serviced); i++ {
		d := &u.Serviced[i]
		rows = append(rows, []cell{plain(p.at(d.Time)), plain(u.machine(d.Source)), plain(d.What), plain(d.By), plain(d.Note)})
	}
	p.put("h3", "", "Done in the period")
	p.table([]string{"!When", "!Where", "What", "By", "Note"}, rows)
	if n := len(u.Serviced) - mostRows; n > 0 {
		p.note("%d before these are in the journal.", n)
	}
}

func (u *Unit) task(p *paper, s *service.Status) []cell {
	state := plain(s.State)
	if s.State == service.Due {
		state.mark = "low"
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
	return []cell{plain(s.Title), plain(u.machine(s.Source)), state, plain(decimal(100*s.Used, 0) + " %"), plain(due), plain(done)}
}

// failed writes failures and the figures of reliability.
func (u *Unit) failed(p *paper) {
	p.section("Failures and reliability")
	defer p.end()
	var rows [][]cell
	for i := max(0, len(u.Failures)-3*mostRows); i < len(u.Failures); i++ {
		rows = append(rows, u.failure(p, &u.Failures[i]))
	}
	if rows == nil {
		p.put("p", "", "No failure is on record in this period, and none is open.")
	} else {
		p.table([]string{"!Failure", "!Where", "Mode (ISO 14224)", "!When", "State", "!Repair"}, rows)
		if n := len(u.Failures) - len(rows); n > 0 {
			p.note("%d before these are in the export.", n)
		}
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

func (u *Unit) failure(p *paper, f *rules.Failure) []cell {
	state := cell{text: string(f.State)}
	if f.Said != nil {
		state.under = f.Said.By + ": " + or(f.Said.Reason, "no cause given")
	}
	repair := cell{text: "open"}
	switch {
	case f.Repair != nil:
		repair = cell{text: p.at(f.Repair.Time), under: f.Repair.By + ": " + f.Repair.Reason}
	case f.State == rules.Rejected:
		repair = plain("–")
	case f.State == rules.Confirmed:
		repair.mark = "medium"
		if f.Impact() != rules.Critical {
			repair.mark = "low"
		}
	}
	return []cell{plain(f.ID), cell{text: u.machine(f.Position), under: f.Serial}, cell{text: f.Mode() + " " + rules.FailureTitle(f.Mode()), under: f.Impact()},
		plain(p.at(f.Time())), state, repair}
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
