// Package fault finds what is wrong with the machines of a pair from how they
// start and stop: against their calls where the panel shows these, and against
// the level or pressure at which they should where it does not. Pure
// computation; a Watch is not safe for concurrent use and its step does not
// allocate.
package fault

import (
	"math"
	"time"

	"strokebank/rules/machine"
	"strokebank/sensors/signal"
)

// Common practice, no source; parts are of the dead band.
const (
	near    = 0.25             // over the cut-in: a demand may stand
	beyond  = 0.30             // over the cut-out: nobody should run any more
	early   = 0.30             // under the cut-out: stopped too soon
	smooth  = 5.0              // s, time constant of the smoothed level or pressure
	excuse  = 30 * time.Second // after a stop, in which its cause may show
	cycling = 3                // runs in a row that stopped too soon
	sudden  = 2                // the same of one machine, its partner being well
	// The standby has helped where the lead had been running for so many times
	// what a whole fill takes.
	helpless = 2
)

// Config is one pair.
type Config struct {
	Pair machine.PairConfig
	// Full is the time that each machine needs through the whole dead band, s;
	// 0: not known.
	Full [2]float64
}

// In is one scan of a pair, after the pair's own step.
type In struct {
	Time     time.Time
	Elapsed  time.Duration
	Watched  time.Duration
	Process  signal.Reading // level, m, or pressure, Pa gauge
	Machines [2]machine.Signals
	Mains    signal.Reading
	Pair     *machine.Out
	// Excused: the panel holds the pair back by design, so that a stop short of
	// the cut-out says nothing.
	Excused bool
	// OilLow is on while the oil level is surely under the pumps' cut-in; for
	// compressors.
	OilLow signal.Reading
}

// Out is what was found, as conditions of alarms: on where it stands, bad
// where it cannot be judged, NotConfigured where its signals do not exist.
type Out struct {
	InHand        [2]signal.Reading // runs, selector in hand
	Uncalled      [2]signal.Reading // runs though nothing called it
	NotStopped    [2]signal.Reading // runs on after its call, or past the cut-out
	Spurious      [2]signal.Reading // stopped while it was needed
	MissedTurns   [2]signal.Reading
	TooManyStarts [2]signal.Reading
	Starts        [2]float64 // within the last hour
	Turns         [2]int     // lead runs by the partner since its own last start
	Stuck         signal.Reading
	Helped        signal.Reading
	HelpedAfter   float64 // s, that the lead had been running
	ShortCycling  signal.Reading
	StoppedAt     float64 // level or pressure at the last stop
	BeforeOil     signal.Reading
	Level         float64 // smoothed level or pressure
}

// State is what a restart needs, as plain JSON.
type State struct {
	Demand bool      `json:"demand"` // may stand
	Known  bool      `json:"demand_known"`
	Each   [2]member `json:"machines"`
	Helped bool      `json:"standby_helped"`
	After  float64   `json:"helped_after_seconds"`
	Short  int       `json:"short_runs"` // in a row
}

type member struct {
	Early  int  `json:"early_stops"` // in a row
	Sudden bool `json:"spurious_stop"`
	Turns  int  `json:"turns_of_partner"`
}

// Watch follows one pair.
type Watch struct {
	cfg   Config
	state State
	run   [2]run
	level float64
	known bool
	hours [2]starts
	out   Out
}

// run is what is known of the run of a machine, and of its last stop.
type run struct {
	on      bool
	outside bool // began where nothing can have asked for it
	called  bool // was called in this run
	helped  bool // its partner ran too
	// How long it has run so.
	uncalled, hand, past time.Duration

	judge   bool // the stop is not judged yet
	since   time.Duration
	stop    float64 // where it stopped
	excused bool
}

// New begins a watch; state is what was saved, or the zero value.
func New(cfg Config, state State) *Watch { return &Watch{cfg: cfg, state: state} }

// Save is the state to keep over a restart.
func (w *Watch) Save() State { return w.state }

// Renew forgets what machine i has done: it was repaired, or another individual
// stands there now.
func (w *Watch) Renew(i int) { w.state.Each[i] = member{} }

// Step takes one scan in. The result is overwritten by the next one.
func (w *Watch) Step(in *In) *Out {
	w.follow(in)
	for i := range w.run {
		w.machine(i, in)
	}
	w.demand(in)
	w.report(in)
	return &w.out
}

// over is a place in the dead band: 0 the cut-in, 1 the cut-out.
func (w *Watch) over(part float64) float64 {
	c := &w.cfg.Pair
	return c.CutIn + float64(part*(c.CutOut-c.CutIn))
}

