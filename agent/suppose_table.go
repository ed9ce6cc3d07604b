package main

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"strings"
	"text/tabwriter"

	"strokebank/configs/quantity"
	"strokebank/rules/reserve"
	"strokebank/sensors/signal"
)

const supposeCaution = `At least is a computed lower bound within what is stated above. It is not a
protective function and not a warranty; the plant's own procedures, local codes
and licensed practice decide.`

// answer is what the engine says of a supposition.
type answer struct {
	*supposition
	figures reserve.Figures
	inFile  reserve.Figures // of the file's own set-up at full charge
	doubts  []reserve.Price // nil where nobody asked
}

func (s *supposition) answer(doubts bool) (*answer, error) {
	a := &answer{supposition: s}
	engine, err := reserve.New(s.config.Reserve)
	if err != nil {
		return nil, err
	}
	engine.Evaluate(s.input(), &a.figures)
	if doubts {
		a.doubts = engine.Doubts(s.input())
	}
	full := s.asInFile()
	if engine, err = reserve.New(full.config.Reserve); err != nil {
		return nil, err
	}
	engine.Evaluate(full.input(), &a.inFile)
	return a, nil
}

// table writes the answer for a person.
func (a *answer) table(to io.Writer) error {
	var b bytes.Buffer
	a.head(&b)
	if !a.figures.Known {
		fmt.Fprintf(&b, "\nThe reserve cannot be known: %s.\n", a.figures.Reason)
		_, err := to.Write(b.Bytes())
		return err
	}
	// The answer comes last, where a terminal still shows it.
	a.strokes(&b)
	a.verdict(&b)
	a.compare(&b)
	if a.doubts != nil {
		a.price(&b)
	}
	fmt.Fprintf(&b, "\n%s\n", supposeCaution)
	_, err := to.Write(b.Bytes())
	return err
}

// columnsOf lines up what fill writes with tabs between.
func columnsOf(b *bytes.Buffer, fill func(row func(cells ...string))) {
	w := tabwriter.NewWriter(b, 0, 0, 3, ' ', 0)
	fill(func(cells ...string) { fmt.Fprintf(w, "  %s\n", strings.Join(cells, "\t")) })
	w.Flush() // into memory: cannot fail
}

// head says what is supposed.
func (a *answer) head(b *bytes.Buffer) {
	r := &a.config.Reserve
	oil := r.Tank.Volume(a.level)
	fmt.Fprintf(b, "%s, unit %s. Supposed, not measured:\n\n", a.site, a.name)
	columnsOf(b, func(row func(...string)) {
		for i, change := range a.changes {
			row([]string{"set-up", ""}[min(i, 1)], change)
		}
		row("gas pressure", a.show(a.pressure, quantity.Pressure)+" gauge; the valves need "+a.show(r.MinPressure, quantity.Pressure))
		row("oil level", fmt.Sprintf("%s, that is %s of oil under %s of gas; %s must stay", a.show(a.level, quantity.Length),
			a.show(oil, quantity.Volume), a.show(r.Tank.Total()-oil, quantity.Volume), a.show(r.UnusableOil, quantity.Volume)))
		row("gas temperature", a.show(a.gas, quantity.Temperature)+a.wallText())
		row("atmosphere", a.atmosphereText()+" absolute")
		row("shutdown cycle", a.cycleText())
	})
}

// atmosphereText is finer than other pressures are shown.
func (a *answer) atmosphereText() string {
	if a.display == quantity.US {
		return fmt.Sprintf("%.2f psi", a.atmosphere/6894.757)
	}
	return fmt.Sprintf("%.0f mbar", a.atmosphere/100)
}

func (a *answer) wallText() string {
	text := ", the tank's wall too (settled)"
	if a.gas != a.wall {
		text = ", the tank's wall " + a.show(a.wall, quantity.Temperature)
	}
	if !a.wallKnown {
		text += fmt.Sprintf("; the wall is not measured, so at least allows for %s", a.show(a.lowestWall(), quantity.Temperature))
	}
	return text
}

// lowestWall is the temperature to which the wall may fall, K.
func (a *answer) lowestWall() float64 {
	r := &a.config.Reserve
	switch {
	case a.wallKnown:
		return a.wall - r.WallBand
	case r.LowestWall > 0:
		return r.LowestWall
	}
	return r.UsualWall - r.WallBand
}

func (a *answer) cycleText() string {
	r := &a.config.Reserve
	closing, opening := 0.0, 0.0
	for _, s := range r.Cycle {
		if s.Closing {
			closing += s.Oil
		} else {
			opening += s.Oil
		}
	}
	text := fmt.Sprintf("%s: closing takes %s, opening %s", strings.Join(tags(r.Cycle), ", "), a.show(closing, quantity.Volume), a.show(opening, quantity.Volume))
	if r.EndsWithClosing {
		text += "; a cycle counts once all are closed"
	}
	return text
}

// verdict is the answer in one line.
func (a *answer) verdict(b *bytes.Buffer) {
	least, need := int(a.figures.AtLeast), a.figures.Required
	word := "the %d required are stored"
	if least < need {
		word = "LESS THAN THE %d REQUIRED"
	}
	fmt.Fprintf(b, "\nAt least %s: "+word+".\n\n", plural(least), need)
}

func plural(cycles int) string {
	if cycles == 1 {
		return "1 cycle"
	}
	return fmt.Sprintf("%d cycles", cycles)
}

