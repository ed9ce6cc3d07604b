// Package report writes the report on units, and the record of a proof test,
// as one HTML page that stands alone: the charts are drawn in it, nothing is
// loaded, no script is needed, and it prints on A4 and on Letter. It is given
// plain values and reads neither clock nor disk. Writing does not change what
// is given; two may be written at once.
package report

import (
	"fmt"
	"io"
	"math"
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/rules/machine"
	"strokebank/rules/proof"
	"strokebank/sensors/signal"
)

// Quantity is what a number measures, for Units.
type Quantity uint8

// The quantities, with their SI units.
const (
	Pressure Quantity = iota // Pa
	Length                   // m
	Volume                   // m³
	OilFlow                  // m³/s
	AirFlow                  // m³/s of free air
	Duration                 // s
)

// Units writes values in the units of the site.
type Units interface {
	// Text is an SI value with its unit; "unknown" for what is no number.
	Text(v float64, of Quantity) string
	// Scale is the unit in which an axis shows a quantity: one of it in SI.
	Scale(of Quantity) (symbol string, one float64)
}

// Report is the whole page.
type Report struct {
	Made         time.Time
	Zone         *time.Location
	Program      string // version and commit
	Installation string // of the history that it stands on
	Units        []Unit
}

// Unit is what is told of one unit. Times and values are as everywhere: SI,
// pressures gauge.
type Unit struct {
	Site, Name string
	Show       Units
	Span       Span      // that the record covers of the time asked for
	Until      time.Time // end of the record

	// State is the unit as it was saved, with dates brought up to Made; nil
	// where nothing was saved. Watched is when it was last judged.
	State   *rules.Assessment
	Watched time.Time

	Machines   []machine.Config // pumps, then compressors
	Required   int
	FullCharge signal.Number // cycles, by the configuration
	Points     []signal.ID   // that are measured, for a test record

	// The course of what is stored and held, and the newest minutes of it.
	AtLeast, Expected, Pressure, Level, Oil, Inventory, Air []rules.Trend
	Newest                                                  Newest

	Duty     [2]*Duty // pumps, compressors
	Outputs  [4]Output
	Load     *Load
	Standing []alarm.Status
	Serviced []Done
	Failures []rules.Failure
	Figures  []Group // reliability
	Cautions []string
	Tests    []Test // in the span, oldest first

	// What nobody watched: in all, in how many gaps, how many more there are of
	// unknown length, and what is drawn of them.
	Blind              time.Duration
	Unwatched, Unknown int
	Gaps               []Span
}

// Newest is the newest rows of the trends; nil where there is none.
type Newest struct{ Expected, Pressure, Level, Oil, Air *rules.Trend }

// Output is what the runs of a machine gave, m³/s, corrected.
type Output struct {
	Runs    *Bins
	Counted int         // of them, for health
	Taken   int         // of them, all
	Anew    []time.Time // the baseline was set anew, or another individual came
}

// Done is something that a person did to a machine or the unit.
type Done struct {
	Time             time.Time
	Source, What, By string
	Note             string
}

// Group is figures under a title; each has a name and the words that say it.
type Group struct {
	Title string
	Rows  [][2]string
}

// Test is a proof test that has ended, under the number of its event.
type Test struct {
	Number uint64
	proof.Test
}

// Write writes the report.
func Write(w io.Writer, r *Report) error {
	p := newPaper(w, r.Zone)
	title := "Report"
	for i := range r.Units {
		title += " " + r.Units[i].Name
	}
	p.head(title, fmt.Sprintf("%s, made %s", title, p.at(r.Made)))
	p.tag("main")
	for i := range r.Units {
		u := &r.Units[i]
		p.show = u.Show
		p.tag("article", "class", "unit")
		u.write(p, r)
		p.end()
	}
	return p.finish()
}

func (u *Unit) write(p *paper, r *Report) {
	p.put("h1", "", "Report on unit "+u.Name)
	p.put("p", "lead", fmt.Sprintf("%s; from %s to %s", u.Site, p.at(u.Span.From), p.at(u.Span.To)))
	p.note("Made %s from history %s by strokebank %s. Times are local, with their zone.", p.at(r.Made), r.Installation, r.Program)
	u.next(p, r.Made)
	u.state(p, r.Made)
	u.reserve(p)
	u.duty(p)
	u.health(p)
	u.leaks(p)
	u.alarms(p)
	u.proof(p)
	u.service(p)
	u.failed(p)
	u.basis(p)
	p.note("%s", caution)
}

const caution = "The program reads and computes; it is not a protective function and nothing here is a warranty. " +
	"The unit stores energy even when all power is off: before work isolate it, relieve oil and air, and verify that there is no pressure. " +
	"Local codes and licensed practice decide."

// machine is the name of a position: its tag first, where it has one.
func (u *Unit) machine(position string) string {
	for i := range u.Machines {
		if m := &u.Machines[i]; m.Position == position && m.Tag != "" && m.Tag != position {
			return fmt.Sprintf("%s (%s)", position, m.Tag)
		}
	}
	return position
}

// stretches are rows of a trend in an axis' unit.
func stretches(rows []rules.Trend, one float64) (list []stretch) {
	for i := range rows {
		r := &rows[i]
		if r.Count == 0 {
			continue
		}
		list = append(list, stretch{r.Start, r.Start.Add(time.Duration(r.Seconds * float64(time.Second))), r.Min / one, r.Mean / one, r.Max / one})
	}
	return list
}

// extent is from the least to the most, and all of the values beside.
func extent(rows []stretch, beside ...float64) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, r := range rows {
		low, high = math.Min(low, r.low), math.Max(high, r.high)
	}
	for _, v := range beside {
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			low, high = math.Min(low, v), math.Max(high, v)
		}
	}
	if room := (high - low) * 0.06; room > 0 {
		low, high = low-room, high+room
	}
	return low, high
}

// percent writes a ratio.
func percent(n signal.Number, decimals int) string {
	if !n.Known() {
		return "unknown"
	}
	return decimal(100*float64(n), decimals) + "\u00a0%" // not broken before it
}

// plural is a number of things in words.
func plural(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}