// follow smooths the level or pressure.
func (w *Watch) follow(in *In) {
	switch {
	case !in.Process.Known():
		w.known = false
	case !w.known:
		w.level, w.known = in.Process.Value, true
	default:
		w.level += float64((in.Process.Value - w.level) * -math.Expm1(-in.Watched.Seconds()/smooth))
	}
	w.out.Level = w.level
}

// demand keeps whether the panel can be asking for a machine.
func (w *Watch) demand(in *In) {
	s := &w.state
	for i := range w.run {
		if in.Pair.Machines[i].State == machine.StateUnknown {
			s.Known = false // it may have run meanwhile
		}
	}
	switch {
	case !w.known:
	case w.level < w.over(near):
		s.Demand, s.Known = true, true
	case w.level > w.over(1+beyond):
		s.Demand, s.Known = false, true
	}
}

// machine follows one machine.
func (w *Watch) machine(i int, in *In) {
	r, st := &w.run[i], &in.Pair.Machines[i]
	w.hours[i].pass(in.Elapsed)
	for _, c := range in.Pair.Changes {
		if c.Machine != i {
			continue
		}
		switch c.What {
		case machine.Started:
			w.begin(i, in)
		case machine.Ended:
			w.end(i, in)
		case machine.RunCut:
			*r = run{}
		}
	}
	if st.State == machine.Running && !r.on { // its start was not seen
		*r = run{on: true}
	}
	if r.on {
		w.watch(i, in)
	}
	if r.judge {
		w.judgeStop(i, in)
	}
}

// begin is a start that was seen.
func (w *Watch) begin(i int, in *In) {
	s := &w.state
	w.hours[i].add(in.Elapsed)
	s.Each[i].Turns = 0
	w.run[i] = run{on: true, outside: s.Known && !s.Demand && w.known}
	other := &in.Pair.Machines[1-i]
	if full := w.cfg.Full[1-i]; other.State == machine.Running && full > 0 && other.ThisRunSeconds > helpless*full {
		s.Helped, s.After = true, other.ThisRunSeconds
	}
}

// watch looks at a machine that runs.
func (w *Watch) watch(i int, in *In) {
	r, s := &w.run[i], &in.Machines[i]
	r.helped = r.helped || in.Pair.Machines[1-i].State == machine.Running
	r.called = r.called || s.Called.On()
	stand := func(d *time.Duration, on bool) {
		*d += in.Watched
		if !on {
			*d = 0
		}
	}
	stand(&r.hand, s.Hand.On())
	stand(&r.uncalled, s.Called.Known() && !s.Called.On() && !s.Hand.On())
	stand(&r.past, w.known && w.level > w.over(1+beyond))
}

// end is a stop that was seen.
func (w *Watch) end(i int, in *In) {
	r, s, m := &w.run[i], &w.state, &in.Machines[i]
	lead := false
	for k := range in.Pair.Runs {
		if done := &in.Pair.Runs[k]; done.Position == w.cfg.Pair.Machines[i].Position {
			lead = done.Lead
		}
	}
	if lead {
		// One that is out of service misses no turn.
		if in.Pair.Machines[1-i].Blocked != machine.OutOfService {
			s.Each[1-i].Turns++
		}
		s.Helped = s.Helped && r.helped
	}
	known := m.Overload.On() || m.Hand.On() || (m.Automatic.Known() && !m.Automatic.On()) || noMains(in) ||
		r.outside || r.hand > 0
	*r = run{judge: !known && w.known, stop: w.level, excused: in.Excused}
	if w.known && w.level > w.over(1-early) && in.Pair.Machines[1-i].State != machine.Running {
		s.Demand, s.Known = false, true
	}
}

func noMains(in *In) bool { return in.Mains.Known() && !in.Mains.On() }

// judgeStop decides, a little after a stop, whether it came too soon.
func (w *Watch) judgeStop(i int, in *In) {
	r, s := &w.run[i], &w.state
	r.excused = r.excused || in.Excused || noMains(in) || in.Machines[i].Overload.On()
	if r.since += in.Watched; r.since < excuse {
		return
	}
	r.judge = false
	if r.excused {
		return
	}
	w.out.StoppedAt = r.stop
	mine := &s.Each[i]
	if r.stop >= w.over(1-early) {
		mine.Early, mine.Sudden, s.Short = 0, false, 0
		return
	}
	mine.Early = min(mine.Early+1, cycling)
	s.Short = min(s.Short+1, cycling)
	mine.Sudden = mine.Sudden || mine.Early >= sudden && s.Each[1-i].Early == 0
}
