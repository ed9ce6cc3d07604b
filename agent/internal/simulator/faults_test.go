package simulator

import (
	"math"
	"strings"
	"testing"
	"time"
)

// story is what happened to a plant in the scenario of tell.
type story struct {
	end         Truth
	ran, called [4]bool
	lateStart   float64 // s, longest from called to running
	shortest    float64 // s, run
	drops       int     // stops of a called machine
	sameLead    bool    // a pump led twice in a row
	airWhileLow bool    // a compressor ran while a pump was called
	relief      bool
	slowest     float64    // s, of all strokes
	filter      float64    // Pa, most
	dead        bool       // pressure or level signalled failure, or the link was lost
	seen        [2]float64 // pressure, level as last measured
	least, most [2]float64

	since, asked [4]float64
	lastLead     int
	samples      []Sample
}

// tell runs AU-7 through a charge, a shutdown and fills with a fault in it.
func tell(t *testing.T, f Fault, severity float64) story {
	t.Helper()
	b := QuillenReach()
	b.Routine, b.AirLoss = Routine{}, 0.4
	b.Start.Pressure = 7.8e5
	b.Start.Oil = newGeometry(b.Tank).volumeAt(1.2)
	p := built(t, b)
	if f != "" {
		if err := p.Set(f, severity); err != nil {
			t.Fatal(err)
		}
	}
	s := story{shortest: math.Inf(1), least: [2]float64{1e9, 1e9}, most: [2]float64{-1e9, -1e9}, lastLead: -1}
	for second := range 4 * 3600 {
		switch second % 3600 {
		case 1500, 1700:
			p.Shutdown()
		case 1600, 1800:
			p.Restore()
		}
		p.Step(time.Second)
		x := p.Truth()
		for i := range 4 {
			s.follow(i, &x)
		}
		s.see(p, &x)
		s.end = x
	}
	return s
}

// follow keeps what machine i did in the second that led to x.
func (s *story) follow(i int, x *Truth) {
	on, call, was, now := x.Running[i], x.Called[i], &s.end, x.Elapsed.Seconds()
	s.ran[i], s.called[i] = s.ran[i] || on, s.called[i] || call
	if call && !was.Called[i] {
		s.asked[i] = now
	}
	if on && !was.Running[i] {
		s.since[i] = now
		s.lateStart = math.Max(s.lateStart, now-s.asked[i])
		if i < 2 {
			s.sameLead = s.sameLead || s.lastLead == i
			s.lastLead = i
		}
	}
	if !on && was.Running[i] {
		s.shortest = math.Min(s.shortest, now-s.since[i])
		if call {
			s.drops++
		}
	}
	lacking := (was.Called[0] || was.Called[1]) && (x.Called[0] || x.Called[1])
	s.airWhileLow = s.airWhileLow || i >= 2 && on && lacking
}

// see keeps what the instruments and the valves did.
func (s *story) see(p *Plant, x *Truth) {
	s.relief = s.relief || x.ReliefOpen
	s.filter = math.Max(s.filter, p.s.filter)
	if x.Elapsed%(20*time.Second) != 0 {
		return
	}
	for _, stroke := range p.Drain() {
		s.slowest = math.Max(s.slowest, stroke.End-stroke.Start)
	}
	s.samples = p.Measured(s.samples[:0])
	for i, v := range s.samples[:2] {
		s.dead = s.dead || !v.OK
		s.seen[i] = v.Value
		if x.Elapsed > time.Minute {
			s.least[i], s.most[i] = math.Min(s.least[i], v.Value), math.Max(s.most[i], v.Value)
		}
	}
}

// spread is how far the measured pressure (0) or level (1) moved.
func (s story) spread(i int) float64 { return s.most[i] - s.least[i] }

// flow is the mean delivery of machine i, m³/s.
func (s story) flow(i int) float64 {
	if i < 2 {
		return s.end.Pumped[i] / s.end.RunSeconds[i]
	}
	return s.end.FreeAir[i-2] / s.end.RunSeconds[i]
}

// meanRun is the mean run of the pair whose first machine is i, s.
func (s story) meanRun(i int) float64 {
	return (s.end.RunSeconds[i] + s.end.RunSeconds[i+1]) / float64(s.end.Starts[i]+s.end.Starts[i+1])
}

