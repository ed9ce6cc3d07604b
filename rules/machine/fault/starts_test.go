package fault

import (
	"math"
	"testing"
	"time"
)

// NEMA MG 10, table 2-3, motors of four poles (A as reprinted in the EASA
// handbook): starts an hour at no load inertia, and 2.44 for 25 hp with a load
// of 50 lb ft².
func TestAllowedStarts(t *testing.T) {
	want := map[float64]float64{1: 30, 2: 23, 5: 16.3, 7.5: 13.9, 10: 12.5, 15: 10.7, 20: 9.6, 25: 8.8}
	for _, m := range FourPole {
		if got := m.AllowedStarts(0); got != want[m.Horsepower] {
			t.Errorf("%v hp: %v starts an hour, want %v", m.Horsepower, got, want[m.Horsepower])
		}
		delete(want, m.Horsepower)
		if m.Horsepower == 25 {
			if got := m.AllowedStarts(50); math.Abs(got-2.44) > 0.005 {
				t.Errorf("25 hp with 50 lb ft²: %v", got)
			}
		}
	}
	if len(want) != 0 {
		t.Errorf("no row for %v", want)
	}
}

func TestStartsOfTheLastHour(t *testing.T) {
	var s starts
	at := time.Duration(0)
	for range 30 { // one every four minutes for two hours
		s.pass(at)
		s.add(at)
		at += 4 * time.Minute
	}
	s.pass(at)
	if s.sum < 13 || s.sum > 15 {
		t.Errorf("%v starts in the last hour, one every four minutes", s.sum)
	}
	s.pass(at + time.Hour)
	if s.sum != 0 {
		t.Errorf("%v starts left after an hour without one", s.sum)
	}
	s.add(at + time.Hour)
	s.pass(at + 300*time.Hour)
	if s.sum != 0 {
		t.Errorf("%v starts left after 300 h", s.sum)
	}
}
