package rules

import (
	"fmt"
	"time"

	"strokebank/rules/alarm"
	"strokebank/rules/machine"
	"strokebank/rules/reserve"
	"strokebank/sensors/signal"
)

// unitSource is the source of what concerns the unit as a whole.
const unitSource = "unit"

// The two pairs, in the order of Unit.pairs, as sources of alarms.
const (
	pumps = iota
	compressors
)

var pairSources = [...]string{pumps: "pumps", compressors: "compressors"}

// mostScans is how many scan periods may pass between two scans before the
// time in between counts as not watched.
const mostScans = 3

// Unit judges one accumulator unit, scan by scan. It holds all that one scan
// must know of those before. One goroutine at a time.
type Unit struct {
	cfg    Config
	points []signal.Point
	at     places
	engine *reserve.Engine

	pairs    [2]*machine.Pair
	contacts [2][2]contacts
	machines [2]*machine.Out // of this scan
	locked   bool            // compressors wait for the oil level

	scan     signal.Scan // the present one
	alarms   []watcher
	order    []int       // of alarms: what explains others before them
	testing  alarm.Leave // how long an announced test lasts
	leaves   []absence   // the unit, and its machines in their order
	load     alarm.Load
	clock    timekeeper
	air      *air
	leaks    *leaks
	proofs   *proofs
	works    works
	failures failures
	asked    reserveAsked

	atmosphere, oilDensity, gasTemperature float64 // of this scan: Pa, kg/m³, K
	known                                  knowledge
	countdown                              *countdown
	restored                               *saved // until the first scan

	out Assessment
}

// New makes a unit whose scans carry points. state and beat are what Save and
// Beat gave before the last stop, nil at the very first start; a state of a
// version that this one cannot read is an error.
func New(cfg Config, points []signal.Point, state, beat []byte) (*Unit, error) {
	u := &Unit{cfg: cfg, points: points}
	var err error
	if u.at, err = locate(points); err != nil {
		return nil, fmt.Errorf("unit %s: %w", cfg.Unit, err)
	}
	if u.engine, err = reserve.New(cfg.Reserve); err != nil {
		return nil, fmt.Errorf("unit %s: reserve: %w", cfg.Unit, err)
	}
	for i, pair := range u.pairConfigs() {
		for which, m := range pair.Machines {
			if u.contacts[i][which], err = locateMachine(points, m.Position); err != nil {
				return nil, fmt.Errorf("unit %s: %w", cfg.Unit, err)
			}
		}
	}
	if u.air, err = newAir(&cfg); err != nil {
		return nil, fmt.Errorf("unit %s: %w", cfg.Unit, err)
	}
	u.leaks = newLeaks(&u.cfg, points)
	u.proofs = newProofs(&u.cfg, points)
	u.countdown = newCountdown(&u.cfg, u.leaks.valves)
	u.alarms = u.watchers(points)
	u.leaves = u.absences()
	u.explain()
	if err := u.restore(state, beat); err != nil {
		return nil, fmt.Errorf("unit %s: saved state: %w", cfg.Unit, err)
	}
	var before savedWorks
	if u.restored != nil {
		before = u.restored.Works
	}
	if err := u.newWorks(before); err != nil {
		return nil, fmt.Errorf("unit %s: %w", cfg.Unit, err)
	}
	u.prepare()
	u.showWorks()
	return u, nil
}

// prepare lays out the assessment once, so that a step only fills it.
func (u *Unit) prepare() {
	u.out = Assessment{
		Schema: Schema, Site: u.cfg.Site, Unit: u.cfg.Unit,
		TankVolume: signal.Number(u.cfg.Tank.Total()),
		Limits:     limitsOf(&u.cfg),
		Machines:   make([]machine.Status, 4),
		Pairs:      make([]machine.PairStatus, 2),
		Failures:   append([]Failure{}, u.failures.List...),
	}
	for _, p := range u.points {
		u.out.Readings = append(u.out.Readings, NamedReading{ID: p.ID})
	}
	for i := range u.alarms {
		w := &u.alarms[i]
		w.found = verdict{value: signal.Unknown(), limit: signal.Unknown()}
		u.out.Alarms = append(u.out.Alarms, w.alarm.Status(&w.definition, w.source))
	}
	u.load.Fill(&u.out.AlarmLoad, u.out.Alarms, func(i int) *alarm.Tally { return &u.alarms[i].tally })
}

