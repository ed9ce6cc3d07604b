package configs

import (
	"fmt"
	"math"
	"time"

	"strokebank/configs/quantity"
	"strokebank/rules/machine"
	"strokebank/rules/machine/service"
)

// pair decodes two machines that back each other up, and what is to be done at
// them again and again.
func (s section) pair(kind machine.Kind) (machine.PairConfig, []service.Task) {
	p := machine.PairConfig{
		Kind:     kind,
		CutIn:    s.quantity("cut_in"),
		CutOut:   s.quantity("cut_out"),
		NoAnswer: s.quantity("no_answer"),
		Answer:   seconds(s.quantity("answer")),
	}
	p.Turns, _ = s.integer("turns", 0, 100)
	if p.CutIn >= p.CutOut {
		s.report("cut_in", s.written("cut_in")+" is not under cut_out ("+s.written("cut_out")+")",
			"write the value at which the machine starts, under the one at which it stops")
	}
	if !s.has("no_answer") {
		p.NoAnswer = max(p.CutIn-(p.CutOut-p.CutIn), p.CutIn/2)
	} else if p.NoAnswer >= p.CutIn {
		s.report("no_answer", s.written("no_answer")+" is not under cut_in ("+s.written("cut_in")+")",
			"write a value far under the one at which the machine starts")
	}
	tags := map[string]string{}
	var tasks []service.Task
	for i := range p.Machines {
		position := fmt.Sprintf("%s%d", kind, i+1)
		m := s.block(position)
		p.Machines[i] = m.machine(position, kind)
		tasks = append(tasks, m.tasks(string(kind), position)...)
		if other, twice := tags[p.Machines[i].Tag]; twice && p.Machines[i].Tag != "" {
			m.report("tag", "is the tag of "+other+" too", "write the tag of this position")
		}
		tags[p.Machines[i].Tag] = position
	}
	return p, tasks
}

func (s section) machine(position string, kind machine.Kind) machine.Config {
	m := machine.Config{
		Position:  position,
		Kind:      kind,
		Tag:       s.text("tag"),
		Serial:    s.text("serial"),
		Installed: s.date("installed"),
		RunOffset: s.quantity("hours_before"),
		Rating:    s.quantity("rating"),
	}
	starts, _ := s.integer("starts_before", 0, 100_000_000)
	limit, _ := s.integer("starts_per_hour", 1, 1000)
	m.StartOffset, m.StartsPerHour = float64(starts), float64(limit)
	m.Baseline = s.baseline(m.Rating)
	return m
}

// oddBaseline is by how much a baseline may differ from the rating, either way,
// before it is taken for a mistake.
const oddBaseline = 2

// baseline is the output that counts as normal, m³/s; 0: learned.
func (s section) baseline(rating float64) float64 {
	v, k, ok := s.get("baseline")
	if !ok {
		return 0
	}
	text, ok := v.plain(k.example())
	switch {
	case !ok || text == k.def:
		return 0
	case text == "rating":
		return orZero(rating)
	}
	flow := v.quantity(quantity.Flow, span{least: 0, leastText: "0 L/min", open: true, most: math.Inf(1)})
	if flow > oddBaseline*rating || flow < rating/oddBaseline {
		v.problem(text+" is far from the rating of "+s.written("rating"), "write "+k.example())
	}
	return orZero(flow)
}

// date is a key's day, UTC; the zero time where it is absent.
func (s section) date(name string) time.Time {
	text := s.text(name)
	if text == "" {
		return time.Time{}
	}
	day, err := time.Parse(time.DateOnly, text)
	if err != nil {
		s.report(name, fmt.Sprintf("%q is not a day", short(text)), "write year-month-day, as 2021-05-31")
	}
	return day
}
