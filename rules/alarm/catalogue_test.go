package alarm

import (
	"fmt"
	"reflect"
	"regexp"
	"testing"
	"time"
)

var rank = map[Priority]int{Low: 0, Medium: 1, High: 2}

func TestCatalogueIsComplete(t *testing.T) {
	name := regexp.MustCompile(`^[a-z]+(_[a-z]+)*$`)
	byName := map[string]Definition{}
	high := 0
	for _, d := range Catalogue() {
		if _, twice := byName[d.Name]; twice || !name.MatchString(d.Name) {
			t.Errorf("name %q", d.Name)
		}
		byName[d.Name] = d
		if d.Title == "" || d.Meaning == "" || d.Action == "" || len(d.Causes) < 2 || d.Respond < time.Minute {
			t.Errorf("%s does not say all that an operator needs", d.Name)
		}
		if _, ok := rank[d.Priority]; !ok || d.OnDelay < 0 || d.OffDelay < 0 || d.Deadband < 0 || d.Deadband > 0.2 {
			t.Errorf("%s: priority %q, delays %v and %v, deadband %v", d.Name, d.Priority, d.OnDelay, d.OffDelay, d.Deadband)
		}
		if d.Priority == High {
			high++
		}
		if d.Acknowledge != (d.Priority != Low) || d.Latch {
			t.Errorf("%s: acknowledge %v, latch %v", d.Name, d.Acknowledge, d.Latch)
		}
	}
	if len(byName) < 12 || high > 2 {
		t.Errorf("%d alarms, %d of them of high priority", len(byName), high)
	}
	for _, d := range byName {
		for _, e := range d.Explains {
			follows, ok := byName[e]
			switch {
			case !ok || e == d.Name:
				t.Errorf("%s explains %q", d.Name, e)
			case rank[follows.Priority] > rank[d.Priority]:
				t.Errorf("%s would hide %s, which ranks higher", d.Name, e)
			case len(follows.Explains) > 0 && contains(follows.Explains, d.Name):
				t.Errorf("%s and %s explain each other", d.Name, e)
			}
		}
	}
}

func contains(list []string, s string) bool {
	for _, l := range list {
		if l == s {
			return true
		}
	}
	return false
}

func TestWhatTheTankShowsIsNeverExplainedAway(t *testing.T) {
	for _, d := range Catalogue() {
		for _, e := range d.Explains {
			if e == ReserveLost || e == LowLevel || e == LowPressure || e == MainsLost || (e == LowReserve && d.Name != ReserveLost) {
				t.Errorf("%s explains %s", d.Name, e)
			}
		}
	}
}

// TestStartingValues holds the customary delays and deadbands (from memory,
// configurable): level 5 %, 60 s; pressure 2 %, 15 s.
func TestStartingValues(t *testing.T) {
	for name, want := range map[string]struct {
		delay    time.Duration
		deadband float64
	}{LowLevel: {time.Minute, 0.05}, LowPressure: {15 * time.Second, 0.02}} {
		d, _ := Find(name)
		if d.OnDelay != want.delay || d.OffDelay != want.delay || d.Deadband != want.deadband {
			t.Errorf("%s: %v, %v, %v", name, d.OnDelay, d.OffDelay, d.Deadband)
		}
	}
}

func TestCatalogueCannotBeChanged(t *testing.T) {
	before, c := fmt.Sprint(Catalogue()), Catalogue()
	c[0].Explains[0], c[0].Causes[0], c[0].Priority = "x", "x", Low
	d, _ := Find(c[0].Name)
	d.Causes[0] = "x"
	if before != fmt.Sprint(Catalogue()) {
		t.Error("a caller changed it")
	}
	if _, ok := Find("no_such_alarm"); ok {
		t.Error("found what is not there")
	}
}

func TestApply(t *testing.T) {
	d, _ := Find(LowPressure)
	if !reflect.DeepEqual(d.Apply(Setting{}), d) {
		t.Error("an empty setting changes something")
	}
	on, off, band, yes := time.Minute, time.Duration(0), 0.0, true
	got := d.Apply(Setting{Priority: High, OnDelay: &on, OffDelay: &off, Deadband: &band, Acknowledge: &yes, Note: "call the control room"})
	want := d
	want.Priority, want.OnDelay, want.OffDelay, want.Deadband, want.Acknowledge = High, on, off, band, true
	want.Note = "call the control room"
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%+v", got)
	}
	if !got.Safety {
		t.Error("a setting took the safety mark off")
	}
}