// limitsOf is what a picture of the unit needs of its configuration.
func limitsOf(c *Config) Limits {
	return Limits{
		SetPressure: c.Reserve.SetPressure, MinPressure: c.Reserve.MinPressure,
		SetLevel: c.Reserve.SetLevel, SetOil: c.Tank.Volume(c.Reserve.SetLevel), UnusableOil: c.Reserve.UnusableOil,
		LowLevel: c.LowLevel, LowOil: c.Tank.Volume(c.LowLevel), LowPressure: c.LowPressure,
		PumpCutIn: c.Pumps.CutIn, PumpCutInOil: c.Tank.Volume(c.Pumps.CutIn),
		PumpCutOut: c.Pumps.CutOut, PumpCutOutOil: c.Tank.Volume(c.Pumps.CutOut),
		CompressorCutIn: c.Compressors.CutIn, CompressorCutOut: c.Compressors.CutOut,
	}
}

// Step judges one scan. The readings must stand in the order of the points
// that the unit was made with; a scan of another length is a mistake of the
// program and panics. What it returns belongs to the unit and is overwritten
// by the next step: Clone what must last. It does not allocate while nothing
// happens.
func (u *Unit) Step(scan signal.Scan) *Assessment {
	if len(scan.Readings) != len(u.points) {
		panic(fmt.Sprintf("unit %s: a scan of %d readings for %d points", u.cfg.Unit, len(scan.Readings), len(u.points)))
	}
	u.scan = scan // kept here so that its parts can be pointed at without an allocation
	a := &u.out
	a.Events, a.Runs = a.Events[:0], a.Runs[:0]
	a.Draws, a.Tests = a.Draws[:0], a.Tests[:0]
	a.Fills, a.Charges = a.Fills[:0], a.Charges[:0]
	a.Time, a.Scan, a.ClockTrusted = scan.Time, scan.Number, scan.ClockTrusted
	for i := range scan.Readings {
		a.Readings[i].Reading = scan.Readings[i]
	}
	dt := u.keepTime(&u.scan)
	u.measure(&u.scan)
	u.stepMachines(&u.scan)
	u.stepAir(scan.Elapsed)
	u.stepLeaks(&u.scan, dt)
	u.stepProofs(&u.scan, dt)
	u.stepWorks(&u.scan, dt)
	u.stepReserve(&u.scan)
	u.stepCountdown(&u.scan, dt)
	u.stepAlarms(&u.scan, dt)
	return a
}

// keepTime reports what happened to the clocks and returns the watched time
// since the scan before.
func (u *Unit) keepTime(scan *signal.Scan) time.Duration {
	var dt time.Duration
	if u.clock.started {
		dt = min(scan.Elapsed-u.clock.elapsed, mostScans*u.cfg.ScanPeriod)
	}
	u.reportGap(scan)
	shift, gained, lost := u.clock.step(scan)
	if shift != 0 {
		e := u.event(scan, ClockEvent, "clock", "corrected")
		e.Values = []Value{{"shift", signal.Number(shift.Seconds()), signal.Second.String()}}
		u.out.Events = append(u.out.Events, e)
	}
	if gained {
		u.out.Events = append(u.out.Events, u.event(scan, ClockEvent, "clock", "trusted"))
	}
	if lost {
		u.out.Events = append(u.out.Events, u.event(scan, ClockEvent, "clock", "not trusted"))
	}
	return dt
}

// event begins an event of this scan.
func (u *Unit) event(scan *signal.Scan, kind Kind, source, name string) Event {
	return Event{Kind: kind, Time: scan.Time, ClockTrusted: scan.ClockTrusted,
		Site: u.cfg.Site, Unit: u.cfg.Unit, Source: source, Name: name}
}

// pairConfigs is the two pairs in their fixed order.
func (u *Unit) pairConfigs() [2]*machine.PairConfig {
	return [2]*machine.PairConfig{pumps: &u.cfg.Pumps, compressors: &u.cfg.Compressors}
}
