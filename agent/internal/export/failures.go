package export

import (
	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/sensors/signal"
)

func seen(f *rules.Failure) *rules.FailureSeen     { return f.Seen }
func said(f *rules.Failure) *rules.FailureSaid     { return f.Said }
func repair(f *rules.Failure) *rules.FailureRepair { return f.Repair }

// use is what the individual had done when it failed: as seen, or when a
// person reported it.
func use(f *rules.Failure) rules.FailureUse {
	switch {
	case f.Seen != nil:
		return f.Seen.FailureUse
	case f.Said != nil:
		return f.Said.FailureUse
	}
	return rules.FailureUse{Run: signal.Unknown(), Starts: signal.Unknown()}
}

// Failures are the failures as they stand.
var Failures = &Table[rules.Failure]{
	Name: "failures", At: "failure_time",
	Means: "Failures, each as it stands now. failure_mode and failure_time are what a person says or, where nobody has said " +
		"otherwise, what the program saw; what it saw stands beside it in the columns that begin with seen_ and is never " +
		"changed. Only confirmed ones are failures for certain.",
	columns: []column[rules.Failure]{
		{"unit", "", unitMeans, func(c *cell, f *rules.Failure) { c.text(c.place.Unit) }},
		{"failure", "failure record", "its id", func(c *cell, f *rules.Failure) { c.text(f.ID) }},
		{"position", "", "the machine's place, or unit", func(c *cell, f *rules.Failure) { c.text(f.Position) }},
		{"tag_number", tagTerm, "the site's name of the position", func(c *cell, f *rules.Failure) { c.tag(f.Position) }},
		{"serial_number", serialTerm, "of the individual that stood there then", func(c *cell, f *rules.Failure) { c.text(f.Serial) }},
		{"state", "", "unconfirmed, confirmed or rejected", func(c *cell, f *rules.Failure) { c.text(string(f.State)) }},
		{"failure_time", "failure date", "", func(c *cell, f *rules.Failure) { c.time(f.Time()) }},
		{"failure_mode", "failure mode", "code", func(c *cell, f *rules.Failure) { c.text(f.Mode()) }},
		{"failure_mode_title", "", "in words", func(c *cell, f *rules.Failure) { c.text(rules.FailureTitle(f.Mode())) }},
		{"failure_impact", "failure impact", "on the machine's function: critical or degraded", func(c *cell, f *rules.Failure) { c.text(f.Impact()) }},
		{"failure_cause", "failure cause", "in the words of who confirmed or corrected it, or why it was none", func(c *cell, f *rules.Failure) {
			c.text(of(said(f), func(s *rules.FailureSaid) string { return s.Reason }))
		}},
		{"detection_method", "failure detection method", "continuous condition monitoring for what the program saw, otherwise casual observation",
			func(c *cell, f *rules.Failure) {
				if f.Seen != nil {
					c.text("continuous condition monitoring")
					return
				}
				c.text("casual observation")
			}},
		{"operating_time_seconds", "operating time", "of the individual until then; of one that a person reported, until that was said",
			func(c *cell, f *rules.Failure) { c.known(use(f).Run) }},
		{"starts", "number of demands", "likewise", func(c *cell, f *rules.Failure) { c.known(use(f).Starts) }},
		{"seen_time", "", "empty: a person reported it", func(c *cell, f *rules.Failure) { seenTime(c, f, false) }},
		{"seen_alarm", "", "that told it", func(c *cell, f *rules.Failure) {
			c.text(of(seen(f), func(s *rules.FailureSeen) string { return s.Alarm }))
		}},
		{"seen_alarm_title", "", "in words", func(c *cell, f *rules.Failure) {
			d, _ := alarm.Find(of(seen(f), func(s *rules.FailureSeen) string { return s.Alarm }))
			c.text(d.Title)
		}},
		{"seen_failure_mode", "", "code", func(c *cell, f *rules.Failure) {
			c.text(of(seen(f), func(s *rules.FailureSeen) string { return s.Mode }))
		}},
		{"seen_times", "", "found before it was closed", func(c *cell, f *rules.Failure) {
			c.count(uint64(of(seen(f), func(s *rules.FailureSeen) int { return max(s.Times, 0) })))
		}},
		{"seen_last_time", "", "the last of them", func(c *cell, f *rules.Failure) { seenTime(c, f, true) }},
		{"seen_clock_trusted", "", clockMeans, func(c *cell, f *rules.Failure) {
			c.truth(of(seen(f), func(s *rules.FailureSeen) bool { return s.ClockTrusted }))
		}},
		{"said_time", "", "when somebody last said something of it", func(c *cell, f *rules.Failure) {
			if f.Said == nil {
				c.none()
				return
			}
			c.time(f.Said.Time)
		}},
		{"said_by", "", "who", func(c *cell, f *rules.Failure) {
			c.text(of(said(f), func(s *rules.FailureSaid) string { return s.By }))
		}},
		{"said_via", "", "the way the person took", func(c *cell, f *rules.Failure) {
			c.text(of(said(f), func(s *rules.FailureSaid) string { return s.Via }))
		}},
		{"restored_time", "end of down time", "empty: it is open", func(c *cell, f *rules.Failure) {
			if f.Repair == nil {
				c.none()
				return
			}
			c.time(f.Repair.Time)
		}},
		{"down_time_seconds", "down time", "from failure_time to restored_time", func(c *cell, f *rules.Failure) {
			if f.Repair == nil {
				c.none()
				return
			}
			c.known(f.Repair.Down)
		}},
		{"maintenance_category", "maintenance category", "corrective, once it is closed", func(c *cell, f *rules.Failure) {
			if f.Repair == nil {
				c.none()
				return
			}
			c.text("corrective")
		}},
		{"repair_by", "", "who says that it is restored", func(c *cell, f *rules.Failure) {
			c.text(of(repair(f), func(r *rules.FailureRepair) string { return r.By }))
		}},
		{"repair", "maintenance activity", "what was done, in the person's words", func(c *cell, f *rules.Failure) {
			c.text(of(repair(f), func(r *rules.FailureRepair) string { return r.Reason }))
		}},
	},
}

func seenTime(c *cell, f *rules.Failure, last bool) {
	switch {
	case f.Seen == nil:
		c.none()
	case last:
		c.time(f.Seen.Last)
	default:
		c.time(f.Seen.Time)
	}
}
