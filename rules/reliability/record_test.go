package reliability

import (
	"math"
	"strings"
	"testing"
	"time"

	"strokebank/sensors/signal"
)

var begin = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

func hour(h float64) time.Time { return begin.Add(time.Duration(h * float64(time.Hour))) }

func hours(from, to float64) Span { return Span{hour(from), hour(to)} }

// run is a run that was watched whole.
func (r *Record) run(from, to float64) { r.Run(hour(from), hour(to), 3600*(to-from), 0, true) }

func TestRunsCountByTheirPartInside(t *testing.T) {
	for _, c := range []struct {
		name      string
		from, to  float64
		operating float64
		starts    int
	}{
		{"inside", 20, 24, 4, 1}, {"over the beginning", 5, 15, 5, 0}, {"over the end", 95, 120, 5, 1}, {"over all", 0, 200, 90, 0},
		{"before", 0, 10, 0, 0}, {"behind", 100, 110, 0, 0}, {"the clock was set back in it", 50, 49, 2, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := NewRecord(hours(10, 100), Machine{})
			seconds := math.Abs(c.to-c.from) * 3600
			if c.to < c.from {
				seconds = 7200
			}
			r.Run(hour(c.from), hour(c.to), seconds, 0, true)
			l := r.Life(0.9)
			near(t, "operating", signal.Number(l.Operating), c.operating, 1e-9)
			if l.Starts != c.starts {
				t.Errorf("%d starts, want %d", l.Starts, c.starts)
			}
		})
	}
}

func TestTimeThatNobodyWatchedCountsOnce(t *testing.T) {
	r := NewRecord(hours(0, 100), Machine{Blind: []Span{hours(50, 60), hours(10, 20), hours(15, 30), hours(-10, 5), hours(99, 200), hours(40, 40)}})
	l := r.Life(0.9)
	near(t, "unobserved", signal.Number(l.Unobserved), 5+20+10+1, 1e-9)
	near(t, "observed", signal.Number(l.Observed), 64, 1e-9)
}

// Operating ages come from the runs, lives from there to the failure or to
// the exchange before one.
func TestLivesOfTheIndividuals(t *testing.T) {
	r := NewRecord(hours(0, 1000), Machine{
		Failures:  []Failed{{Time: hour(105), Mode: "LOO", Confirmed: true}, {Time: hour(300), Mode: "FTS"}, {Time: hour(1), Mode: "FTS", Confirmed: true}},
		Exchanges: []time.Time{hour(205)},
	})
	r.run(100, 110) // fails in the middle, goes on
	r.run(200, 220) // exchanged after five hours: nobody saw the contact open
	r.run(400, 407)
	ages, failed, running := r.ages(confirmed)
	for i, want := range [][]float64{{leastAge, 5}, {leastAge, 5}, {10, 22}} {
		got := [][]float64{ages, failed, running}[i]
		for k := range want {
			if len(got) != len(want) || math.Abs(got[k]-want[k]) > 1e-9 {
				t.Fatalf("%v, want %v", got, want)
			}
		}
	}
	l := r.Life(0.9)
	if l.All.Confirmed != 2 || l.All.Unconfirmed != 1 || len(l.Modes) != 2 || l.Modes[0].Mode != "FTS" || l.Modes[0].Confirmed != 1 || l.Modes[0].Unconfirmed != 1 {
		t.Errorf("%+v", l.Modes)
	}
	if l.All.MTBF.Failures != 2 || l.All.IfConfirmed.Failures != 3 || l.Demands != 4 || l.PerDemand.Failures != 1 {
		t.Errorf("%+v, %d demands", l.All, l.Demands)
	}
}

