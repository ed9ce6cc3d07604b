package configs

import (
	"fmt"
	"time"

	"strokebank/rules/machine"
)

// pair decodes two machines that back each other up.
func (s section) pair(kind machine.Kind) machine.PairConfig {
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
	for i := range p.Machines {
		position := fmt.Sprintf("%s%d", kind, i+1)
		m := s.block(position)
		p.Machines[i] = m.machine(position, kind)
		if other, twice := tags[p.Machines[i].Tag]; twice && p.Machines[i].Tag != "" {
			m.report("tag", "is the tag of "+other+" too", "write the tag of this position")
		}
		tags[p.Machines[i].Tag] = position
	}
	return p
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
	return m
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
