package trend

import (
	"encoding/json"
	"math"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

var values = rapid.Custom(func(t *rapid.T) float64 {
	return rapid.OneOf(rapid.Float64Range(-10, 10), rapid.Map(rapid.IntRange(-3, 3), func(i int) float64 { return float64(i) })).Draw(t, "v")
})

// TestSelectionIsOrder: nth finds what sorting would put there.
func TestSelectionIsOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := rapid.SliceOfN(values, 1, 60).Draw(t, "a")
		k := rapid.IntRange(0, len(a)-1).Draw(t, "k")
		want := slices.Sorted(slices.Values(a))[k]
		if got := nth(a, k); got != want || a[k] != want {
			t.Fatalf("nth %d is %v, want %v", k, got, want)
		}
	})
}

// TestLineFollowsItsUnits: other units and another zero change a line as they
// must, and the points' order in time reversed reverses the test for a trend.
func TestLineFollowsItsUnits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		y := rapid.SliceOfN(values, 3, 30).Draw(t, "y")
		scale := rapid.Float64Range(0.1, 100).Draw(t, "scale")
		x := make([]float64, len(y))
		z := make([]float64, len(y))
		for i := range y {
			x[i] = float64(i)
			z[i] = y[i]*scale + 3
		}
		a, b := TheilSen(x, y, 0.95), TheilSen(x, z, 0.95)
		near(t, "slope", b.Slope, a.Slope*scale, 1e-9*scale)
		near(t, "middle", b.Y, a.Y*scale+3, 1e-9*scale+1e-9)
		if !(a.Low <= a.Slope && a.Slope <= a.High) {
			t.Fatalf("slope %v outside %v to %v", a.Slope, a.Low, a.High)
		}
		forward := MannKendall(y)
		slices.Reverse(y)
		back := MannKendall(y)
		if forward.S != -back.S || forward.P != back.P || forward.P > 1 || !(forward.P > 0) {
			t.Fatalf("forward %+v, back %+v", forward, back)
		}
	})
}

// TestExactKendallByEnumeration counts every order of up to seven values.
func TestExactKendallByEnumeration(t *testing.T) {
	for n := 3; n <= 7; n++ {
		counts, total := map[int]int{}, 0
		var walk func(rest, order []float64)
		walk = func(rest, order []float64) {
			if len(rest) == 0 {
				counts[MannKendall(order).S]++
				total++
				return
			}
			for i := range rest {
				walk(slices.Delete(slices.Clone(rest), i, i+1), append(slices.Clone(order), rest[i]))
			}
		}
		walk([]float64{1, 2, 3, 4, 5, 6, 7}[:n], nil)
		variance := 0.0
		for s, c := range counts {
			variance += float64(s*s*c) / float64(total)
			tail := 0
			for other, c := range counts {
				if max(other, -other) >= max(s, -s) {
					tail += c
				}
			}
			near(t, "p", exactKendall(n, s), float64(tail)/float64(total), 1e-12)
		}
		got, _ := rankVariance([]float64{1, 2, 3, 4, 5, 6, 7}[:n])
		near(t, "variance", got, variance, 1e-9)
	}
}

// TestTiesTakeOffVariance: the correction for ties, by the formula written out
// for groups of 2 and 3 of 6 (Kendall, Rank Correlation Methods; from memory).
func TestTiesTakeOffVariance(t *testing.T) {
	k := MannKendall([]float64{1, 1, 2, 3, 3, 3})
	near(t, "variance", k.Variance, (6.*5*17-2*1*9-3*2*11)/18, 1e-12)
	if k.S != 11 || k.Exact {
		t.Errorf("%+v", k)
	}
}

// TestFallsIsWhereTheLineIs: the crossing lies on the line, its interval
// around it, and a higher limit is crossed earlier.
func TestFallsIsWhereTheLineIs(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		slope := rapid.Float64Range(0.01, 1).Draw(t, "slope")
		x, y := make([]float64, 25), make([]float64, 25)
		for i := range x {
			x[i] = float64(i)
			y[i] = 1 - slope*x[i] + rapid.Float64Range(-0.05, 0.05).Draw(t, "noise")
		}
		l := TheilSen(x, y, 0.95)
		limit := rapid.Float64Range(-20, 2).Draw(t, "limit")
		c, above := l.Falls(limit), l.Falls(limit+0.1)
		if !c.Known {
			if l.High < 0 {
				t.Fatalf("unknown: %+v", c)
			}
			return
		}
		near(t, "the line there", l.At(c.At), limit, 1e-6)
		if !(c.Early <= c.At && c.At <= c.Late) || !(above.At < c.At) {
			t.Fatalf("%+v, a higher limit %+v", c, above)
		}
	})
}