func TestProofInterval(t *testing.T) {
	day := func(r *Record, days ...float64) {
		for _, d := range days {
			r.run(24*d, 24*d+1)
		}
	}
	t.Run("even", func(t *testing.T) {
		r := NewRecord(hours(0, 24*4.5), Machine{})
		day(r, 0, 1, 2, 3, 4)
		p := r.Life(0.9).Proof
		if p.Intervals != 4 || p.Mean != 24 || p.Weighted != 24 || p.Longest != 24 {
			t.Errorf("%+v", p)
		}
	})
	t.Run("uneven: the long one weighs more", func(t *testing.T) {
		r := NewRecord(hours(0, 24*10), Machine{})
		day(r, 0, 1, 9)
		p := r.Life(0.9).Proof
		near(t, "weighted", p.Weighted, 24*(1+64)/9., 1e-9)
		near(t, "mean", p.Mean, 24*4.5, 1e-9)
	})
	t.Run("not started since", func(t *testing.T) {
		r := NewRecord(hours(0, 24*20), Machine{})
		day(r, 0, 1, 2)
		if p := r.Life(0.9).Proof; p.Longest != 24*18 || p.Intervals != 3 {
			t.Errorf("%+v", p)
		}
	})
	t.Run("a start in a failure proves nothing", func(t *testing.T) {
		r := NewRecord(hours(0, 24*5), Machine{Failures: []Failed{{Time: hour(20), Mode: "LOO", OnDemand: true, Confirmed: true, Restored: hour(60)}}})
		day(r, 0, 1, 2, 3, 4)
		if p := r.Life(0.9).Proof; p.Longest != 24*3 || p.Intervals != 2 {
			t.Errorf("%+v", p)
		}
	})
	t.Run("never", func(t *testing.T) {
		r := NewRecord(hours(0, 500), Machine{})
		day(r, 3)
		if p := r.Life(0.9).Proof; p.Weighted != 500 || p.Reason == "" || p.Mean.Known() {
			t.Errorf("%+v", p)
		}
	})
}

// With nothing but quiet time there is a bound, and it says so.
func TestQuietPairGivesABound(t *testing.T) {
	a, b := NewRecord(hours(0, 500), Machine{Position: "pump1"}), NewRecord(hours(0, 500), Machine{Position: "pump2"})
	for h := 0.0; h < 500; h += 10 {
		a.run(h, h+5)
		b.run(h+5, h+10)
	}
	p := PairOf(a, b, Assumed{Confidence: 0.95, Beta: 0.1, Repair: 8})
	// NIST/SEMATECH e-Handbook 8.4.5.1: no failure in 1000 h, 95 %; both machines
	// were watched for 500 h.
	near(t, "bound", p.OnDemand.MTBF.Low, 333.808, 1e-3)
	if p.OneOfTwo.Known || !p.OneOfTwo.High.Known() || p.OneOfTwo.Reason == "" || p.Interval != 10 || p.Repairs != 0 {
		t.Errorf("%+v, interval %v", p.OneOfTwo, p.Interval)
	}
	if !strings.Contains(strings.Join(p.Assuming, "\n"), "assumed because none is recorded") || p.FairRun != 1 {
		t.Errorf("%v, %v", p.Assuming, p.FairRun)
	}
	empty := NewRecord(Span{}, Machine{})
	if p := PairOf(empty, empty, Assumed{Confidence: 0.95}); p.OneOfTwo.Known || p.OneOfTwo.High.Known() || p.OneOfTwo.Reason == "" {
		t.Errorf("of nothing: %+v", p.OneOfTwo)
	}
}

// TestPerDemand: NIST/SEMATECH e-Handbook 7.2.4.1, exact intervals: 4 of 20,
// 90 % two-sided (from memory, recomputed).
func TestPerDemand(t *testing.T) {
	e := PerDemand(4, 20, 0.90)
	near(t, "value", e.Value, 0.2, 1e-12)
	near(t, "low", e.Low, 0.071354, 1e-6)
	near(t, "high", e.High, 0.401029, 1e-6)
	e = PerDemand(0, 100, 0.95)
	near(t, "bound", e.High, 1-math.Pow(0.05, 0.01), 1e-9) // (1-p)^100 = 0.05
	if e.Known || e.Reason != noFailure {
		t.Errorf("%+v", e)
	}
	if e := PerDemand(3, 3, 0.9); e.High != 1 || !e.Known {
		t.Errorf("%+v", e)
	}
	if e := PerDemand(0, 0, 0.9); e.Known || e.Reason != noDemand {
		t.Errorf("%+v", e)
	}
}
