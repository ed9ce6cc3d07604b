package rules_test

import (
	"testing"

	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/sensors/signal"
)

// over puts points on links, as the sensors say it.
func (b *bench) over(link string, ids ...signal.ID) {
	b.tb.Helper()
	for _, id := range ids {
		b.points[b.place(id)].Link = link
	}
}

// What concerns different things explains nothing: each case loses something
// that can explain, beside an alarm that would follow from it elsewhere.
func TestOnlyWhatConcernsTheSameThingIsExplainedAway(t *testing.T) {
	for _, c := range []struct {
		name          string
		cause         func(*bench)
		alarm, source string
		want          alarm.State
		by            string
	}{
		{"the link that carries the pressure", func(b *bench) {
			b.over("panel", signal.Pressure, signal.Level)
			b.set(signal.OfLink("panel"), 0)
			b.fail(signal.Pressure, signal.LinkLost)
		}, alarm.ReserveUnknown, "unit", alarm.Suppressed, "explained by link_lost (link.panel)"},
		{"a link that carries the compressors alone", func(b *bench) {
			b.over("panel", "compressor1.running", "compressor2.running")
			b.set(signal.OfLink("panel"), 0)
			b.fail("compressor1.running", signal.LinkLost)
			b.fail(signal.Pressure, signal.FailureLow)
		}, alarm.ReserveUnknown, "unit", alarm.Unacknowledged, ""},
		{"the mains and a machine", func(b *bench) {
			b.set(signal.Mains, 0)
			b.set("pump1.called", 1)
		}, alarm.FailedToStart, "pump1", alarm.Normal, ""}, // without mains it is not even expected to
		{"the overload of the other pump", func(b *bench) {
			b.set("pump2.overload", 1)
			b.set("pump1.called", 1)
		}, alarm.FailedToStart, "pump1", alarm.Unacknowledged, ""},
		{"no cycle left, so fewer than required", func(b *bench) { b.set(signal.Pressure, 5.05*bar) },
			alarm.LowReserve, "unit", alarm.Suppressed, "explained by reserve_lost (unit)"},
		{"mains lost and the level low", func(b *bench) {
			b.set(signal.Mains, 0)
			b.set(signal.Level, 1.1)
		}, alarm.LowLevel, "unit", alarm.Unacknowledged, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBench(t)
			b.pass(5)
			c.cause(b)
			b.restart(nil, nil)
			b.pass(120)
			for _, s := range b.last.Alarms {
				if s.Name == c.alarm && s.Source == c.source && (s.State != c.want || c.by != "" && s.Reason != c.by) {
					t.Errorf("%s (%s), want %s (%s)", s.State, s.Reason, c.want, c.by)
				}
			}
		})
	}
}

// A site that ranks an alarm above the one that explains it sees it.
func TestWhatRanksHigherIsNotHidden(t *testing.T) {
	b := newBench(t)
	b.cfg.Alarms = map[string]alarm.Setting{alarm.ReserveLost: {Priority: alarm.Low}}
	b.restart(nil, nil)
	b.set(signal.Pressure, 5.05*bar)
	b.pass(60)
	if got := b.state(alarm.LowReserve, "unit"); got != alarm.Unacknowledged {
		t.Errorf("low_reserve is %s", got)
	}
}

// When what explains goes, what it explained appears with its own state.
func TestTheExplainedAppearsWhenTheExplanationGoes(t *testing.T) {
	b := newBench(t)
	b.set(signal.Pressure, 5.05*bar)
	b.pass(30)
	if got := b.state(alarm.LowReserve, "unit"); got != alarm.Suppressed {
		t.Fatalf("low_reserve is %s", got)
	}
	b.set(signal.Pressure, 6.8*bar)
	b.pass(90)
	if got := b.state(alarm.LowReserve, "unit"); got != alarm.Unacknowledged {
		t.Errorf("low_reserve is %s once a cycle is stored again", got)
	}
	if n := b.changes(alarm.LowReserve, alarm.Unacknowledged); n > 2 {
		t.Errorf("told %d times", n)
	}
}

// Each row of the catalogue that explains another one can do so at a unit that
// has both wired: a reach that never fits would be a row without a meaning.
func TestEveryExplanationCanHold(t *testing.T) {
	b := newBench(t)
	for _, p := range []signal.Point{{ID: signal.SumpLevel, Unit: signal.Metre}, {ID: signal.FilterDifferential, Unit: signal.Pascal}} {
		b.points = append(b.points, p)
		b.scan.Readings = append(b.scan.Readings, signal.Measured(1, p.Unit, began))
	}
	b.over("panel", signal.Pressure, signal.Level)
	b.restart(nil, nil)
	b.pass(1)
	there := map[string]bool{}
	for _, s := range b.last.Alarms {
		there[s.Name] = true
	}
	for pair, n := range rules.Explanations(b.unit) {
		if n == 0 && there[pair[0]] && there[pair[1]] {
			t.Errorf("%s never explains %s, whatever their sources", pair[0], pair[1])
		}
	}
}
