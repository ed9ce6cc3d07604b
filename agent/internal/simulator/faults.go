package simulator

import "fmt"

// Fault names a fault: "pump1.weak", "air_leak", "valve.XV-2.leak".
type Fault string

// FaultInfo describes one fault. Severity runs from 0 (none) to 1; where
// Switch is set any severity above 0 is the whole fault.
type FaultInfo struct {
	Fault  Fault
	What   string // in a line, with what severity 1 means
	Switch bool
	level  *float64
}

// The machines in the order of all arrays here.
var positions = [4]string{"pump1", "pump2", "compressor1", "compressor2"}

// faults holds the present severities; zero is a sound unit.
type faults struct {
	weak, noStart, noStop, hand, welded, overload, off, slow, spurious [4]float64
	noAnswer, alternation, standby, shortCycle                         [2]float64
	check                                                              [2]float64
	valveLeak, valveSlow                                               [8]float64
	oilLeak, airLeak, waterlogged, overcharged, relief                 float64
	lockout, sumpLow, filter, mains, link                              float64
	transmitter                                                        [2]transmitterFaults
}

// transmitterFaults are those of the pressure [0] or level [1] transmitter.
type transmitterFaults struct{ stuck, drift, low, open, short float64 }

// Faults lists every fault that the unit can have.
func (p *Plant) Faults() []FaultInfo { return append([]FaultInfo(nil), p.catalogue...) }

// Set makes a fault as severe as given, 0 to 1 (drifts -1 to 1), at once or,
// where matter has to move, as fast as it moves. 0 repairs it.
func (p *Plant) Set(f Fault, severity float64) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, info := range p.catalogue {
		if info.Fault != f {
			continue
		}
		if !(severity >= -1 && severity <= 1) || (severity < 0 && !drifts(f)) {
			return fmt.Errorf("simulator: severity %v of %s is not within 0..1", severity, f)
		}
		*info.level = severity
		return nil
	}
	return fmt.Errorf("simulator: unit %s has no fault %q", p.build.Unit, f)
}

// Severity is how severe a fault is now; 0 for one that the unit cannot have.
func (p *Plant) Severity(f Fault) float64 {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, info := range p.catalogue {
		if info.Fault == f {
			return *info.level
		}
	}
	return 0
}

func drifts(f Fault) bool { return f == "pressure.drift" || f == "level.drift" }

// catalogueOf lists the faults of b, held in f.
func catalogueOf(b Build, f *faults) []FaultInfo {
	var list []FaultInfo
	add := func(level *float64, whole bool, name, what string) {
		list = append(list, FaultInfo{Fault(name), what, whole, level})
	}
	for i, m := range positions {
		addMachine(add, f, i, m)
	}
	for i, pair := range []string{"pumps", "compressors"} {
		add(&f.noAnswer[i], true, pair+".no_answer", "the panel calls neither machine of the pair")
		add(&f.alternation[i], true, pair+".alternation_stuck", "the lead no longer changes")
		add(&f.standby[i], true, pair+".standby_dead", "the standby is never called")
		add(&f.shortCycle[i], false, pair+".short_cycling", "the cut-out falls towards the cut-in; 1: to 7 % of the band")
	}
	add(&f.check[0], false, "pump1.check_valve_leak", "oil runs back through the pump; 1: 60 L/h")
	add(&f.check[1], false, "pump2.check_valve_leak", "oil runs back through the pump; 1: 60 L/h")
	for i, v := range b.Valves {
		add(&f.valveLeak[i], false, "valve."+v.Tag+".leak", "the cylinder's seals let oil through to the sump; 1: 60 L/h")
		add(&f.valveSlow[i], false, "valve."+v.Tag+".slow", "strokes take longer; 1: five times as long")
	}
	addVessel(add, f)
	for i, t := range []string{"pressure", "level"} {
		x := &f.transmitter[i]
		add(&x.stuck, true, t+".stuck", "the transmitter holds its value")
		add(&x.drift, false, t+".drift", "the zero moves by up to 10 % of span (sign: direction), 0.5 % of span an hour")
		add(&x.low, true, t+".failed_low", "the transmitter signals its own failure, 3.5 mA")
		add(&x.open, true, t+".open", "broken wire, 0 mA")
		add(&x.short, true, t+".short", "short circuit, 22 mA")
	}
	return list
}

func addMachine(add func(*float64, bool, string, string), f *faults, i int, m string) {
	add(&f.weak[i], false, m+".weak", "delivers less; 1: nothing")
	add(&f.noStart[i], true, m+".no_start", "called, but the contactor does not close")
	add(&f.noStop[i], true, m+".no_stop", "once running, the contactor does not open again")
	add(&f.hand[i], true, m+".hand", "selector in hand: runs uncalled")
	add(&f.welded[i], true, m+".welded", "contactor welded: runs uncalled, selector in automatic")
	add(&f.overload[i], true, m+".overload", "thermal overload tripped")
	add(&f.off[i], true, m+".off", "selector in off")
	add(&f.slow[i], false, m+".slow_start", "the starter closes late; 1: after 10 s")
	add(&f.spurious[i], true, m+".spurious_stop", "drops out after 20 s although called")
}

func addVessel(add func(*float64, bool, string, string), f *faults) {
	add(&f.oilLeak, false, "oil_leak", "oil leaves the system; 1: 60 L/h at the set pressure")
	add(&f.airLeak, false, "air_leak", "air leaves the tank; 1: 20 % a day at the set pressure")
	add(&f.waterlogged, false, "waterlogged", "air is lost and the compressors' switches have sunk with it; 1: half the air")
	add(&f.overcharged, false, "overcharged", "too much air was let in; 1: half as much again")
	add(&f.relief, false, "relief_lifting", "the air relief valve opens early; 1: low in the compressors' band")
	add(&f.lockout, true, "compressors.lockout_bypassed", "compressors do not wait for the oil level")
	add(&f.sumpLow, false, "sump_low", "oil was taken from the sump; 1: all of its filling")
	add(&f.filter, false, "filter_clogged", "the return filter's resistance grows; 1: 16 times")
	add(&f.mains, true, "mains_lost", "no mains")
	add(&f.link, true, "link_lost", "the server accepts requests and never answers")
}
