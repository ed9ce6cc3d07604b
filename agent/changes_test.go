package main

import (
	"testing"
	"time"
)

func TestChangesOfTheConfiguration(t *testing.T) {
	before := map[string]string{"scan": "1 s", "units.AU-7.set_points.low_level": "1.2 m", "units.AU.7.valves.XV-1.bore": "100 mm", "log.level": "info"}
	now := map[string]string{"scan": "2 s", "units.AU-7.set_points.low_level": "1.3 m", "units.AU.7.valves.XV-1.bore": "100 mm", "broker.address": "tcp://b"}
	got := changes(before, now, time.Date(2026, 11, 25, 0, 0, 0, 0, time.UTC), true)
	want := []struct{ unit, source, name, from, to string }{
		{"", "broker.address", "added", "", "tcp://b"},
		{"", "log.level", "removed", "info", ""},
		{"", "scan", "changed", "1 s", "2 s"},
		{"AU-7", "set_points.low_level", "changed", "1.2 m", "1.3 m"},
	}
	if len(got) != len(want) {
		t.Fatalf("%d changes: %+v", len(got), got)
	}
	for i, w := range want {
		if e := got[i]; e.Unit != w.unit || e.Source != w.source || e.Name != w.name || e.From != w.from || e.To != w.to || e.Kind != "configuration" {
			t.Errorf("%+v, want %+v", e, w)
		}
	}
	if unit, key := owner("units.AU.7.valves.XV-1.bore"); unit != "AU.7" || key != "valves.XV-1.bore" {
		t.Errorf("%q %q", unit, key)
	}
}