// faultEffects says for each fault, by the name behind its owner, what must
// be true of the faulty story beside the sound one. i is the machine.
var faultEffects = map[string]struct {
	severity float64
	shows    func(sound, bad story, i int) bool
}{
	"weak": {0.4, func(a, b story, i int) bool { return math.Abs(b.flow(i)/a.flow(i)-0.6) < 0.03 }},
	"no_start": {1, func(a, b story, i int) bool {
		return b.called[i] && !b.ran[i] && b.end.RunSeconds[i] == 0
	}},
	"no_stop": {1, func(a, b story, i int) bool {
		return b.end.Running[i] && !b.end.Called[i] && b.end.RunSeconds[i] > 3*a.end.RunSeconds[i]
	}},
	"hand":          {1, func(a, b story, i int) bool { return !b.called[i] && b.end.RunSeconds[i] > 3*a.end.RunSeconds[i] }},
	"welded":        {1, func(a, b story, i int) bool { return b.end.RunSeconds[i] > 14000 }},
	"overload":      {1, func(a, b story, i int) bool { return a.ran[i] && !b.ran[i] }},
	"off":           {1, func(a, b story, i int) bool { return a.ran[i] && !b.ran[i] && !b.called[i] }},
	"slow_start":    {1, func(a, b story, i int) bool { return a.lateStart <= 1 && b.lateStart >= 9 }},
	"spurious_stop": {1, func(a, b story, i int) bool { return a.drops == 0 && b.drops > 0 && b.shortest < 22 }},

	"pumps.no_answer": {1, func(a, b story, _ int) bool {
		return !b.ran[0] && !b.ran[1] && b.end.Level < a.end.Level-0.05
	}},
	"compressors.no_answer": {1, func(a, b story, _ int) bool {
		return !b.ran[2] && !b.ran[3] && b.end.Air < a.end.Air-0.2
	}},
	"pumps.alternation_stuck":       {1, func(a, b story, _ int) bool { return !a.sameLead && b.sameLead && !b.ran[1] }},
	"compressors.alternation_stuck": {1, func(a, b story, _ int) bool { return b.end.Lead[1] == 0 && b.ran[2] }},
	"pumps.short_cycling": {1, func(a, b story, _ int) bool {
		return b.meanRun(0) < 0.3*a.meanRun(0)
	}},
	"compressors.short_cycling": {1, func(a, b story, _ int) bool {
		return b.meanRun(2) < 0.6*a.meanRun(2)
	}},

	"check_valve_leak": {1, func(a, b story, _ int) bool { return b.end.Leaked > a.end.Leaked+0.15 && b.end.OilLost == 0 }},
	"leak":             {1, func(a, b story, _ int) bool { return b.end.Leaked > a.end.Leaked+0.15 && b.end.OilLost == 0 }},
	"slow":             {0.5, func(a, b story, _ int) bool { return math.Abs(b.slowest-3*a.slowest) < 1 }},
	"oil_leak":         {1, func(a, b story, _ int) bool { return b.end.OilLost > 150 }},
	"air_leak":         {1, func(a, b story, _ int) bool { return b.end.AirOut > a.end.AirOut+0.3 }},
	"waterlogged": {0.3, func(a, b story, _ int) bool {
		return b.end.Air < 0.87*a.end.Air && b.end.Level > 1.1 && !b.end.Running[2] && !b.end.Running[3]
	}},
	"overcharged":                  {0.3, func(a, b story, _ int) bool { return b.most[0] > a.most[0]+0.5e5 }},
	"relief_lifting":               {1, func(a, b story, _ int) bool { return !a.relief && b.relief }},
	"compressors.lockout_bypassed": {1, func(a, b story, _ int) bool { return !a.airWhileLow && b.airWhileLow }},
	"sump_low":                     {1, func(a, b story, _ int) bool { return b.end.SumpVolume < 0.08 && !b.end.Running[0] }},
	"filter_clogged":               {0.5, func(a, b story, _ int) bool { return b.filter > 2*a.filter }},
	"mains_lost":                   {1, func(a, b story, _ int) bool { return b.ran == [4]bool{} && b.end.Level < a.end.Level }},
	"link_lost":                    {1, func(a, b story, _ int) bool { return !a.dead && b.dead }},

	"pressure.stuck": {1, func(a, b story, _ int) bool { return a.spread(0) > 5e4 && b.spread(0) == 0 }},
	"level.stuck":    {1, func(a, b story, _ int) bool { return a.spread(1) > 0.05 && b.spread(1) == 0 }},
	"pressure.drift": {0.15, func(a, b story, _ int) bool { return math.Abs(b.seen[0]-b.end.Gauge-0.18e5) < 0.1e5 }},
	"level.drift":    {-0.15, func(a, b story, _ int) bool { return math.Abs(b.seen[1]-b.end.Level+0.05+0.0375) < 0.015 }},
	"failed_low":     {1, func(a, b story, _ int) bool { return b.dead }},
	"open":           {1, func(a, b story, _ int) bool { return b.dead }},
	"short":          {1, func(a, b story, _ int) bool { return b.dead }},
}

