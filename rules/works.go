package rules

import (
	"fmt"
	"time"

	"strokebank/rules/machine"
	"strokebank/rules/machine/fault"
	"strokebank/rules/machine/service"
	"strokebank/rules/machine/work"
	"strokebank/rules/reserve"
	"strokebank/sensors/signal"
)

// works is what the machines have achieved and what is wrong with them: fills
// and charges, output against its baseline, faults, service.
type works struct {
	fills   [2]work.FillMeter
	charge  work.ChargeMeter
	standby [2]bool         // each compressor found its partner running
	outputs [4]*work.Output // in the order of Assessment.Machines
	faults  [2]*fault.Watch
	found   [2]*fault.Out // of this scan
	sump    work.Sump
	filter  work.Filter
	at      workPlaces
	book    *service.Book
	use     func(string) service.Use // useOf, bound once
	looked  time.Duration
}

// workPlaces says where in a scan the signals stand that only this part needs.
type workPlaces struct {
	sump, filter int
	valves       [][2]int // open and closed
}

// savedWorks is what a restart needs of it.
type savedWorks struct {
	Outputs [4]work.OutputState `json:"outputs"`
	Faults  [2]fault.State      `json:"faults"`
	Service []service.Done      `json:"service,omitempty"`
	Sump    work.Sump           `json:"sump"`
	Filter  work.Filter         `json:"filter"`
}

// newWorks begins the machines' part with what was saved. The pairs are there
// already: they know which individuals stand where.
func (u *Unit) newWorks(s savedWorks) error {
	w, c := &u.works, &u.cfg
	w.at = locateWorks(u.points, c.Valves)
	w.sump, w.filter = s.Sump, s.Filter
	for i := range w.outputs {
		pair, which := i/2, i%2
		m := &u.pairConfigs()[pair].Machines[which]
		o, err := work.NewOutput(m.Rating, m.Baseline)
		if err != nil {
			return fmt.Errorf("machine %s: %w", m.Position, err)
		}
		o.Restore(s.Outputs[i], u.pairs[pair].Serial(which))
		w.outputs[i] = o
	}
	// What each pair moves through its whole dead band: oil, free air.
	k := &c.Compressors
	oil := c.Tank.Volume(c.Pumps.CutOut) - c.Tank.Volume(c.Pumps.CutIn)
	air := (k.CutOut - k.CutIn) * (c.Tank.Total() - c.Tank.Volume(c.Reserve.SetLevel)) / c.Atmosphere
	for i, whole := range [2]float64{pumps: oil, compressors: air} {
		config := fault.Config{Pair: *u.pairConfigs()[i]}
		for which, m := range config.Pair.Machines {
			if m.Rating > 0 {
				config.Full[which] = whole / m.Rating
			}
		}
		w.faults[i] = fault.New(config, s.Faults[i])
	}
	for i := range w.fills {
		w.fills[i] = work.NewFillMeter(c.Reserve.SetPressure, oil/(c.Pumps.CutOut-c.Pumps.CutIn))
	}
	w.charge = work.NewChargeMeter([2]string{k.Machines[0].Position, k.Machines[1].Position},
		c.Reserve.SetPressure+c.Atmosphere, u.air.tau())
	return u.newService(s.Service)
}

// locateWorks finds the signals among the points of the scans.
func locateWorks(points []signal.Point, valves []Valve) workPlaces {
	at := workPlaces{sump: find(points, signal.SumpLevel), filter: find(points, signal.FilterDifferential)}
	for _, v := range valves {
		p := [2]int{find(points, signal.OfValve(v.Tag, signal.Open)), find(points, signal.OfValve(v.Tag, signal.Closed))}
		if p[0] >= 0 && p[1] >= 0 {
			at.valves = append(at.valves, p)
		}
	}
	return at
}

// stepWorks takes this scan of the machines in, after the machines and the air
// have been followed. dt is the watched time.
func (u *Unit) stepWorks(scan *signal.Scan, dt time.Duration) {
	w := &u.works
	moving := u.valvesMove(scan)
	u.stepFaults(scan, dt)
	u.stepFills(scan, moving)
	u.stepCharges(scan, moving)
	if w.at.sump >= 0 {
		filled := u.out.Level.Known() && u.out.Level.Value >= u.cfg.Pumps.CutIn
		w.sump.Take(scan.Readings[w.at.sump], dt, filled)
	}
	if w.at.filter >= 0 {
		w.filter.Take(scan.Readings[w.at.filter], dt)
	}
	if scan.Elapsed-w.looked >= lookEvery {
		w.looked = scan.Elapsed
		u.out.Service = w.book.Look(w.use)
	}
}

