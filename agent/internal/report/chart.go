package report

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// A chart is drawn into a frame of so many units; the page stretches it to its
// own width.
const (
	chartWide   = 700.0
	chartHigh   = 140.0
	chartLeft   = 46.0
	chartRight  = 112.0 // room for the names of lines
	chartTop    = 10.0
	chartBottom = 22.0
)

// chart is one picture of values over time.
type chart struct {
	p         *paper
	from, to  time.Time
	low, high float64
	names     []lineName
}

// lineName stands at the right end of a line.
type lineName struct {
	y           float64
	text, class string
}

// picture opens a figure with its caption and draws the axes. The values go
// from low to high in a unit; of says what is drawn.
func (p *paper) picture(title, of string, from, to time.Time, low, high float64) *chart {
	if !(high > low) || math.IsInf(high-low, 0) {
		low, high = low-1, low+1
	}
	if !to.After(from) {
		to = from.Add(time.Hour)
	}
	p.tag("figure")
	p.tag("figcaption")
	p.say(title)
	p.put("span", "of", " "+of)
	p.end()
	p.tag("svg", "class", "chart", "viewBox", fmt.Sprintf("0 0 %g %g", chartWide, chartHigh), "role", "img", "aria-label", title+" "+of)
	p.tag("defs")
	p.tag("pattern", "id", "unseen", "width", "5", "height", "5", "patternUnits", "userSpaceOnUse", "patternTransform", "rotate(45)")
	p.tag("path", "d", "M0 0V5", "stroke", "#8a9399", "stroke-width", "1.5")
	p.end()
	p.end()
	p.end()
	c := &chart{p: p, from: from, to: to, low: low, high: high}
	c.axes()
	return c
}

// bounded keeps what is drawn inside the frame.
func bounded(v, low, high float64) float64 { return math.Min(math.Max(v, low), high) }

func (c *chart) x(t time.Time) float64 {
	part := t.Sub(c.from).Seconds() / c.to.Sub(c.from).Seconds()
	return chartLeft + bounded(part, 0, 1)*(chartWide-chartLeft-chartRight)
}

func (c *chart) y(v float64) float64 {
	return chartHigh - chartBottom - bounded((v-c.low)/(c.high-c.low), 0, 1)*(chartHigh-chartTop-chartBottom)
}

func (c *chart) axes() {
	values, decimals := ticks(c.low, c.high, 5)
	for _, v := range values {
		c.line("grid", chartLeft, c.y(v), chartWide-chartRight, c.y(v))
		c.text(chartLeft-5, c.y(v)+3.5, "end", "", decimal(v, decimals))
	}
	floor := chartHigh - chartBottom
	last := -math.MaxFloat64
	for _, m := range moments(c.from, c.to, c.p.zone, 9) {
		x := c.x(m.at)
		if x-last < 48 {
			continue
		}
		last = x
		c.line("axis", x, floor, x, floor+4)
		c.text(x, floor+15, "middle", "", m.text)
	}
	c.line("axis", chartLeft, floor, chartWide-chartRight, floor)
}

func (c *chart) line(class string, x1, y1, x2, y2 float64) {
	c.path(class, fmt.Sprintf("M%.1f %.1fL%.1f %.1f", x1, y1, x2, y2))
}

func (c *chart) path(class, d string) {
	if d == "" {
		return
	}
	c.p.tag("path", "class", class, "d", d)
	c.p.end()
}

func (c *chart) text(x, y float64, anchor, class, text string) {
	c.p.tag("text", "x", fmt.Sprintf("%.1f", x), "y", fmt.Sprintf("%.1f", y), "text-anchor", anchor, "class", class)
	c.p.say(text)
	c.p.end()
}

// level draws a line at a value across the frame, with its name.
func (c *chart) level(class string, v float64, name string) {
	if v < c.low || v > c.high {
		return
	}
	c.line(class, chartLeft, c.y(v), chartWide-chartRight, c.y(v))
	c.name(v, name, "name")
}

// name keeps the name of a line at a value, to be written at the end.
func (c *chart) name(v float64, text, class string) {
	c.names = append(c.names, lineName{c.y(v), text, class})
}

// blind hatches the times that nobody watched.
func (c *chart) blind(gaps []Span) {
	for _, g := range gaps {
		if !g.To.After(c.from) || !g.From.Before(c.to) {
			continue
		}
		x := c.x(g.From)
		c.p.tag("rect", "class", "blind", "x", fmt.Sprintf("%.1f", x), "y", fmt.Sprint(chartTop),
			"width", fmt.Sprintf("%.1f", math.Max(c.x(g.To)-x, 0.8)), "height", fmt.Sprint(chartHigh-chartTop-chartBottom))
		c.p.end()
	}
}

// stretch is what a value did in one step: least, mean and most.
type stretch struct {
	from, to        time.Time
	low, mean, high float64
}

// envelope draws from the least to the most of each step; where a step is
// missing there is a gap.
func (c *chart) envelope(rows []stretch) {
	var d strings.Builder
	for _, part := range parts(rows) {
		for i, r := range part {
			fmt.Fprintf(&d, "%s%.1f %.1fL%.1f %.1f", letter(i), c.x(r.from), c.y(r.high), c.x(r.to), c.y(r.high))
		}
		for i := len(part) - 1; i >= 0; i-- {
			fmt.Fprintf(&d, "L%.1f %.1fL%.1f %.1f", c.x(part[i].to), c.y(part[i].low), c.x(part[i].from), c.y(part[i].low))
		}
		d.WriteString("Z")
	}
	c.path("envelope", d.String())
}

// course draws a value of each step as steps; where one is missing there is a
// gap.
func (c *chart) course(class string, rows []stretch, of func(*stretch) float64) {
	var d strings.Builder
	for _, part := range parts(rows) {
		for i := range part {
			r := &part[i]
			fmt.Fprintf(&d, "%s%.1f %.1fL%.1f %.1f", letter(i), c.x(r.from), c.y(of(r)), c.x(r.to), c.y(of(r)))
		}
	}
	c.path(class, d.String())
}

func letter(i int) string {
	if i == 0 {
		return "M"
	}
	return "L"
}

// parts are the stretches that follow each other without a gap.
func parts(rows []stretch) (list [][]stretch) {
	begin := 0
	for i := range rows {
		if i+1 == len(rows) || rows[i+1].from.Sub(rows[i].to) > rows[i].to.Sub(rows[i].from)/2 {
			list = append(list, rows[begin:i+1])
			begin = i + 1
		}
	}
	return list
}

// end writes the names, none over another, and closes the figure; small print
// may follow in legend.
func (c *chart) end(legend string) {
	const apart = 12.0
	// From the top down each name is pushed below the one before, and from the
	// bottom up back into the frame.
	for i := range c.names {
		for k := i; k > 0 && c.names[k].y < c.names[k-1].y; k-- {
			c.names[k], c.names[k-1] = c.names[k-1], c.names[k]
		}
	}
	for i := 1; i < len(c.names); i++ {
		c.names[i].y = math.Max(c.names[i].y, c.names[i-1].y+apart)
	}
	floor := chartHigh - chartBottom
	for i := len(c.names) - 1; i >= 0; i-- {
		c.names[i].y = math.Min(c.names[i].y, floor)
		floor = c.names[i].y - apart
	}
	for _, n := range c.names {
		c.text(chartWide-chartRight+5, n.y+3.5, "start", n.class, n.text)
	}
	c.p.end()
	if legend != "" {
		c.p.put("p", "legend", legend)
	}
	c.p.end()
}