func TestEveryFaultShowsInTheTrueState(t *testing.T) {
	sound := tell(t, "", 0)
	for i := range 4 {
		if !sound.ran[i] && i < 3 {
			t.Fatalf("the scenario never runs %s: %+v", positions[i], sound)
		}
	}
	for _, info := range built(t, QuillenReach()).Faults() {
		name := string(info.Fault)
		effect, ok := faultEffects[name]
		owner, last, _ := cutLast(name)
		if !ok {
			effect, ok = faultEffects[last]
		}
		if strings.HasSuffix(name, "standby_dead") {
			continue // needs a lead that fails: TestStandbyDead
		}
		if !ok {
			t.Errorf("fault %s has no proof", name)
			continue
		}
		machine := max(0, indexOf(owner))
		if bad := tell(t, info.Fault, effect.severity); !effect.shows(sound, bad, machine) {
			t.Errorf("%s does not show:\nsound %+v\nbad   %+v", name, sound, bad)
		}
	}
}

func indexOf(position string) int {
	for i, name := range positions {
		if name == position {
			return i
		}
	}
	return -1
}

func TestStandbyDead(t *testing.T) {
	for i, f := range []Fault{"pumps.standby_dead", "compressors.standby_dead"} {
		for _, dead := range []float64{0, 1} {
			b := QuillenReach()
			b.Start.Pressure = 7.3e5
			if i == 0 {
				b.Start.Oil = newGeometry(b.Tank).volumeAt(1.0)
			}
			p := built(t, b)
			p.Set(f, dead)
			pass(p, 30)
			if x := p.Truth(); x.Running[2*i+1] != (dead == 0) {
				t.Errorf("%s %v: running %v", f, dead, x.Running)
			}
		}
	}
}

func TestFaultIsRepairedBySettingIt0(t *testing.T) {
	p := quiet(t, QuillenReach())
	for _, f := range []Fault{"overcharged", "sump_low", "level.drift", "pressure.open"} {
		p.Set(f, 0.1)
	}
	before := p.Truth()
	pass(p, 7200)
	for _, f := range []Fault{"overcharged", "sump_low", "level.drift", "pressure.open"} {
		p.Set(f, 0)
	}
	pass(p, 7200)
	x, seen := p.Truth(), p.Measured(nil)
	near(t, "air", x.Air+x.DissolvedAir, before.Air+before.DissolvedAir, 1e-3)
	near(t, "sump", x.SumpVolume, before.SumpVolume, 1e-3)
	near(t, "level", seen[1].Value, x.Level-0.05, 0.012)
	near(t, "pressure", seen[0].Value, x.Gauge, 0.08e5)
}

func TestSetRefusesWhatCannotBe(t *testing.T) {
	p := built(t, DunmorrowFlats())
	for _, tt := range []struct {
		fault    Fault
		severity float64
	}{
		{"pump3.weak", 1}, {"valve.XV-1.leak", 0.1}, {"air_leak", 1.1}, {"air_leak", -0.1}, {"air_leak", math.NaN()},
	} {
		if err := p.Set(tt.fault, tt.severity); err == nil {
			t.Errorf("%s at %v was accepted", tt.fault, tt.severity)
		}
	}
	if err := p.Set("level.drift", -1); err != nil || p.Severity("level.drift") != -1 {
		t.Errorf("drift down: %v, %v", err, p.Severity("level.drift"))
	}
	if err := p.Stroke("XV-1", true); err == nil {
		t.Error("a stroke of a valve that is not there was accepted")
	}
}
