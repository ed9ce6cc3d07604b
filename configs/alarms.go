package configs

import (
	"math"
	"time"

	"strokebank/configs/quantity"
	"strokebank/rules/alarm"
)

// alarmLimits are the alarms that have a limit of their own, and what it is.
var alarmLimits = map[string]quantity.Dimension{}

func alarmNames() []string {
	var names []string
	for _, d := range alarm.Catalogue() {
		names = append(names, d.Name)
	}
	return names
}

// alarms decodes what the site changes of the catalogue.
func (s section) alarms() map[string]alarm.Setting {
	settings := map[string]alarm.Setting{}
	names, values := s.named("alarms")
	for i, name := range names {
		v := values[i]
		d, known := alarm.Find(name)
		if !known {
			v.problem("no such alarm", nearest(name, alarmNames()))
			continue
		}
		if word, plain := scalar(v.node); plain {
			what := "\"" + short(word) + "\" where keys are needed: alarms cannot be turned off or on here"
			if d.Safety {
				what = "\"" + short(word) + "\" where keys are needed: this alarm guards the reserve and cannot be turned off"
			}
			v.problem(what, "write what the site changes of it, as {on_delay: 30 s}")
			continue
		}
		settings[name] = v.setting(name)
	}
	return settings
}

func (v value) setting(name string) alarm.Setting {
	s := v.section(alarmKeys)
	set := alarm.Setting{
		Priority: alarm.Priority(s.text("priority")),
		OnDelay:  s.delay("on_delay"),
		OffDelay: s.delay("off_delay"),
		Note:     s.text("note"),
	}
	if band := s.quantity("deadband"); !math.IsNaN(band) {
		set.Deadband = &band
	}
	if s.has("acknowledge") {
		wait := s.flag("acknowledge")
		set.Acknowledge = &wait
	}
	limit, _, ok := s.get("limit")
	if d, own := alarmLimits[name]; ok && !own {
		limit.problem(name+" has no limit of its own", "leave it out; pressures and levels of alarms stand in set_points, cycles in reserve")
	} else if ok {
		x := limit.quantity(d, anywhere)
		set.Limit = &x
	}
	return set
}

func (s section) delay(name string) *time.Duration {
	x := s.quantity(name)
	if math.IsNaN(x) {
		return nil
	}
	d := seconds(x)
	return &d
}
