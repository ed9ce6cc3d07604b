package report

import (
	"fmt"
	"io"
	"time"

	"strokebank/rules"
	"strokebank/rules/machine"
	"strokebank/rules/machine/work"
	"strokebank/rules/proof"
	"strokebank/sensors/signal"
)

// Record is what the record of one proof test tells.
type Record struct {
	Made         time.Time
	Zone         *time.Location
	Program      string
	Installation string
	Event        string // id of the event that ended it

	Unit    *Unit // its names, machines, points, units
	Test    Test
	Draws   []rules.Draw // that began in the test
	Fills   []work.Fill
	Charges []work.Charge
	Alarms  []rules.Entry // that were raised
	More    int           // things that did not find room in these lists

	SetPressure, MinPressure, SetLevel float64 // Pa gauge, m
}

// WriteRecord writes the record of a proof test, as at commissioning, with
// room for what is compared by hand and for signatures.
func WriteRecord(w io.Writer, r *Record) error {
	p := newPaper(w, r.Zone)
	u := r.Unit
	p.show = u.Show
	title := fmt.Sprintf("Proof test %d of unit %s", r.Test.Number, u.Name)
	p.head(title, fmt.Sprintf("%s, %s", title, p.day(r.Test.Begin)))
	p.tag("main")
	p.tag("article", "class", "unit")
	p.put("h1", "", "Proof test record, unit "+u.Name)
	p.put("p", "lead", fmt.Sprintf("%s; test %d", u.Site, r.Test.Number))
	p.note("Made %s from event %s of history %s by strokebank %s. Times are local, with their zone.", p.at(r.Made), r.Event, r.Installation, r.Program)
	r.about(p)
	r.functions(p)
	r.oil(p)
	r.machines(p)
	r.alarms(p)
	r.byHand(p)
	signatures(p)
	p.note("%s", caution)
	return p.finish()
}

func (r *Record) about(p *paper) {
	u, t := r.Unit, &r.Test
	p.section("The test")
	defer p.end()
	failed := cell{text: fmt.Sprint(t.Count(proof.Fail))}
	if t.Count(proof.Fail) > 0 {
		failed.mark = "medium"
	}
	p.facts(
		fact{"announced by", plain(or(t.By, "not given"))},
		fact{"note", plain(or(t.Note, "none"))},
		fact{"begun", plain(p.at(t.Begin))},
		fact{"ended", plain(p.at(t.End))},
		fact{"pass", plain(fmt.Sprint(t.Count(proof.Pass)))},
		fact{"fail", failed},
		fact{"not seen", plain(fmt.Sprint(t.Count(proof.NotSeen)))},
		fact{"set pressure · least", plain(u.Show.Text(r.SetPressure, Pressure) + " · " + u.Show.Text(r.MinPressure, Pressure))},
		fact{"set level", plain(u.Show.Text(r.SetLevel, Length))},
		fact{"cycles required", plain(fmt.Sprint(u.Required))},
	)
	p.note("Pass: seen to work in the test. Fail: needed and did not work, at least once. Not seen: it was not provoked, or could not be seen; that is no pass.")
}

// functions writes the outcome of each.
func (r *Record) functions(p *paper) {
	p.section("Protective functions")
	defer p.end()
	var rows [][]cell
	for _, f := range r.Test.Results {
		rows = append(rows, []cell{plain(f.Title), outcome(f.Outcome), plain(or(f.By, "–")), plain("")})
	}
	p.table([]string{"Function", "!Outcome", "By what it was seen", "Remarks"}, rows)
}

func outcome(o proof.Outcome) cell {
	switch o {
	case proof.Pass:
		return plain("✓ pass")
	case proof.Fail:
		return cell{text: "fail", mark: "medium"}
	}
	return plain("○ not seen")
}

// oil writes each draw-down, predicted against measured.
func (r *Record) oil(p *paper) {
	p.section("Draw-downs: predicted against measured")
	defer p.end()
	if len(r.Draws) == 0 {
		p.put("p", "", "No oil was drawn in the test.")
		return
	}
	show := func(n signal.Number, of Quantity) string { return r.Unit.known(n, of) }
	var rows [][]cell
	for i := range r.Draws {
		d := &r.Draws[i]
		kept := plain("–")
		switch {
		case d.Cut:
			kept.under = "a pump started before it had ended"
		case !d.Predicted.Known():
			kept.under = "the gas temperature was not known"
		case d.Kept:
			kept = plain("✓ kept")
		default:
			kept = cell{text: "not kept", mark: "medium", under: "the pressure ended under the lower bound"}
		}
		rows = append(rows, []cell{
			plain(d.Start.In(p.zone).Format("15:04:05")), plain(r.Unit.Show.Text(d.Seconds, Duration)),
			cell{text: show(d.Oil, Volume), under: "± " + show(d.Band, Volume)}, plain(show(d.Promised, Volume)), plain(show(d.Before, Pressure)),
			cell{text: show(d.Predicted, Pressure), under: show(d.PredictedLow, Pressure) + " to " + show(d.PredictedHigh, Pressure)},
			plain(show(d.After, Pressure)), kept})
	}
	p.table([]string{"Begun", "#Length", "#Oil measured", "#Oil predicted", "#Before", "#End predicted", "#End measured", "!Verdict"}, rows)
	p.note("Pressures are absolute. Predicted is the end pressure for the oil that was measured, and the oil down to the pressure that was measured, with the gas's exchange of heat.")
	r.rest(p)
}

