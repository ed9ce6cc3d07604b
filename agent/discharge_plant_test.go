package main

import (
	"bytes"
	"encoding/json"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"strokebank/agent/internal/simulator"
	"strokebank/configs"
	"strokebank/rules"
	"strokebank/rules/gas"
	"strokebank/rules/reserve"
	"strokebank/rules/tank"
	"strokebank/sensors/signal"
)

// period is how often the sites are scanned.
const period = 2 * time.Second

// site is a simulated unit of which nothing is as in the examples, with the
// configuration that its site would write and what its commissioning learned.
type site struct {
	build  simulator.Build
	cfg    rules.Config
	points []signal.Point
	tau    []float64                  // s, as three draws of different depth showed it
	saved  map[string]json.RawMessage // state of a unit of this kind
	closes float64                    // m³ drawn by all closing strokes
	opens  float64                    // m³ drawn by all opening strokes
	half   float64                    // s, all strokes of one direction with their dwells
}

// dice draws what a site or a state is like.
type dice struct{ *rand.Rand }

func (d dice) in(low, high float64) float64 { return low + (high-low)*d.Float64() }
func (d dice) one(in int) bool              { return d.IntN(in) == 0 }
func (d dice) sign() float64                { return float64(2*d.IntN(2) - 1) }

// anySite varies one of the two builds: tank, set points, valves, order and
// times of the strokes, heat exchange, leak, instruments.
func anySite(tb testing.TB, d dice, example string, b simulator.Build) *site {
	tb.Helper()
	text, err := configs.Example(example)
	if err != nil {
		tb.Fatal(err)
	}
	parsed, err := configs.Parse(bytes.NewReader(text))
	if err != nil {
		tb.Fatal(err)
	}
	s := &site{build: b, cfg: parsed.Units[0].Rules}
	s.cfg.ScanPeriod = period
	for _, p := range parsed.Units[0].Points {
		s.points = append(s.points, signal.Point{ID: p.ID, Unit: p.Spec.Unit})
	}
	s.measureWall()
	s.anyTank(tb, d)
	s.anyValves(d)
	s.instruments()
	s.commission(tb)
	s.keep(tb)
	return s
}

// measureWall adds the wall's temperature to a site that has none: without it
// a lower bound must believe in the coldest wall of the year.
func (s *site) measureWall() {
	for _, p := range s.points {
		if p.ID == signal.WallTemperature {
			return
		}
	}
	s.points = append(s.points, signal.Point{ID: signal.WallTemperature, Unit: signal.Kelvin})
	s.build.Registers = append(s.build.Registers, simulator.Register{Name: string(signal.WallTemperature),
		Table: 4, Address: 12, Format: "float32", Offset: 273.15, Unit: "K"})
	s.cfg.Reserve.WallBand = 1
}

// anyTank varies tank and set points and configures both.
func (s *site) anyTank(tb testing.TB, d dice) {
	b, c := &s.build, &s.cfg
	t := &b.Tank
	t.Horizontal = d.one(2)
	t.Diameter *= d.in(0.7, 1.4)
	t.Length *= d.in(0.7, 1.4)
	shape := tank.Shape{Diameter: t.Diameter, Length: t.Length}
	if t.Horizontal {
		shape.Mounting = tank.Horizontal
	}
	for i, end := range []*tank.Head{&shape.Bottom, &shape.Top} {
		*end = []tank.Head{tank.Flat, tank.Ellipsoidal, tank.Hemispherical}[d.IntN(3)]
		t.Heads[i] = t.Diameter * []float64{0, 0.25, 0.5}[*end]
	}
	var err error
	if c.Tank, err = tank.New(shape); err != nil {
		tb.Fatal(err)
	}
	height := c.Tank.Height()
	t.Outlet = d.in(0.05, 0.15) * height
	t.HeatFactor = d.in(0.6, 1.6)
	t.Atmosphere = d.in(0.85e5, 1.03e5)
	set, level := d.in(6e5, 13e5), d.in(0.4, 0.7)*height
	// What the hoop stress asks for at 138 MPa, and what every tank has more.
	t.Shell = set * t.Diameter / (2 * 138e6) * d.in(1.35, 2.6)
	c.PressureTap = -1
	if d.one(4) {
		t.PressureTap = d.in(0.1, 0.3) * height
		c.PressureTap = t.PressureTap
	}
	c.Atmosphere = t.Atmosphere
	b.AirRelief, b.OilRelief = 1.25*set, 1.35*set
	for _, p := range []struct {
		of *simulator.SetPoints
		by float64
	}{{&b.Level, level / b.Level.CutOut}, {&b.Pressure, set / b.Pressure.CutOut}} {
		p.of.CutIn, p.of.CutOut, p.of.Standby, p.of.Low = p.of.CutIn*p.by, p.of.CutOut*p.by, p.of.Standby*p.by, p.of.Low*p.by
	}
	c.Reserve.Tank, c.Reserve.SetLevel, c.Reserve.SetPressure = c.Tank, level, set
	for i := range 2 {
		for _, rating := range []*float64{&c.Reserve.PumpFlow[i], &c.Reserve.CompressorAir[i]} {
			*rating *= c.Tank.Total() / 2
		}
	}
	c.Reserve.MaxLeak = c.Tank.Total() * 1.5e-3 / 3600
}

