package configs

import (
	"math"
	"time"

	"strokebank/configs/quantity"
	"strokebank/rules"
	"strokebank/rules/alarm"
)

// alarmLimits are the alarms that can have a limit apart from the set points
// of the panel, and what it is.
var alarmLimits = map[string]quantity.Dimension{
	alarm.LowPressure: quantity.Pressure,
	alarm.LowLevel:    quantity.Length,
}

func alarmNames() []string {
	var names []string
	for _, d := range alarm.Catalogue() {
		names = append(names, d.Name)
	}
	return names
}

// alarms decodes what the site changes of the catalogue.
func (s section) alarms(c *rules.Config) map[string]alarm.Setting {
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
		settings[name] = v.setting(name, c)
	}
	return settings
}

func (v value) setting(name string, c *rules.Config) alarm.Setting {
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
	if s.has("latch") {
		hold := s.flag("latch")
		set.Latch = &hold
	}
	if limit, _, ok := s.get("limit"); ok {
		set.Limit = limit.alarmLimit(name, c)
	}
	return set
}

// alarmLimit is a limit of the alarm's own, SI. The machines must be allowed
// to start before it is reached.
func (v value) alarmLimit(name string, c *rules.Config) *float64 {
	d, own := alarmLimits[name]
	if !own {
		v.problem(name+" has no limit of its own", "leave it out; what it is judged by stands in set_points, reserve, pumps and compressors")
		return nil
	}
	x := v.quantity(d, span{least: 0, leastText: "0", open: true, most: math.Inf(1)})
	start := c.Pumps.CutIn
	if name == alarm.LowPressure {
		start = c.Compressors.CutIn
	}
	if x >= start {
		v.problem("is not under the cut_in of the machines", "write a limit that is reached only if they do not help")
	}
	return &x
}

func (s section) delay(name string) *time.Duration {
	x := s.quantity(name)
	if math.IsNaN(x) {
		return nil
	}
	d := seconds(x)
	return &d
}
