package report

import (
	"fmt"
	"math"
	"strconv"
)

// duty writes how each pair shared its work.
func (u *Unit) duty(p *paper) {
	p.section("Duty balance")
	defer p.end()
	p.table(4, "Machine", "#Run", "#Share", "#Starts", "#Share", "#Led", "#Mean run", "#Longest")
	for pair, d := range u.Duty {
		if d == nil || 2*pair+1 >= len(u.Machines) {
			continue
		}
		for i := range 2 {
			mean := 0.0
			if d.Starts[i] > 0 {
				mean = d.Run[i] / float64(d.Starts[i])
			}
			run := u.doubted(decimal(d.Run[i]/3600, 2)+" h", d.Doubt[i])
			p.row(u.machine(u.Machines[2*pair+i].Position), run, share(d.Run[i], d.Run[1-i]),
				strconv.Itoa(d.Starts[i]), share(float64(d.Starts[i]), float64(d.Starts[1-i])),
				strconv.Itoa(d.Leads[i]), length(u, mean), length(u, d.Longest[i]))
		}
	}
	p.endTable()
	u.imbalance(p)
	for pair, d := range u.Duty {
		if d != nil && 2*pair+1 < len(u.Machines) && d.Run[0]+d.Run[1] > 0 {
			u.dutyChart(p, d, u.Machines[2*pair].Position, u.Machines[2*pair+1].Position)
		}
	}
}

// length is a time that something took; a dash where there was nothing.
func length(u *Unit, seconds float64) string {
	if !(seconds > 0) {
		return "–"
	}
	return u.Show.Text(seconds, Duration)
}

func share(a, b float64) string {
	if !(a+b > 0) {
		return "–"
	}
	return decimal(100*a/(a+b), 0) + " %"
}

// imbalance says how far each pair is from sharing, and of turns not handed
// over.
func (u *Unit) imbalance(p *paper) {
	for pair, name := range [...]string{"Pumps", "Compressors"} {
		d := u.Duty[pair]
		if d == nil {
			continue
		}
		text := name + " did not run in this period."
		if a, b := d.Run[0], d.Run[1]; a+b > 0 {
			text = fmt.Sprintf("%s: imbalance of run time %+.2f (0 is even, ±1 all by one).", name, (a-b)/(a+b))
		}
		if u.State != nil && pair < len(u.State.Pairs) {
			s := &u.State.Pairs[pair]
			text += fmt.Sprintf(" Turns not handed over so far: %.0f.", s.Missed)
		}
		p.put("p", "", text)
	}
}

// dutyChart draws the run hours of both machines by the calendar.
func (u *Unit) dutyChart(p *paper, d *Duty, first, second string) {
	most := 0.0
	for i := range d.seconds[0] {
		most = math.Max(most, math.Max(d.seconds[0][i], d.seconds[1][i])/3600)
	}
	unit, one := "h", 1.0
	if most < 0.5 {
		unit, one = "min", 1.0/60
	}
	c := p.picture(fmt.Sprintf("Run time of %s and %s", first, second), fmt.Sprintf("%s each %s", unit, d.each), u.Span.From, u.Span.To, 0, most/one*1.05)
	c.blind(u.Gaps)
	for i := range d.seconds[0] {
		x0, x1 := c.x(d.edges[i]), c.x(d.edges[i+1])
		width := math.Max((x1-x0)*0.42, 0.4)
		for k, class := range [...]string{"one", "two"} {
			if v := d.seconds[k][i] / 3600 / one; v > 0 {
				c.bar(class, (x0+x1)/2+float64(k-1)*width, width, v)
			}
		}
	}
	c.p.end()
	p.tag("p", "class", "legend")
	for k, class := range [...]string{"one", "two"} {
		p.tag("span", "class", "swatch "+class)
		p.end()
		p.say(u.machine([...]string{first, second}[k]))
	}
	p.end()
	p.end()
}

func (c *chart) bar(class string, x, width, v float64) {
	c.p.tag("rect", "class", class, "x", fmt.Sprintf("%.1f", x), "y", fmt.Sprintf("%.1f", c.y(v)),
		"width", fmt.Sprintf("%.1f", width), "height", fmt.Sprintf("%.1f", c.y(c.low)-c.y(v)))
	c.p.end()
}
