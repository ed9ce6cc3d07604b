package history

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
)

// journalOf fills a store with two units' events, ten minutes apart.
func journalOf(t *testing.T, s *Store) {
	t.Helper()
	for i := range 40 {
		e := rules.Event{Kind: rules.AlarmEvent, Time: epoch.Add(time.Duration(i) * 10 * time.Minute), ClockTrusted: true,
			Unit: []string{"AU-7", "AU-8"}[i%2], Source: []string{"unit", "pump1"}[i/2%2], Name: "low_pressure", To: string(alarm.Unacknowledged)}
		if i%5 == 0 {
			e.Kind, e.Name, e.Reason, e.By = rules.NoteEvent, "note", "looked at it", "M. Okoro"
		}
		if i == 39 {
			e.Kind, e.Source, e.From, e.To = rules.ConfigEvent, "units.AU-8.set_points.low_pressure", "7 bar", "6.8 bar"
		}
		// The agent records for its units under a name of its own.
		if _, err := s.Record(t.Context(), "", []rules.Event{e}, nil, nil); err != nil {
			t.Fatal(err)
		}
	}
}

func TestJournal(t *testing.T) {
	s := openStore(t, Options{Dir: t.TempDir()})
	journalOf(t, s)
	for _, c := range []struct {
		name   string
		search rules.Search
		want   []uint64
	}{
		{"the newest", rules.Search{Limit: 3}, []uint64{40, 39, 38}},
		{"the next after them", rules.Search{Limit: 2, Before: 38}, []uint64{37, 36}},
		{"of one unit", rules.Search{Unit: "AU-8", Limit: 2}, []uint64{40, 38}},
		{"notes", rules.Search{Kinds: []rules.Kind{rules.NoteEvent}, Limit: 2}, []uint64{36, 31}},
		{"notes and configuration of one unit", rules.Search{Unit: "AU-8", Kinds: []rules.Kind{rules.NoteEvent, rules.ConfigEvent}, Limit: 2}, []uint64{40, 36}},
		{"of one source", rules.Search{Source: "pump1", Limit: 2}, []uint64{39, 36}},
		{"of half an hour", rules.Search{From: epoch.Add(30 * time.Minute), To: epoch.Add(time.Hour), Limit: 9}, []uint64{6, 5, 4}},
		{"of a unit that is not there", rules.Search{Unit: "AU-9", Limit: 9}, nil},
		{"nothing", rules.Search{}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			found, err := s.Journal(t.Context(), c.search)
			if err != nil {
				t.Fatal(err)
			}
			var got []uint64
			for _, e := range found {
				got = append(got, e.Seq)
				if c.search.Limit > 0 && !c.search.Fits(&e) {
					t.Errorf("%+v was not asked for", e)
				}
			}
			if !slices.Equal(got, c.want) {
				t.Errorf("%v, want %v", got, c.want)
			}
		})
	}
}

// Whoever pages through the journal sees every entry once, as Entries has it.
func TestJournalInPages(t *testing.T) {
	s := openStore(t, Options{Dir: t.TempDir()})
	journalOf(t, s)
	all := entriesAfter(t, s, 0)
	slices.Reverse(all)
	var paged []rules.Entry
	for before := uint64(0); ; {
		page, err := s.Journal(t.Context(), rules.Search{Limit: 7, Before: before})
		if err != nil {
			t.Fatal(err)
		}
		if len(page) == 0 {
			break
		}
		paged, before = append(paged, page...), page[len(page)-1].Seq
	}
	if fmt.Sprint(paged) != fmt.Sprint(all) {
		t.Error("the pages are not the journal")
	}
}

// What a machine has run and started in its life is part of the saved state
// and no retention takes it, however old it is and however short the space.
func TestLifetimeCountersNeverExpire(t *testing.T) {
	long := epoch.Add(60 * 365 * day)
	s := openStore(t, Options{Dir: t.TempDir(), Now: func() time.Time { return long }, Retain: Retain{Size: 1, Events: day, Runs: day, Alarms: day, Trends: day}})
	if _, err := s.Record(t.Context(), "AU-7", []rules.Event{machineEvent(1), machineEvent(2)}, nil, []byte(`{"lifetime":12345}`)); err != nil {
		t.Fatal(err)
	}
	for range 3 {
		if err := s.prune(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	state, err := s.State(t.Context(), "AU-7")
	if err != nil || string(state) != `{"lifetime":12345}` {
		t.Errorf("%s, %v", state, err)
	}
	if n := len(entriesAfter(t, s, 0)); n != 1 {
		t.Errorf("%d events are left: nothing was pruned and the test proves nothing", n)
	}
}