// compare shows the figures, beside those of the file where they differ.
func (a *answer) compare(b *bytes.Buffer) {
	both := a.elsewhere || a.changes != nil
	columnsOf(b, func(row func(...string)) {
		line := func(name string, of func(*reserve.Figures) string) {
			if both {
				row(name, of(&a.figures), of(&a.inFile))
			} else {
				row(name, of(&a.figures))
			}
		}
		if both {
			row("", "SUPPOSED", "FILE, FULL CHARGE")
		}
		line("at least", func(f *reserve.Figures) string { return fmt.Sprintf("%.0f cycles", float64(f.AtLeast)) })
		line("expected", func(f *reserve.Figures) string { return tenths(f.Expected) })
		line("full charge", func(f *reserve.Figures) string { return tenths(f.FullCharge) })
		line("required", func(f *reserve.Figures) string { return fmt.Sprintf("%d cycles", f.Required) })
		line("ended by", func(f *reserve.Figures) string { return limits(f) })
		line("usable oil, at least", func(f *reserve.Figures) string { return a.number(f.UsableAtLeast, quantity.Volume) })
		line("usable oil, expected", func(f *reserve.Figures) string { return a.number(f.UsableOil, quantity.Volume) })
		line("required cycles kept, without mains, for", func(f *reserve.Figures) string { return a.hold(f) })
		line("time to full charge, both machines", func(f *reserve.Figures) string { return a.refill(f.TimeToFull) })
		line("time to full charge, one machine", func(f *reserve.Figures) string { return a.refill(f.TimeToFullOne) })
	})
}

// tenths writes cycles with one decimal, never rounded up to a cycle that is
// not there.
func tenths(n signal.Number) string {
	if !n.Known() {
		return "unknown"
	}
	return fmt.Sprintf("%.1f cycles", math.Floor(float64(n)*10+1e-6)/10)
}

func limits(f *reserve.Figures) string {
	if f.AtLeastLimit == f.Limit {
		return string(f.Limit)
	}
	return fmt.Sprintf("%s (at least: %s)", f.Limit, f.AtLeastLimit)
}

func (s *supposition) number(n signal.Number, d quantity.Dimension) string {
	return s.show(float64(n), d)
}

func (s *supposition) hold(f *reserve.Figures) string {
	switch {
	case f.HoldTime == 0:
		return "not kept now"
	case f.HoldTime >= reserve.HoldTimeMax:
		return "a year or more"
	}
	return s.number(f.HoldTime, quantity.Duration)
}

// leakTooLarge is why a time to full charge is not known: a checked file has
// all ratings.
const leakTooLarge = "the leak takes more than the pumps give"

func (s *supposition) refill(n signal.Number) string {
	switch {
	case !n.Known():
		return "never: " + leakTooLarge
	case n == 0:
		return "none: it is full"
	}
	return s.number(n, quantity.Duration)
}

// strokes is the expected course, stroke by stroke.
func (a *answer) strokes(b *bytes.Buffer) {
	fmt.Fprint(b, "\nExpected after each stroke, mains lost:\n\n")
	f := &a.figures
	columnsOf(b, func(row func(...string)) {
		row("CYCLE", "VALVE", "STROKE", "PRESSURE", "LEVEL", "COUNTS")
		for i, s := range f.Strokes {
			cycle, counts := "", "yes"
			if i == 0 || f.Strokes[i-1].Cycle != s.Cycle {
				cycle = fmt.Sprint(s.Cycle)
			}
			if !s.Counts {
				counts = fmt.Sprintf("no: too little %s", f.Limit)
			}
			row(cycle, s.Valve, movement(s.Closing), a.number(s.Pressure, quantity.Pressure), a.number(s.Level, quantity.Length), counts)
		}
	})
	if n := len(f.Strokes); n == reserve.MaxRows {
		fmt.Fprintf(b, "  (the first %d strokes; it goes on to %s, ended by %s)\n", n, tenths(f.Expected), f.Limit)
	}
}

// price says what each doubt takes off the figure at least.
func (a *answer) price(b *bytes.Buffer) {
	fmt.Fprint(b, "\nWhat each doubt takes off at least while the others stay (they do not add up):\n\n")
	columnsOf(b, func(row func(...string)) {
		for _, p := range a.doubts {
			row(p.Doubt, fmt.Sprintf("%.2f cycles", float64(p.Cycles)), a.doubt(p.Doubt))
		}
	})
}

// doubt says what at least assumes.
func (a *answer) doubt(name string) string {
	r := &a.config.Reserve
	switch name {
	case "pressure band":
		return "the transmitter is right within " + a.show(r.PressureBand, quantity.Pressure)
	case "level band":
		return "the transmitter is right within " + a.show(r.LevelBand, quantity.Length)
	case "heat exchange":
		if r.HeatExchangeUpper == 0 {
			return "not known: no heat reaches the gas during the strokes"
		}
		return "time constant up to " + a.show(r.HeatExchangeUpper, quantity.Duration)
	case "gas temperature":
		return "taken as supposed"
	case "wall":
		return "may be at " + a.show(a.lowestWall(), quantity.Temperature) + ", and cools as it warms the gas"
	case "leak":
		if a.leak.Known() {
			return "taken as supposed"
		}
		return "up to " + a.show(r.MaxLeak, quantity.Flow)
	case "real gas":
		return "air is not an ideal gas"
	}
	return ""
}