// valvesMove reports a valve known to be between its ends.
func (u *Unit) valvesMove(scan *signal.Scan) bool {
	for _, v := range u.works.at.valves {
		open, closed := &scan.Readings[v[0]], &scan.Readings[v[1]]
		if open.Known() && closed.Known() && open.Value == 0 && closed.Value == 0 {
			return true
		}
	}
	return false
}

// Parts of the pumps' dead band: so far under the cut-in the level surely holds
// the compressors back, and so far over it it is nearly restored; common
// practice, no source.
const lowPart, restored = 0.15, 0.7

// stepFaults looks at how the machines start and stop.
func (u *Unit) stepFaults(scan *signal.Scan, dt time.Duration) {
	level := u.out.Level
	for i := range u.pairs {
		in := fault.In{Time: scan.Time, Elapsed: scan.Elapsed, Watched: dt, Process: level,
			Mains: pick(scan, u.at.mains, signal.Boolean), Pair: u.machines[i]}
		for which := range in.Machines {
			in.Machines[which] = u.contacts[i][which].read(scan)
		}
		if i == compressors {
			in.Process = scan.Readings[u.at.pressure]
			in.Excused = u.locked || u.runs(pumps, 0) || u.runs(pumps, 1)
			in.OilLow = u.oilLow()
		}
		u.works.found[i] = u.works.faults[i].Step(&in)
	}
}

// oilLow is on while the panel surely holds the compressors back: the level is
// well under the pumps' cut-in, or a pump that the panel has called has not
// restored it yet.
func (u *Unit) oilLow() signal.Reading {
	c, f := &u.cfg.Pumps, u.works.found[pumps]
	over := func(part float64) float64 { return c.CutIn + float64(part*(c.CutOut-c.CutIn)) }
	low := f.Level < over(-lowPart)
	for which := range f.Uncalled {
		called := u.runs(pumps, which) && !f.Uncalled[which].On() && !f.InHand[which].On()
		low = low || called && f.Level < over(restored)
	}
	on := 0.0
	if low {
		on = 1
	}
	return signal.Derive(on, signal.Boolean, u.out.Level)
}

// runs reports that a machine is seen to run.
func (u *Unit) runs(pair, which int) bool {
	return u.machines[pair].Machines[which].State == machine.Running
}

// stepFills measures what the pumps raise.
func (u *Unit) stepFills(scan *signal.Scan, moving bool) {
	w, out := &u.works, u.machines[pumps]
	for i := range w.fills {
		m := &w.fills[i]
		for k := range out.Runs {
			if out.Runs[k].Position == u.cfg.Pumps.Machines[i].Position {
				u.filled(scan, i, &out.Runs[k])
			}
		}
		if out.Machines[i].State == machine.Stopped || out.Machines[i].State != machine.Running && !m.Open() {
			continue
		}
		partner := u.runs(pumps, 1-i)
		in := work.FillIn{Elapsed: scan.Elapsed, Oil: u.out.OilVolume, Level: w.found[pumps].Level,
			Pressure: scan.Readings[u.at.pressure], Standby: partner,
			Charging: u.runs(compressors, 0) || u.runs(compressors, 1),
			// Nobody knows whether a pump ran on whose contact is bad.
			Disturbed: partner || moving || out.Machines[i].State != machine.Running}
		if t := pick(scan, u.at.oilTemperature, signal.Kelvin); t.Known() {
			in.Temperature = t.Value
		}
		if u.out.GasPressure.Known() && u.out.GasVolume.Known() {
			in.Absolute, in.Gas = u.out.GasPressure.Value, u.out.GasVolume.Value
		}
		m.Step(&in)
		if flow, sigma, known := m.Live(); known && !m.Belied(w.outputs[i].Due()) && w.outputs[i].Watch(flow+u.oilLeak(), sigma) {
			u.showOutput(i)
		}
	}
}

