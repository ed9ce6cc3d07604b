package report

import (
	"fmt"
	"io"
	"strconv"
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
	failed := strconv.Itoa(t.Count(proof.Fail))
	if t.Count(proof.Fail) > 0 {
		failed = abnormal("medium", failed)
	}
	p.facts()
	p.fact("announced by", or(t.By, "not given"))
	p.fact("note", or(t.Note, "none"))
	p.fact("begun", p.at(t.Begin))
	p.fact("ended", p.at(t.End))
	p.fact("pass", strconv.Itoa(t.Count(proof.Pass)))
	p.fact("fail", failed)
	p.fact("not seen", strconv.Itoa(t.Count(proof.NotSeen)))
	p.fact("set pressure · least", u.Show.Text(r.SetPressure, Pressure)+" · "+u.Show.Text(r.MinPressure, Pressure))
	p.fact("set level", u.Show.Text(r.SetLevel, Length))
	p.fact("cycles required", strconv.Itoa(u.Required))
	p.end()
	p.note("Pass: seen to work in the test. Fail: needed and did not work, at least once. Not seen: it was not provoked, or could not be seen; that is no pass.")
}

// functions writes the outcome of each.
func (r *Record) functions(p *paper) {
	p.section("Protective functions")
	defer p.end()
	p.table(len(r.Test.Results), "Function", "!Outcome", "By what it was seen", "Remarks")
	for _, f := range r.Test.Results {
		p.row(f.Title, outcome(f.Outcome), or(f.By, "–"), "")
	}
	p.endTable()
}

func outcome(o proof.Outcome) string {
	switch o {
	case proof.Pass:
		return "✓ pass"
	case proof.Fail:
		return abnormal("medium", "fail")
	}
	return "○ not seen"
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
	p.table(len(r.Draws), "Begun", "#Length", "#Oil measured", "#Oil predicted", "#Before", "#End predicted", "#End measured", "!Verdict")
	for i := range r.Draws {
		d := &r.Draws[i]
		kept := "–"
		switch {
		case d.Cut:
			kept = with(kept, "a pump started before it had ended")
		case !d.Predicted.Known():
			kept = with(kept, "the gas temperature was not known")
		case d.Kept:
			kept = "✓ kept"
		default:
			kept = with(abnormal("medium", "not kept"), "the pressure ended under the lower bound")
		}
		p.row(
			d.Start.In(p.zone).Format("15:04:05"), r.Unit.Show.Text(d.Seconds, Duration),
			with(show(d.Oil, Volume), "± "+show(d.Band, Volume)), show(d.Promised, Volume), show(d.Before, Pressure),
			with(show(d.Predicted, Pressure), show(d.PredictedLow, Pressure)+" to "+show(d.PredictedHigh, Pressure)),
			show(d.After, Pressure), kept)
	}
	p.endTable()
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
	if len(r.Fills)+len(r.Charges) == 0 {
		p.put("p", "", "No run was measured in the test.")
		return
	}
	p.table(len(r.Fills)+len(r.Charges), "Ended", "Machine", "#Length", "#Due", "#Measured", "#Of it", "Measurement")
	add := func(position, place string, end time.Time, seconds float64, of Quantity, flow, band, ratio signal.Number, counts bool, reason string) {
		due := signal.Unknown()
		if ratio > 0 {
			due = flow / ratio
		} else if m := r.config(position); m != nil && m.Rating > 0 {
			due, ratio = signal.Number(m.Rating), flow/signal.Number(m.Rating)
		}
		verdict := "counts"
		if !counts {
			verdict = with("does not count", reason)
		}
		p.row(end.In(p.zone).Format("15:04:05"), with(r.Unit.machine(position), place), r.Unit.Show.Text(seconds, Duration),
			r.Unit.known(due, of), with(r.Unit.known(flow, of), "± "+percent(2*band, 1)), percent(ratio, 0), verdict)
	}
	for i := range r.Fills {
		f := &r.Fills[i]
		add(f.Position, f.Place, f.End, f.Seconds, OilFlow, f.Corrected, f.Uncertainty, f.Ratio, f.Counts, f.Reason)
	}
	for i := range r.Charges {
		c := &r.Charges[i]
		add(c.Position, c.Place, c.End, c.Seconds, AirFlow, c.Corrected, c.Uncertainty, c.Ratio, c.Counts, c.Reason)
	}
	p.endTable()
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
	p.table(len(r.Alarms), "!Raised", "Alarm", "Where", "Priority", "Seen in the control room by")
	for i := range r.Alarms {
		e := &r.Alarms[i]
		p.row(e.Time.In(p.zone).Format("15:04:05"), e.Title, r.Unit.machine(e.Source), string(e.Priority), "")
	}
	p.endTable()
}

// byHand is room for what the program cannot see.
func (r *Record) byHand(p *paper) {
	p.tag("section", "class", "boxes")
	p.put("h2", "", "Compared by hand")
	p.note("Each measured point against a gauge, sight glass or calibrated instrument, at the same moment.")
	p.table(len(r.Unit.Points), "Point", "Shown by the program", "Read at the instrument", "Instrument, its number", "Initials")
	for _, id := range r.Unit.Points {
		p.row(string(id), "", "", "", "")
	}
	p.endTable()
	p.end()
}

// signatures is room for them.
func signatures(p *paper) {
	p.tag("section", "class", "signatures boxes")
	p.put("h2", "", "Signatures")
	p.table(3, "", "Name", "Signature", "Date")
	for _, role := range []string{"Tested by", "Witnessed by", "Accepted by"} {
		p.row(role, "", "", "")
	}
	p.endTable()
	p.end()
}
