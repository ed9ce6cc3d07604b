package report

import (
	"fmt"
	"math"
	"time"

	"strokebank/rules/machine"
	"strokebank/rules/machine/work"
)

// health writes what each machine's runs gave, against its baseline.
func (u *Unit) health(p *paper) {
	p.section("Health of the machines")
	defer p.end()
	if u.State == nil {
		p.put("p", "", "Nothing is known of baselines: the history holds no saved state.")
		return
	}
	p.note("Output is corrected to the set pressure and, where the oil's temperature is measured, to 20 °C; a run that is too uncertain does not count.")
	for i := range u.State.Outputs {
		if i < len(u.Machines) {
			u.output(p, &u.Machines[i], &u.State.Outputs[i], &u.Outputs[i])
		}
	}
}

// flowOf is what a machine moves.
func flowOf(m *machine.Config) Quantity {
	if m.Kind == machine.Compressor {
		return AirFlow
	}
	return OilFlow
}

func (u *Unit) output(p *paper, m *machine.Config, v *work.Verdict, o *Output) {
	of := flowOf(m)
	p.tag("div", "class", "machine")
	defer p.end()
	p.put("h3", "", u.machine(m.Position))
	p.facts()
	p.fact("verdict", verdictOf(v))
	p.fact("last run that counted", u.lastRun(v, of))
	p.fact("baseline", with(u.known(v.Baseline, of), baselineWords(v)))
	p.fact("rating", u.known(v.Rating, of))
	p.fact("smoothed", smoothed(v))
	p.fact("falls under its limit", u.forecast(p, v))
	p.end()
	u.outputChart(p, of, m, v, o)
}

func verdictOf(v *work.Verdict) string {
	switch {
	case v.Nothing:
		return abnormal("high", "delivers nothing")
	case v.Low:
		return abnormal("medium", "low output")
	case v.Falling:
		return abnormal("low", "output falls")
	case !v.Baseline.Known() && !v.Last.Known():
		return "not judged yet"
	}
	return "as it should be"
}

func (u *Unit) lastRun(v *work.Verdict, of Quantity) string {
	if !v.Last.Known() {
		return "none yet"
	}
	return with(u.known(v.Last, of), percent(v.Ratio, 1)+" of what is due, ± "+percent(2*v.LastBand, 1))
}

func smoothed(v *work.Verdict) string {
	if !v.Trend.Smoothed.Known() {
		return "not yet"
	}
	return with(percent(v.Trend.Smoothed, 1), "of the baseline, "+plural(int(v.Trend.Fills), "run"))
}

func baselineWords(v *work.Verdict) string {
	if v.Baseline.Known() {
		return fmt.Sprintf("limit %.0f %% of it", 100*work.Limit)
	}
	return plural(v.Learned, "good run") + " so far"
}

// forecast is the date with its interval, or why there is none.
func (u *Unit) forecast(p *paper, v *work.Verdict) string {
	f := &v.Trend.Forecast
	if v.Ratio.Known() && v.Baseline.Known() && float64(v.Ratio) < work.Limit {
		return abnormal("medium", "it is under it")
	}
	if !f.Known {
		return with("no date", f.Reason)
	}
	return with("about "+p.day(f.At), "95 %: "+p.day(f.Early)+" to "+p.day(f.Late))
}