// filled records a completed run of pump i.
func (u *Unit) filled(scan *signal.Scan, i int, r *machine.Run) {
	o := u.works.outputs[i]
	f := u.works.fills[i].Finish(r, u.oilLeak(), o.Due())
	if f.Counts {
		o.Take(f.End, scan.ClockTrusted, float64(f.Corrected), float64(f.Uncertainty))
		u.showOutput(i)
	}
	u.out.Fills = append(u.out.Fills, f)
	e := u.event(scan, FillEvent, f.Position, "filled")
	e.Time, e.Fill, e.Reason = f.End, &f, f.Reason
	u.out.Events = append(u.out.Events, e)
}

// stepCharges measures what the compressors bring in.
func (u *Unit) stepCharges(scan *signal.Scan, moving bool) {
	w, out, a := &u.works, u.machines[compressors], &u.out
	in := work.ChargeIn{Elapsed: scan.Elapsed, Atmosphere: u.atmosphere,
		On:    [2]bool{u.runs(compressors, 0), u.runs(compressors, 1)},
		Moved: moving || u.runs(pumps, 0) || u.runs(pumps, 1)}
	if a.GasPressure.Known() && a.GasVolume.Known() {
		in.Settled, in.Known = u.air.follower.Settled()
		in.Theta, _, _ = u.air.follower.Theta()
		in.Pressure, in.Oil = a.GasPressure.Value, a.OilVolume.Value
		in.Quality = min(a.GasPressure.Quality, a.GasVolume.Quality)
	}
	if t := pick(scan, u.at.wall, signal.Kelvin); t.Known() {
		in.Wall = t.Value
	}
	for which := range in.On {
		for k := range out.Runs {
			if out.Runs[k].Position == u.cfg.Compressors.Machines[which].Position {
				w.charge.Ran(which, &out.Runs[k], w.standby[which])
			}
		}
		if !in.On[which] {
			w.standby[which] = in.On[1-which]
		}
	}
	w.charge.Tau = u.air.tau()
	c, done := w.charge.Step(&in, [2]float64{w.outputs[2].Due(), w.outputs[3].Due()})
	if flow, sigma, which, live := w.charge.Live(); live && w.outputs[2+which].Watch(flow, sigma) {
		u.showOutput(2 + which)
	}
	if done {
		u.charged(scan, c)
	}
}

// charged records a charge.
func (u *Unit) charged(scan *signal.Scan, c work.Charge) {
	if i := 2 + c.Machine; c.Counts {
		u.works.outputs[i].Take(c.End, scan.ClockTrusted, float64(c.Corrected), float64(c.Uncertainty))
		u.showOutput(i)
	}
	u.out.Charges = append(u.out.Charges, c)
	e := u.event(scan, ChargeEvent, c.Position, "charged")
	e.Time, e.Charge, e.Reason = c.End, &c, c.Reason
	u.out.Events = append(u.out.Events, e)
}

// oilLeak is what the tank loses while a pump runs, m³/s; 0 while nothing is
// known.
func (u *Unit) oilLeak() float64 {
	if d := &u.leaks.found.Oil; d.Known {
		return max(0, d.Rate)
	}
	return 0
}

// showOutput brings the view of a machine's output up to date.
func (u *Unit) showOutput(i int) {
	u.out.Outputs[i] = u.works.outputs[i].Verdict(u.pairConfigs()[i/2].Machines[i%2].Position)
}

// showWorks lays the views out once.
func (u *Unit) showWorks() {
	u.out.Outputs = make([]work.Verdict, len(u.works.outputs))
	for i := range u.out.Outputs {
		u.showOutput(i)
	}
}

func (u *Unit) saveWorks() savedWorks {
	w := &u.works
	s := savedWorks{Sump: w.sump, Filter: w.filter, Service: w.book.Save()}
	for i, o := range w.outputs {
		s.Outputs[i] = o.Save()
	}
	for i, f := range w.faults {
		s.Faults[i] = f.Save()
	}
	return s
}

// tau is the time constant that the gas is followed with, s.
func (a *air) tau() float64 {
	switch {
	case a.learned.InUse:
		return a.learned.Tau
	case a.configured > 0:
		return a.configured
	}
	return reserve.AssumedHeatExchange
}
