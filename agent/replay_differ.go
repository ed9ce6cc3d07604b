package main

import (
	"bufio"
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"strokebank/rules"
)

// movedAtMost is how far apart the same change may be in two replays and still
// be the same one.
const movedAtMost = 24 * time.Hour

// differ judges the same recording by two configurations. Both carry their own
// state over a restart, so that they differ in their settings alone.
type differ struct {
	a, b side
	out  *bufio.Writer
}

// side is one of the two, with the events that it led to.
type side struct {
	lane   *lane
	events []change
}

// change is what is compared of an event.
type change struct {
	at   time.Time
	name string // what happened to what
	met  bool   // the other side has it too
}

func newDiffer(one, other rules.Config, out io.Writer) *differ {
	d := &differ{out: bufio.NewWriter(out)}
	for _, s := range []struct {
		side *side
		cfg  rules.Config
	}{{&d.a, one}, {&d.b, other}} {
		s.side.lane = newLane(s.cfg, func(e *rules.Event) error {
			s.side.events = append(s.side.events, change{at: e.Time, name: changeName(e)})
			return nil
		})
		s.side.lane.carry = true
	}
	return d
}

// changeName is an event without its time and figures.
func changeName(e *rules.Event) string {
	text := fmt.Sprintf("%s %s (%s)", e.Kind, e.Name, e.Source)
	if e.From != "" || e.To != "" {
		if e.Kind != rules.GapEvent { // which says times there
			text += ": " + cmp.Or(e.From, "new") + " → " + e.To
		}
	}
	return text
}

// moved is a change that both sides have, at different times.
type moved struct {
	name string
	a, b time.Time
}

// match finds what both sides have. Events of one name are paired in their
// order; those too far apart are of one side alone.
func (d *differ) match() (both int, apart []moved) {
	places := map[string][]int{}
	for i := range d.b.events {
		name := d.b.events[i].name
		places[name] = append(places[name], i)
	}
	pair := func(i, k int) {
		d.a.events[i].met, d.b.events[k].met = true, true
	}
	// The same moment first, or one more event early on would move all others.
	for i := range d.a.events {
		for _, k := range places[d.a.events[i].name] {
			if b := &d.b.events[k]; !b.met && b.at.Equal(d.a.events[i].at) {
				pair(i, k)
				both++
				break
			}
		}
	}
	for i := range d.a.events {
		a := &d.a.events[i]
		for _, k := range places[a.name] {
			if b := &d.b.events[k]; !a.met && !b.met && b.at.Sub(a.at).Abs() <= movedAtMost {
				pair(i, k)
				apart = append(apart, moved{a.name, a.at, b.at})
			}
		}
	}
	return both, apart
}

// tell writes what is different with the second configuration.
func (d *differ) tell(against string) error {
	both, apart := d.match()
	fmt.Fprintf(d.out, "%d events are the same.\n", both)
	d.alone("Only without "+against, d.a.events)
	d.alone("Only with "+against, d.b.events)
	if len(apart) > 0 {
		fmt.Fprintf(d.out, "\nAt another time with %s: %d\n", against, len(apart))
		for _, m := range apart {
			fmt.Fprintf(d.out, "  %s  %+.0f s  %s\n", m.a.UTC().Format(time.RFC3339), m.b.Sub(m.a).Seconds(), m.name)
		}
	}
	a, b := d.a.lane.figures(), d.b.lane.figures()
	fmt.Fprintf(d.out, "\n%-24s %-45s with %s\n", "Figures", "without", against)
	for i, f := range a {
		mark := " "
		if i >= len(b) || b[i] != f {
			mark = "*"
		}
		other := ""
		if i < len(b) {
			other = b[i].text
		}
		fmt.Fprintf(d.out, "%-24s %-45s %s %s\n", f.name, f.text, mark, other)
	}
	if n := d.b.lane.refused - d.a.lane.refused; n != 0 {
		fmt.Fprintf(d.out, "\nCommands refused: %d without, %d with.\n", d.a.lane.refused, d.b.lane.refused)
	}
	return d.out.Flush()
}

// alone lists what only one side has.
func (d *differ) alone(title string, events []change) {
	list := slices.DeleteFunc(slices.Clone(events), func(c change) bool { return c.met })
	if len(list) == 0 {
		return
	}
	fmt.Fprintf(d.out, "\n%s: %d\n", title, len(list))
	for _, c := range list {
		fmt.Fprintf(d.out, "  %s  %s\n", c.at.UTC().Format(time.RFC3339), strings.TrimSpace(c.name))
	}
}
