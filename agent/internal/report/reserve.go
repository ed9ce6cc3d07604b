package report

import (
	"fmt"

	"strokebank/rules/alarm"
	"strokebank/sensors/signal"
)

// reserve draws what was stored over the span.
func (u *Unit) reserve(p *paper) {
	p.section("Reserve over the period")
	defer p.end()
	low, expected := stretches(u.AtLeast, 1), stretches(u.Expected, 1)
	if len(low)+len(expected) == 0 {
		p.put("p", "", "No reserve was recorded in this period.")
		return
	}
	_, high := extent(append(low[:len(low):len(low)], expected...), float64(u.Required), float64(u.FullCharge))
	c := p.picture("Shutdown cycles stored", "least of “at least” in each step, solid; “expected”, mean dotted with its range grey", u.Span.From, u.Span.To, 0, high)
	c.blind(u.Gaps)
	c.envelope(expected)
	c.course("second", expected, func(r *stretch) float64 { return r.mean })
	c.course("mean", low, func(r *stretch) float64 { return r.low })
	c.level("limit", float64(u.Required), fmt.Sprintf("required %d", u.Required))
	if u.FullCharge.Known() {
		c.level("base", float64(u.FullCharge), "full charge "+decimal(float64(u.FullCharge), 1))
	}
	if n := len(low); n > 0 {
		c.name(low[n-1].low, "at least", "name")
	}
	if n := len(expected); n > 0 {
		c.name(expected[n-1].mean, "expected", "")
	}
	c.below(low, float64(u.Required))
	c.end(u.reserveWords(p, low))
	u.tankCharts(p)
}

// below strikes the foot of the chart where a value is under a limit.
func (c *chart) below(rows []stretch, limit float64) {
	d, floor := "", chartHigh-chartBottom-2
	for _, r := range rows {
		if r.low < limit {
			d += fmt.Sprintf("M%.1f %.1fL%.1f %.1f", c.x(r.from), floor, max(c.x(r.to), c.x(r.from)+1), floor)
		}
	}
	c.path("span", d)
}

func (u *Unit) reserveWords(p *paper, rows []stretch) string {
	text := ""
	if len(rows) > 0 {
		worst := rows[0]
		for _, r := range rows {
			if r.low < worst.low {
				worst = r
			}
		}
		text = fmt.Sprintf("The least was at least %.0f cycles, in the step from %s. ", worst.low, p.at(worst.from))
		if worst.low < float64(u.Required) {
			text += "▲ The bar at the foot marks steps in which it was below what is required. "
		} else {
			text += "It was never below what is required. "
		}
	}
	if u.Load != nil {
		if n, raised := u.Load.of(alarm.LowReserve, "unit"); n > 0 {
			text += fmt.Sprintf("Its alarm stood %s, %s in all. ", plural(n, "time"), u.Show.Text(raised, Duration))
		}
		if n, raised := u.Load.of(alarm.ReserveUnknown, "unit"); n > 0 {
			text += fmt.Sprintf("The reserve could not be computed %s, %s in all. ", plural(n, "time"), u.Show.Text(raised, Duration))
		}
	}
	return text + "Hatched: nobody watched."
}

// tankCharts draws pressure and level with their set points.
func (u *Unit) tankCharts(p *paper) {
	if u.State == nil {
		return
	}
	l := &u.State.Limits
	symbol, one := u.Show.Scale(Pressure)
	rows := stretches(u.Pressure, one)
	if len(rows) > 0 {
		low, high := extent(rows, l.SetPressure/one, l.MinPressure/one)
		c := p.picture("Gauge pressure", symbol+", mean with its range", u.Span.From, u.Span.To, low, high)
		c.values(u, rows)
		c.level("base", l.SetPressure/one, "set "+u.Show.Text(l.SetPressure, Pressure))
		c.level("limit", l.LowPressure/one, "low "+u.Show.Text(l.LowPressure, Pressure))
		c.level("limit", l.MinPressure/one, "least "+u.Show.Text(l.MinPressure, Pressure))
		c.end("")
	}
	symbol, one = u.Show.Scale(Length)
	rows = stretches(u.Level, one)
	if len(rows) > 0 {
		low, high := extent(rows, l.SetLevel/one, l.LowLevel/one)
		c := p.picture("Oil level", symbol+", mean with its range", u.Span.From, u.Span.To, low, high)
		c.values(u, rows)
		c.level("base", l.SetLevel/one, "set "+u.Show.Text(l.SetLevel, Length))
		c.level("limit", l.LowLevel/one, "low "+u.Show.Text(l.LowLevel, Length))
		c.end("")
	}
}

func (c *chart) values(u *Unit, rows []stretch) {
	c.blind(u.Gaps)
	c.envelope(rows)
	c.course("mean", rows, func(r *stretch) float64 { return r.mean })
}

// known writes a number through the units of the site, or "unknown".
func (u *Unit) known(n signal.Number, of Quantity) string { return u.Show.Text(float64(n), of) }
