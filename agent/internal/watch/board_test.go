package watch

import (
	"testing"
	"time"

	"strokebank/rules"
	"strokebank/sensors/signal"
)

func TestBoardShowsTheNewestInOrder(t *testing.T) {
	b := NewBoard([]string{"AU-7", "AU-8"})
	changed := b.Changed()
	b.Show(&rules.Assessment{Unit: "AU-8", Scan: 1})
	select {
	case <-changed:
	default:
		t.Error("nobody was told of the change")
	}
	b.Show(&rules.Assessment{Unit: "AU-7", Scan: 1})
	b.Show(&rules.Assessment{Unit: "AU-8", Scan: 2})
	b.Show(&rules.Assessment{Unit: "stranger"})
	got := b.Latest()
	if len(got) != 2 || got[0].Unit != "AU-7" || got[1].Scan != 2 {
		t.Errorf("latest %+v; want AU-7 first, then AU-8 of scan 2", got)
	}
}

func TestMailboxKeepsTheNewestWhenTooManyWait(t *testing.T) {
	m := newMailbox()
	for range mostEvents {
		m.put(parcel{events: []rules.Event{{Name: "old"}}})
	}
	m.put(parcel{events: []rules.Event{{Name: "new"}}})
	p := m.take()
	if len(p.events) != mostEvents || p.lost != 1 || p.events[mostEvents-1].Name != "new" {
		t.Errorf("%d events, %d lost, last %q", len(p.events), p.lost, p.events[len(p.events)-1].Name)
	}
	if again := m.take(); len(again.events) != 0 {
		t.Error("an emptied mailbox still holds events")
	}
}

func TestTrendKeepsExtremesAndLeavesGaps(t *testing.T) {
	var tr trends
	at := time.Date(2026, 11, 25, 3, 0, 0, 0, time.UTC)
	add := func(second int, r signal.Reading) {
		a := &rules.Assessment{Time: at.Add(time.Duration(second) * time.Second), Level: r, Gas: rules.Gas{AirRatio: signal.Unknown()}, Leaks: noLeaks}
		tr.add(a, time.Duration(second)*time.Second)
	}
	for s := range 60 {
		v := 1.0
		if s == 30 {
			v = 4
		}
		add(s, signal.Measured(v, signal.Metre, at))
	}
	for s := 60; s < 120; s++ {
		add(s, signal.Missing(signal.Metre, signal.LinkLost, at))
	}
	add(120, signal.Measured(2, signal.Metre, at))
	rows := tr.take()
	if len(rows) != 1 {
		t.Fatalf("%d rows, want 1: a minute without a reading leaves none", len(rows))
	}
	r := rows[0]
	if r.Name != "level" || r.Count != 60 || r.Min != 1 || r.Max != 4 || r.Mean != 63.0/60 || !r.Start.Equal(at) {
		t.Errorf("row %+v", r)
	}
}

func TestClockIsTrustedOnlyWhileItCanBeRight(t *testing.T) {
	for _, c := range []struct {
		name    string
		newest  time.Time
		require bool
		synced  bool
		want    bool
	}{
		{"synchronised", time.Time{}, true, true, true},
		{"synchronised, history from the future", time.Now().Add(24 * time.Hour), false, true, true},
		{"plausible, not synchronised", time.Time{}, false, false, true},
		{"site demands synchronisation", time.Time{}, true, false, false},
		{"behind what history has seen", time.Now().Add(time.Hour), false, false, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			clock := NewClock(ClockSources{time.Now, func() bool { return c.synced }}, c.newest, c.require)
			if _, _, trusted := clock.Now(); trusted != c.want {
				t.Errorf("trusted %v, want %v", trusted, c.want)
			}
		})
	}
	clock := NewClock(SystemClock, time.Time{}, false)
	_, a, _ := clock.Now()
	wall, b, _ := clock.Now()
	if b < a || wall.Location() != time.UTC {
		t.Errorf("elapsed went from %v to %v, wall in %v", a, b, wall.Location())
	}
}