// anyValves varies valves and cycle. A unit holds about 1 to 10 cycles.
func (s *site) anyValves(d dice) {
	b, r := &s.build, &s.cfg.Reserve
	// A valve may begin half a second late in the simulator; its dwell makes
	// up for it.
	b.Together, b.Dwell = d.one(4), b.Dwell*d.in(0.2, 3)
	oil := r.Tank.Volume(r.SetLevel)
	cycle := math.Min(0.4*(r.Tank.Total()-oil), 0.6*oil) / d.in(1, 8)
	usual := b.Valves[0].Time
	b.Valves, s.cfg.Valves, r.Cycle = nil, nil, nil
	var strokes []reserve.Stroke
	longest, all := 0.0, 0.0
	n := 1 + d.IntN(6)
	for i := range n {
		tag := "XV-" + string(rune('1'+i))
		// The flow regulators hold the stroke's time at any pressure; what
		// the valve needs is the site's minimum pressure.
		v := simulator.Valve{Tag: tag, Close: cycle / float64(n) * d.in(0.4, 0.7), Time: usual * d.in(0.5, 1.6)}
		v.Open = v.Close * d.in(0.7, 1)
		b.Valves = append(b.Valves, v)
		s.cfg.Valves = append(s.cfg.Valves, rules.Valve{Tag: tag})
		stroke := reserve.Stroke{Valve: tag, Duration: v.Time, Dwell: b.Dwell, Together: b.Together}
		shut, open := stroke, stroke
		shut.Closing, shut.Oil, open.Oil = true, v.Close, v.Open
		strokes = append(strokes, shut, open)
		s.closes, s.opens = s.closes+v.Close, s.opens+v.Open
		longest, all = math.Max(longest, v.Time+b.Dwell), all+v.Time+b.Dwell
	}
	r.Cycle, r.EndsWithClosing = reserve.DefaultCycle(strokes...), true
	if s.half = all; b.Together {
		s.half = longest
	}
	b.Seepage = r.MaxLeak * d.Float64() / float64(n)
}

// instruments spans the transmitters over the tank: pressure accurate to 0.5 %
// of its span, level to 0.5 %, the wall to 1 K. Nothing but their error stands
// between them and the truth, so that a state can put them at the very ends.
func (s *site) instruments() {
	b, r := &s.build, &s.cfg.Reserve
	i := &b.Instruments
	i.Pressure = simulator.Instrument{High: 1.4 * r.SetPressure, Lag: 0.3}
	i.Level = simulator.Instrument{High: r.Tank.Height(), Lag: 0.8}
	r.PressureBand, r.LevelBand = 0.005*i.Pressure.High, 0.005*i.Level.High
	s.cfg.LevelOffset = i.LevelZero
	registers := append([]simulator.Register(nil), b.Registers...)
	kept := registers[:0]
	for _, g := range registers {
		switch g.Name {
		case "pressure":
			g.High = i.Pressure.High
		case "level":
			g.High = i.Level.High
		}
		if len(g.Name) < 6 || g.Name[:6] != "valve." {
			kept = append(kept, g)
		}
	}
	b.Registers = kept
	// What nobody asks of the unit would only disturb the discharge.
	b.Routine, b.Weather = simulator.Routine{}, simulator.Weather{Mean: 290}
}