func (r *Record) rest(p *paper) {
	if r.More > 0 {
		p.note("%d more of what the test brought are in the journal and the export.", r.More)
	}
}

// machines writes what each run gave against what is due.
func (r *Record) machines(p *paper) {
	p.section("Machines: due against measured")
	defer p.end()
	var rows [][]cell
	add := func(position, place string, end time.Time, seconds float64, of Quantity, flow, band, ratio signal.Number, counts bool, reason string) {
		due := signal.Unknown()
		if ratio > 0 {
			due = flow / ratio
		} else if m := r.config(position); m != nil && m.Rating > 0 {
			due, ratio = signal.Number(m.Rating), flow/signal.Number(m.Rating)
		}
		verdict := plain("counts")
		if !counts {
			verdict = cell{text: "does not count", under: reason}
		}
		rows = append(rows, []cell{plain(end.In(p.zone).Format("15:04:05")), cell{text: r.Unit.machine(position), under: place}, plain(r.Unit.Show.Text(seconds, Duration)),
			plain(r.Unit.known(due, of)), cell{text: r.Unit.known(flow, of), under: "± " + percent(2*band, 1)}, plain(percent(ratio, 0)), verdict})
	}
	for i := range r.Fills {
		f := &r.Fills[i]
		add(f.Position, f.Place, f.End, f.Seconds, OilFlow, f.Corrected, f.Uncertainty, f.Ratio, f.Counts, f.Reason)
	}
	for i := range r.Charges {
		c := &r.Charges[i]
		add(c.Position, c.Place, c.End, c.Seconds, AirFlow, c.Corrected, c.Uncertainty, c.Ratio, c.Counts, c.Reason)
	}
	if rows == nil {
		p.put("p", "", "No run was measured in the test.")
		return
	}
	p.table([]string{"Ended", "Machine", "#Length", "#Due", "#Measured", "#Of it", "Measurement"}, rows)
	p.note("Due is the baseline or, until there is one, the rating; both corrected to the set pressure.")
}

func (r *Record) config(position string) *machine.Config {
	for i := range r.Unit.Machines {
		if m := &r.Unit.Machines[i]; m.Position == position {
			return m
		}
	}
	return nil
}

// alarms writes what the test has raised.
func (r *Record) alarms(p *paper) {
	p.section("Alarms that the test raised")
	defer p.end()
	if len(r.Alarms) == 0 {
		p.put("p", "", "None.")
		return
	}
	var rows [][]cell
	for i := range r.Alarms {
		e := &r.Alarms[i]
		rows = append(rows, []cell{plain(e.Time.In(p.zone).Format("15:04:05")), plain(e.Title), plain(r.Unit.machine(e.Source)), plain(string(e.Priority)), plain("")})
	}
	p.table([]string{"!Raised", "Alarm", "Where", "Priority", "Seen in the control room by"}, rows)
}

// byHand is room for what the program cannot see.
func (r *Record) byHand(p *paper) {
	p.tag("section", "class", "boxes")
	p.put("h2", "", "Compared by hand")
	p.note("Each measured point against a gauge, sight glass or calibrated instrument, at the same moment.")
	var rows [][]cell
	for _, id := range r.Unit.Points {
		rows = append(rows, plains(string(id), "", "", "", ""))
	}
	p.table([]string{"Point", "Shown by the program", "Read at the instrument", "Instrument, its number", "Initials"}, rows)
	p.end()
}

// signatures is room for them.
func signatures(p *paper) {
	p.tag("section", "class", "signatures boxes")
	p.put("h2", "", "Signatures")
	var rows [][]cell
	for _, role := range []string{"Tested by", "Witnessed by", "Accepted by"} {
		rows = append(rows, plains(role, "", "", ""))
	}
	p.table([]string{"", "Name", "Signature", "Date"}, rows)
	p.end()
}