// TestNothingIsPretended: degenerate input is unknown with a reason.
func TestNothingIsPretended(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for name, l := range map[string]Line{
		"empty":        TheilSen(nil, nil, 0.9),
		"one point":    TheilSen([]float64{1}, []float64{1}, 0.9),
		"one moment":   TheilSen([]float64{1, 1}, []float64{1, 2}, 0.9),
		"not a number": TheilSen([]float64{1, 2}, []float64{1, nan}, 0.9),
		"overflow":     TheilSen([]float64{1, 2}, []float64{-math.MaxFloat64, math.MaxFloat64}, 0.9),
		"lengths":      TheilSen([]float64{1, 2}, []float64{1}, 0.9),
		"confidence":   TheilSen([]float64{1, 2}, []float64{1, 2}, 1),
	} {
		if l.Known || l.Reason == "" || l.Falls(0).Known || l.Falls(0).Reason == "" {
			t.Errorf("%s: %+v", name, l)
		}
	}
	two := TheilSen([]float64{1, 2}, []float64{2, 1}, 0.9)
	if !two.Known || two.Falls(0).Known || two.Falls(0).Reason != neverFalls || !math.IsInf(two.AtError(2), 1) {
		t.Errorf("two points have a line and no limits: %+v %+v", two, two.Falls(0))
	}
	flat := MannKendall([]float64{2, 2, 2, 2})
	if !flat.Known || flat.S != 0 || flat.Z != 0 || flat.P != 1 {
		t.Errorf("all equal: %+v", flat)
	}
	for _, y := range [][]float64{nil, {1, 2}, {1, nan, 2}, {1, inf, 2}} {
		if k := MannKendall(y); k.Known || k.Reason == "" {
			t.Errorf("%v: %+v", y, k)
		}
	}
	if _, ok := Median(nil); ok {
		t.Error("a median of nothing")
	}
	if _, ok := MAD([]float64{nan}); ok {
		t.Error("a spread of what is no number")
	}
	var e EWMA
	var c CUSUM
	if e.Update(nan, 0.2); e.Count != 0 {
		t.Error("the average took in what is no number")
	}
	if c.Update(inf, 0.5); c != (CUSUM{}) {
		t.Error("the sum took in what is no number")
	}
	if m, _ := MAD([]float64{1, 2, 3, 4, 100}); m != toSigma {
		t.Errorf("MAD is %v", m)
	}
}

// TestHealthTakesAnything: whatever comes, at whatever time, the state stays
// one that can be saved and restored, and the verdict holds no number that is
// none.
func TestHealthTakesAnything(t *testing.T) {
	h := newHealth(t)
	rapid.Check(t, func(t *rapid.T) {
		h.Reset()
		at := firstDay
		for range rapid.IntRange(1, 150).Draw(t, "fills") {
			hours := rapid.OneOf(rapid.IntRange(0, 30), rapid.IntRange(-100, 100), rapid.IntRange(-1e5, 1e5)).Draw(t, "hours")
			at = at.Add(time.Duration(hours) * time.Hour)
			ratio := rapid.OneOf(rapid.Float64Range(0, 1.5), rapid.Float64Min(0), rapid.Just(math.NaN())).Draw(t, "ratio")
			h.Update(at, ratio, rapid.Float64Range(0, 0.03).Draw(t, "uncertainty"))
		}
		text, err := json.Marshal(h.Save())
		if err != nil {
			t.Fatal(err)
		}
		was := h.Verdict()
		var s HealthState
		if err := json.Unmarshal(text, &s); err != nil {
			t.Fatal(err)
		}
		if err := h.Restore(s); err != nil {
			t.Fatal(err)
		}
		a, _ := json.Marshal(was)
		b, err := json.Marshal(h.Verdict())
		if err != nil || string(a) != string(b) {
			t.Fatalf("before %s\nafter  %s (%v)", a, b, err)
		}
	})
}

// TestDaysKeepTheWholeDay: a day with more values than are kept still gives
// about its median, and the ring forgets the oldest day first.
func TestDaysKeepTheWholeDay(t *testing.T) {
	var d Days
	for i := range 1000 {
		d.add(firstDay.Add(time.Duration(i)*time.Minute), float64(i))
	}
	d.add(firstDay.Add(24*time.Hour), 0)
	near(t, "median", float64(d.Median[0]), 500, 40)
	for i := range keptDays + 5 {
		d.add(firstDay.Add(time.Duration(i+2)*24*time.Hour), float64(i))
	}
	if d.Count != keptDays || d.Day[0] != dayOf(firstDay)+6 || d.Median[0] != 4 || !d.sound() {
		t.Errorf("%d days from %d with %v", d.Count, d.Day[0]-dayOf(firstDay), d.Median[0])
	}
}

// TestClockStepsBack: days that were a mistake of the clock go.
func TestClockStepsBack(t *testing.T) {
	var d Days
	day := func(n int, v float64) { d.add(firstDay.Add(time.Duration(n)*24*time.Hour), v) }
	day(0, 1)
	day(1, 2)
	day(9000, 3)
	day(9001, 4)
	day(2, 5)
	day(3, 6)
	if d.Count != 3 || d.Day[2] != dayOf(firstDay)+2 || d.OpenDay != dayOf(firstDay)+3 || !d.sound() {
		t.Errorf("%d days, the last %d", d.Count, d.Day[2]-dayOf(firstDay))
	}
}