// commission learns τ as the program would: from the recovery after draws of
// different depth, here from three settled starts.
func (s *site) commission(tb testing.TB) {
	tb.Helper()
	r := &s.cfg.Reserve
	for _, depth := range []float64{0.07, 0.12, 0.2} {
		b := s.build
		b.Seepage = 0
		b.Valves = []simulator.Valve{{Tag: "draw", Time: 20,
			Close: math.Min(depth*(r.Tank.Total()-r.Tank.Volume(r.SetLevel)), 0.8*r.Tank.Volume(r.SetLevel))}}
		p := s.plant(tb, b, 1)
		learner := gas.NewLearner(250)
		for range 1300 {
			x := p.Truth()
			learner.Step(1, x.GasVolume, x.Pressure, false)
		}
		p.Shutdown()
		for range 1400 {
			p.Step(time.Second)
			x := p.Truth()
			learner.Step(1, x.GasVolume, x.Pressure, false)
		}
		learner.Step(1, 0, 0, true)
		if k := learner.Learned(); k.Of == 1 {
			s.tau = append(s.tau, k.Tau)
		}
	}
	if len(s.tau) < 2 {
		tb.Fatalf("only %d of three draws showed τ", len(s.tau))
	}
	for len(s.tau) < 3 {
		s.tau = append(s.tau, s.tau[0])
	}
}

// plant builds the unit with the mains already lost.
func (s *site) plant(tb testing.TB, b simulator.Build, seed uint64) *simulator.Plant {
	tb.Helper()
	p, err := simulator.New(b, seed)
	if err != nil {
		tb.Fatal(err)
	}
	if err := p.Set("mains_lost", 1); err != nil {
		tb.Fatal(err)
	}
	return p
}

// knowledge is what the program knows of a unit beside its signals.
type knowledge struct {
	learned          []float64 // s, τ of the draws
	theta, thetaBand float64   // at the first scan; 0: just started
}

// state is a saved state that holds the knowledge, a period older than the
// first scan.
func (s *site) state(tb testing.TB, k knowledge, x *situation) []byte {
	tb.Helper()
	air := map[string]any{"learner": gas.LearnerState{Taus: k.learned}}
	if k.theta > 0 {
		air["follower"] = gas.FollowerState{Theta: k.theta, Bound: k.theta, Low: k.theta - k.thetaBand, High: k.theta + k.thetaBand,
			Volume: x.volume, Settled: x.pressure * x.volume / k.theta}
	}
	all := maps.Clone(s.saved)
	for name, v := range map[string]any{"air": air, "time": x.scans[0].Time.Add(-period), "clock_trusted": true} {
		text, err := json.Marshal(v)
		if err != nil {
			tb.Fatal(err)
		}
		all[name] = text
	}
	text, err := json.Marshal(all)
	if err != nil {
		tb.Fatal(err)
	}
	return text
}

// keep takes the state of a unit that has just been made, to put knowledge
// into.
func (s *site) keep(tb testing.TB) {
	tb.Helper()
	u, err := rules.New(s.cfg, s.points, nil, nil)
	if err != nil {
		tb.Fatal(err)
	}
	text, err := u.Save()
	if err == nil {
		err = json.Unmarshal(text, &s.saved)
		// Of what a unit remembers only its machines are asked for; the rest
		// begins anew, and is most of it.
		maps.DeleteFunc(s.saved, func(name string, _ json.RawMessage) bool { return name != "schema" && name != "pairs" })
	}
	if err != nil {
		tb.Fatal(err)
	}
}

// judge is what the rules say after some scans, going on from a saved state.
func (s *site) judge(tb testing.TB, cfg rules.Config, state []byte, scans []signal.Scan) *rules.Assessment {
	tb.Helper()
	u, err := rules.New(cfg, s.points, state, nil)
	if err != nil {
		tb.Fatal(err)
	}
	var a *rules.Assessment
	for i, scan := range scans {
		scan.Number, scan.Elapsed = uint64(i+1), time.Duration(i+1)*period
		a = u.Step(scan)
	}
	return a
}

// withoutWall is what a site without the wall's temperature would see.
func (s *site) withoutWall(scans []signal.Scan) []signal.Scan {
	out := slices.Clone(scans)
	for i := range out {
		out[i].Readings = slices.Clone(out[i].Readings)
		for n, p := range s.points {
			if p.ID == signal.WallTemperature {
				out[i].Readings[n] = signal.Reading{Unit: signal.Kelvin, Reason: signal.NotConfigured}
			}
		}
	}
	return out
}
