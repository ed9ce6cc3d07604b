package main

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"strokebank/agent/internal/simulator"
	"strokebank/rules"
	"strokebank/rules/alarm"
)

// outage is a real loss of the mains within the year, with a shutdown.
type outage struct {
	at, lasts time.Duration
	// deep: the valves are moved on, back and forth, until the pumps should
	// long have started.
	deep bool
}

// outages are one of a few hours in summer and one of an hour in winter; the
// year begins in the middle of April.
var outages = []outage{{at: 95 * aDay, lasts: 4 * time.Hour, deep: true}, {at: 280 * aDay, lasts: time.Hour}}

// follows is what an outage may raise until the unit is restored: the mains
// themselves, and that the tank was drawn down with no machine to fill it.
var follows = []string{alarm.MainsLost, alarm.PairNoAnswer, alarm.LowReserve, alarm.ReserveLost, alarm.LowLevel, alarm.LowPressure}

// restoring is how long after the mains are back the unit may take to its set
// level and pressure.
const restoring = 2 * time.Hour

// quietYear is a year of normal operation: every ten seconds a scan and, while
// a machine runs or the mains are lost and for a minute after, one in the
// period that the example asks for, which fills need to be measured well.
type quietYear struct {
	*rig
	build   simulator.Build
	busy    time.Duration // so long yet
	excused time.Duration // until then

	fills, counted map[string]int // by machine
	charges        map[string]int
	draws          int
	raised         map[string]int // in outages
	weather        seasons

	truth  simulator.Truth
	missed [4]int  // runs that began and ended between two scans
	gauge  float64 // Pa s since the beginning
}

// idle is the scan period while nothing runs.
const idle = 10 * time.Second

// TestQuietYear lets both units work for a year with nothing wrong: days of
// ±8 K in seasons of ±15 K, weather, noise of 0.02 bar and 3 mm, slosh, random
// draws, and two losses of the mains, each with a shutdown and its restoration.
// No alarm may be raised but those that the two losses explain, and service
// that is due by the calendar.
func TestQuietYear(t *testing.T) {
	for example, build := range units() {
		t.Run(example, func(t *testing.T) {
			t.Parallel()
			b := build()
			b.Weather.Wander = 2
			y := newQuietYear(t, example, b)
			for _, o := range outages {
				y.weeks(o.at)
				y.loseMains(o)
			}
			y.weeks(365 * aDay)
			y.provesSomething()
			y.weather.hold(t)
		})
	}
}

func newQuietYear(tb testing.TB, example string, b simulator.Build) *quietYear {
	tb.Helper()
	// Every ten seconds, as it would be here, the reserve takes most of the time
	// and tells no more.
	lazily := func(c *rules.Config) { c.ReserveEvery = time.Minute }
	return &quietYear{rig: newRig(tb, example, b, 5, idle, lazily), build: b,
		fills: map[string]int{}, counted: map[string]int{}, charges: map[string]int{}, raised: map[string]int{}}
}

// weeks lets time pass and holds, every week from the third on, what has been
// learned against the truth.
func (y *quietYear) weeks(at time.Duration) {
	const week = 7 * aDay
	for y.scan.Elapsed < at {
		y.until(min(at, (y.scan.Elapsed/week+1)*week))
		if y.scan.Elapsed >= 3*week {
			y.knows()
		}
	}
}

// until lets time pass until a time since the beginning.
func (y *quietYear) until(at time.Duration) {
	for y.scan.Elapsed < at {
		y.period = idle
		if y.busy > 0 {
			y.period = y.own
		}
		y.take(y.step())
	}
}

// take looks at one assessment.
func (y *quietYear) take(a *rules.Assessment) {
	y.busy -= y.period
	y.compare()
	for i := range a.Machines {
		if a.Machines[i].State == "running" {
			y.busy = time.Minute
		}
	}
	y.draws += len(a.Draws)
	for i := range a.Fills {
		f := &a.Fills[i]
		y.fills[f.Position]++
		if f.Counts {
			y.counted[f.Position]++
		}
	}
	for i := range a.Charges {
		y.charges[a.Charges[i].Position]++
	}
	for i := range a.Events {
		y.hear(&a.Events[i])
	}
}

// compare looks at what no instrument shows.
func (y *quietYear) compare() {
	was, now := &y.truth, y.plant.Truth()
	for i, n := range now.Starts {
		if n > was.Starts[i] && !was.Running[i] && !now.Running[i] {
			y.missed[i]++
		}
	}
	y.gauge += now.Gauge * y.period.Seconds()
	y.weather.take(y.scan.Time, now.Ambient)
	*was = now
}

// hear fails for an alarm that no outage explains.
func (y *quietYear) hear(e *rules.Event) {
	shows := e.To == string(alarm.Unacknowledged) || e.To == string(alarm.Suppressed)
	if e.Kind != rules.AlarmEvent || !shows || e.Name == alarm.ServiceDue {
		return
	}
	if y.scan.Elapsed < y.excused && slices.Contains(follows, e.Name) {
		y.tb.Logf("%v: %s of %s %s", e.Time.Format(time.DateTime), e.Name, e.Source, e.To)
		y.raised[e.Name+" "+e.To]++
		return
	}
	y.tb.Errorf("%v: %s of %s %s: %+v", e.Time.Format(time.DateTime), e.Name, e.Source, e.To, e.Values)
}