// outputChart draws what the runs gave, with baseline, limit and forecast.
func (u *Unit) outputChart(p *paper, of Quantity, m *machine.Config, v *work.Verdict, o *Output) {
	if o.Runs == nil || o.Taken == 0 {
		p.put("p", "", "No output of it was measured in this period.")
		return
	}
	symbol, one := u.Show.Scale(of)
	base := float64(v.Baseline)
	low, high := o.Runs.extent(one, base/one, work.Limit*base/one)
	if !v.Baseline.Known() {
		low, high = o.Runs.extent(one, m.Rating/one, 0)
	}
	c := p.picture("Output of "+u.machine(m.Position), symbol+", mean and range of the runs in a stretch", u.Span.From, u.ahead(v), low, high)
	c.blind(u.Gaps)
	if v.Baseline.Known() {
		c.level("base", base/one, "baseline")
		c.level("limit", work.Limit*base/one, fmt.Sprintf("limit %.0f %%", 100*work.Limit))
	} else if m.Rating > 0 {
		c.level("base", m.Rating/one, "rating")
	}
	for _, at := range o.Anew {
		c.line("event", c.x(at), chartTop, c.x(at), chartHigh-chartBottom)
		c.text(c.x(at)+3, chartTop-1, "start", "", "anew")
	}
	c.runs(o.Runs, one)
	c.future(u, v, base/one)
	c.end(outputWords(o))
}

func outputWords(o *Output) string {
	text := fmt.Sprintf("%s measured, %d of them count for health", plural(o.Taken, "run"), o.Counted)
	if o.Counted < o.Taken {
		text += "; hollow: none of the stretch counts"
	}
	if len(o.Anew) > 0 {
		text += "; “anew”: the baseline was set anew, or another individual came"
	}
	return text + "."
}

// ahead is the end of the axis: past the record, where a line falls to its
// limit soon.
func (u *Unit) ahead(v *work.Verdict) time.Time {
	if !v.Trend.Forecast.Known || !v.Baseline.Known() {
		return u.Span.To
	}
	most := u.Span.To.Add(u.Span.To.Sub(u.Span.From) * 4 / 10)
	if late := v.Trend.Forecast.Late; late.Before(most) && late.After(u.Span.To) {
		return late
	}
	return most
}

// future draws the line that the forecast stands on, to its limit, and the
// interval of the date there.
func (c *chart) future(u *Unit, v *work.Verdict, base float64) {
	f := &v.Trend.Forecast
	if !f.Known || !v.Baseline.Known() || !v.Trend.Level.Known() || !v.Trend.Slope.Known() {
		return
	}
	limit := work.Limit * base
	if !f.At.After(c.from) {
		return
	}
	// The line is straight: back from where it meets the limit.
	value := func(t time.Time) float64 {
		return limit - float64(v.Trend.Slope)*base*f.At.Sub(t).Hours()/24
	}
	begin, end := u.Span.To, f.At
	if begin.After(end) {
		begin = c.from
	}
	if end.After(c.to) {
		end = c.to
	}
	c.line("ahead", c.x(begin), c.y(value(begin)), c.x(end), c.y(value(end)))
	if f.Early.Before(c.to) {
		c.line("span", c.x(f.Early), c.y(limit), c.x(f.Late), c.y(limit))
	}
	c.name(value(end), "▲ "+f.At.In(c.p.zone).Format(time.DateOnly), "alert")
}

// extent is from the least to the most of what was gathered and of the values
// beside, in an axis' unit.
func (b *Bins) extent(one float64, beside ...float64) (low, high float64) {
	var rows []stretch
	for _, s := range b.list {
		if s.n > 0 {
			rows = append(rows, stretch{low: s.low / one, high: s.high / one})
		}
	}
	low, high = extent(rows, beside...)
	return math.Max(low, 0), high
}

// runs draws what was gathered: the range of a stretch and its mean.
func (c *chart) runs(b *Bins, one float64) {
	for i, s := range b.list {
		if s.n == 0 {
			continue
		}
		from, to := b.edges(i)
		x := c.x(from.Add(to.Sub(from) / 2))
		if s.n > 1 {
			c.line("reach", x, c.y(s.low/one), x, c.y(s.high/one))
		}
		class := "dot"
		if s.counts == 0 {
			class = "hollow"
		}
		c.p.tag("circle", "class", class, "cx", fmt.Sprintf("%.1f", x), "cy", fmt.Sprintf("%.1f", c.y(s.mean/one)), "r", "2")
		c.p.end()
	}
}
