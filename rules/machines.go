package rules

import (
	"fmt"

	"strokebank/rules/machine"
	"strokebank/sensors/signal"
)

// contacts says where in a scan the signals of one machine stand.
type contacts struct {
	running, called, overload, automatic, hand, startCounter, hourMeter int
}

func locateMachine(points []signal.Point, position string) (contacts, error) {
	at := func(name string) int { return find(points, signal.Of(position, name)) }
	c := contacts{
		running: at(signal.Running), called: at(signal.Called), overload: at(signal.Overload),
		automatic: at(signal.Automatic), hand: at(signal.Hand),
		startCounter: at(signal.StartCounter), hourMeter: at(signal.HourMeter),
	}
	if c.running < 0 {
		return c, fmt.Errorf("the point %s is required", signal.Of(position, signal.Running))
	}
	return c, nil
}

// stepMachines follows both pairs and reports what happened to them.
func (u *Unit) stepMachines(scan *signal.Scan) {
	level := u.out.Level
	processes := [2]signal.Reading{pumps: level, compressors: scan.Readings[u.at.pressure]}
	for i, pair := range u.pairs {
		in := machine.In{
			Time: scan.Time, Elapsed: scan.Elapsed, ClockTrusted: scan.ClockTrusted,
			Mains: pick(scan, u.at.mains, signal.Boolean), Process: processes[i],
			Locked: signal.Missing(signal.Boolean, signal.NotConfigured, scan.Time),
		}
		if i == compressors {
			in.Locked = u.lockout(level)
		}
		for which := range in.Machines {
			in.Machines[which] = u.contacts[i][which].read(scan)
			in.Away[which] = u.away(u.pairConfigs()[i].Machines[which].Position)
			in.Useless[which] = u.out.Outputs[2*i+which].Nothing
		}
		out := pair.Step(&in)
		u.machines[i] = out
		u.out.Machines[2*i], u.out.Machines[2*i+1] = out.Machines[0], out.Machines[1]
		u.out.Pairs[i] = out.Pair
		u.out.Runs = append(u.out.Runs, out.Runs...)
		for _, change := range out.Changes {
			e := u.event(scan, MachineEvent, out.Machines[change.Machine].Position, change.What)
			e.Time = change.Time
			e.Values, e.Run = runValues(out, change)
			u.out.Events = append(u.out.Events, e)
		}
	}
}

// runValues is what an event about a machine says beside its name, and the run
// that has ended with it, if any.
func runValues(out *machine.Out, change machine.Change) (values []Value, ended *machine.Run) {
	m := &out.Machines[change.Machine]
	values = []Value{
		{"lifetime_run", signal.Number(m.LifetimeRunSeconds), signal.Second.String()},
		{"lifetime_starts", signal.Number(m.LifetimeStarts), ""},
	}
	if change.What != machine.Ended && change.What != machine.RunCut {
		return values, nil
	}
	for _, r := range out.Runs {
		if r.Position != m.Position {
			continue
		}
		ended = &r
		values = append(values, Value{"run", signal.Number(r.Seconds), signal.Second.String()})
		if r.Doubt > 0 {
			values = append(values, Value{"doubt", signal.Number(r.Doubt), signal.Second.String()})
		}
	}
	return values, ended
}

// lockout is whether the panel holds the compressors back: from the pumps'
// cut-in until the level is restored at their cut-out (oil first, then air;
// common practice, no source).
func (u *Unit) lockout(level signal.Reading) signal.Reading {
	if level.Known() {
		u.locked = level.Value < u.cfg.Pumps.CutIn || u.locked && level.Value < u.cfg.Pumps.CutOut
	}
	on := 0.0
	if u.locked {
		on = 1
	}
	return signal.Derive(on, signal.Boolean, level)
}

func (c *contacts) read(scan *signal.Scan) machine.Signals {
	return machine.Signals{
		Running: scan.Readings[c.running],
		Called:  pick(scan, c.called, signal.Boolean), Overload: pick(scan, c.overload, signal.Boolean),
		Automatic: pick(scan, c.automatic, signal.Boolean), Hand: pick(scan, c.hand, signal.Boolean),
		StartCounter: pick(scan, c.startCounter, signal.Count), HourMeter: pick(scan, c.hourMeter, signal.Second),
	}
}