// loseMains takes the mains away, upon which the plant shuts down, and
// restores it once they are back.
func (y *quietYear) loseMains(o outage) {
	y.tb.Helper()
	back := y.scan.Elapsed + o.lasts
	y.excused, y.busy = back+restoring, o.lasts+restoring
	y.set("mains_lost", 1)
	y.plant.Shutdown()
	y.until(y.scan.Elapsed + 5*time.Minute)
	for o.deep && y.truth.Level > y.cfg.Pumps.NoAnswer-0.02 {
		y.plant.Restore()
		y.until(y.scan.Elapsed + 5*time.Minute)
		y.plant.Shutdown()
		y.until(y.scan.Elapsed + 5*time.Minute)
	}
	y.until(back)
	y.set("mains_lost", 0)
	y.plant.Restore()
}

func (y *quietYear) set(f simulator.Fault, severity float64) {
	y.tb.Helper()
	if err := y.plant.Set(f, severity); err != nil {
		y.tb.Fatal(err)
	}
}

// provesSomething holds that the year was lively enough, and that the outages
// were seen where they can be.
func (y *quietYear) provesSomething() {
	y.tb.Helper()
	y.tb.Logf("fills %v, of them %v counted, charges %v, %d draws, in outages %v, runs between two scans %v",
		y.fills, y.counted, y.charges, y.draws, y.raised, y.missed)
	for _, m := range []string{"pump1", "pump2"} {
		if y.counted[m] < 60 || y.counted[m] < y.fills[m]/2 {
			y.tb.Errorf("%s: of %d fills %d count: too few to prove anything", m, y.fills[m], y.counted[m])
		}
	}
	if y.charges["compressor1"] < 12 || y.charges["compressor2"] < 12 {
		y.tb.Errorf("charges %v: too few to prove anything", y.charges)
	}
	if y.draws < 2400 {
		y.tb.Errorf("only %d draws seen", y.draws)
	}
	// What the mains explain shows as explained where they are wired.
	mains, pumps := alarm.MainsLost+" "+string(alarm.Unacknowledged), alarm.PairNoAnswer+" "+string(alarm.Unacknowledged)
	want := map[string]int{mains: 0, pumps: 1}
	if slices.ContainsFunc(y.build.Registers, func(r simulator.Register) bool { return r.Name == "mains" }) {
		want = map[string]int{mains: len(outages), pumps: 0, alarm.PairNoAnswer + " " + string(alarm.Suppressed): 1}
	}
	for name, n := range want {
		if got := y.raised[name]; got < n || n == 0 && got > 0 {
			y.tb.Errorf("in the outages %s came %d times, want %d: %v", name, got, n, y.raised)
		}
	}
}

// knows holds what the program has learned and counted against the truth.
func (y *quietYear) knows() {
	y.tb.Helper()
	// Seepage past the cylinders, and air lost through fittings, less than at
	// the set pressure by how much the mean pressure is under it.
	l, b := y.last.Leaks, &y.build
	seeps := b.Seepage * float64(len(b.Valves))
	if off := float64(l.OilDecline) - seeps; !(math.Abs(off) < 2*float64(l.OilDeclineBand)) {
		y.tb.Errorf("%v: oil goes down by %v ± %v m³/s, %v in truth", y.scan.Time, l.OilDecline, l.OilDeclineBand, seeps)
	}
	loses := b.AirLoss * y.gauge / y.scan.Elapsed.Seconds() / b.Pressure.CutOut
	if off := float64(l.AirDecline) - loses; !(math.Abs(off) < 2*float64(l.AirDeclineBand)) {
		y.tb.Errorf("%v: %v ± %v of the air lost a day, %v in truth", y.scan.Time, l.AirDecline, l.AirDeclineBand, loses)
	}
	for _, s := range y.last.Proof {
		if strings.HasSuffix(s.Function, ".delivers") && s.Overdue {
			y.tb.Errorf("%v: %+v", y.scan.Time, s)
		}
	}
	// A run between two scans is missed by nature; a counter of the panel's
	// tells of it.
	for i, m := range y.last.Machines {
		truth := float64(y.truth.Starts[i])
		if m.LifetimeStarts+float64(y.missed[i]) != truth || m.CounterAhead.Known() && m.LifetimeStarts+float64(m.CounterAhead) != truth {
			y.tb.Errorf("%v: %s: %v starts, panel ahead by %v, %v in truth, %d of them between two scans",
				y.scan.Time, m.Position, m.LifetimeStarts, m.CounterAhead, truth, y.missed[i])
		}
	}
}

// seasons is what the air outside did: the mean of each day and how far the
// day swung.
type seasons struct {
	day              time.Time
	low, high        float64 // K, of the day
	sum, n           float64
	coldest, warmest float64 // K, mean of a day
	swings, days     float64
}

// take looks at the ambient temperature, K.
func (s *seasons) take(at time.Time, t float64) {
	if day := at.Truncate(aDay); !day.Equal(s.day) {
		if mean := s.sum / s.n; s.n > 8000 {
			s.coldest, s.warmest = min(s.coldest, mean), max(s.warmest, mean)
			s.swings, s.days = s.swings+(s.high-s.low)/2, s.days+1
		} else {
			s.coldest, s.warmest = math.Inf(1), 0
		}
		s.day, s.low, s.high, s.sum, s.n = day, t, t, 0, 0
	}
	s.low, s.high = min(s.low, t), max(s.high, t)
	s.sum, s.n = s.sum+t, s.n+1
}

// hold fails unless days were ±8 K and seasons ±15 K, with some weather on top.
func (s *seasons) hold(tb testing.TB) {
	tb.Helper()
	day, season := s.swings/s.days, (s.warmest-s.coldest)/2
	tb.Logf("days ±%.1f K, seasons ±%.1f K", day, season)
	if !(day > 8 && day < 10 && season > 15 && season < 23) {
		tb.Errorf("%v days of ±%v K in seasons of ±%v K", s.days, day, season)
	}
}
