package watch

import (
	"testing"
	"time"

	"strokebank/rules"
	"strokebank/sensors/signal"
)

// noLeaks is a unit of which nothing is known yet.
var noLeaks = rules.Leaks{Inventory: signal.Unknown(), OilDecline: signal.Unknown(), AirDecline: signal.Unknown()}

func TestTrendsKeepLeastMeanMostOfWhatIsKnown(t *testing.T) {
	began := time.Date(2026, 3, 1, 6, 30, 0, 0, time.UTC)
	var tr trends
	for i := range 121 {
		at := began.Add(time.Duration(i) * time.Second)
		a := &rules.Assessment{
			Time:     at,
			Readings: []rules.NamedReading{{ID: signal.Pressure, Reading: signal.Measured(8e5+float64(i), signal.Pascal, at)}},
			Level:    signal.Missing(signal.Metre, signal.NoAnswer, at),
			Gas:      rules.Gas{AirRatio: signal.Unknown()},
			Leaks:    rules.Leaks{Inventory: signal.Number(2.5), OilDecline: signal.Number(1e-7 * float64(i%2)), AirDecline: signal.Unknown()},
		}
		if i >= 90 { // the air settles, the reserve is known
			a.Gas.AirRatio = signal.Number(0.97)
			a.Reserve.Known, a.Reserve.AtLeast, a.Reserve.Expected = true, 4, 5.5
		}
		tr.add(a, time.Duration(i)*time.Second)
	}
	want := []rules.Trend{
		{Name: "pressure", Start: began, Seconds: 60, Count: 60, Min: 8e5, Mean: 8e5 + 29.5, Max: 8e5 + 59},
		{Name: "oil_inventory", Start: began, Seconds: 60, Count: 60, Min: 2.5, Mean: 2.5, Max: 2.5},
		{Name: "pressure", Start: began.Add(time.Minute), Seconds: 60, Count: 60, Min: 8e5 + 60, Mean: 8e5 + 89.5, Max: 8e5 + 119},
		{Name: "oil_inventory", Start: began.Add(time.Minute), Seconds: 60, Count: 60, Min: 2.5, Mean: 2.5, Max: 2.5},
		{Name: "air_ratio", Start: began.Add(90 * time.Second), Seconds: 60, Count: 30, Min: 0.97, Mean: 0.97, Max: 0.97},
		{Name: "reserve_at_least", Start: began.Add(90 * time.Second), Seconds: 60, Count: 30, Min: 4, Mean: 4, Max: 4},
		{Name: "reserve_expected", Start: began.Add(90 * time.Second), Seconds: 60, Count: 30, Min: 5.5, Mean: 5.5, Max: 5.5},
	}
	got := tr.take()
	tr.close() // the unit stops: what is judged over hours is completed too
	rest := tr.take()
	slow := rest[len(rest)-1]
	if slow.Name != "oil_decline" || slow.Seconds != 3600 || slow.Count != 121 || slow.Min != 0 || slow.Max != 1e-7 || !slow.Start.Equal(began) {
		t.Errorf("the decline's row is %+v", slow)
	}
	if len(got) != len(want) {
		t.Fatalf("%d rows, want %d: %+v", len(got), len(want), got)
	}
	for i := range want {
		if d := got[i].Mean - want[i].Mean; d > 1e-6 || d < -1e-6 {
			t.Errorf("mean of row %d is %v, want %v", i, got[i].Mean, want[i].Mean)
		}
		got[i].Mean = want[i].Mean
		if got[i] != want[i] {
			t.Errorf("row %d\n got %+v\nwant %+v", i, got[i], want[i])
		}
	}
}
