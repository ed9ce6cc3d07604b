package leak

import "math"

// State is all that a Watch remembers, to be saved and restored.
type State struct {
	Age       float64           `json:"watched_seconds"`
	Oil       OilState          `json:"oil"`
	Air       AirState          `json:"air"`
	Losses    LossState         `json:"losses"`
	Stuck     StuckState        `json:"stuck"`
	Inventory InventoryState    `json:"inventory"`
	Points    [Points]Witnessed `json:"points"`
}

// Watch puts the parts together for one unit. A step does not allocate.
type Watch struct {
	cfg     Config
	age     float64
	liner   liner
	suspect int     // hours in a row in which the level seemed to drift
	drifts  float64 // s for which the level is not believed to tell of leaks

	draws     draws
	between   between
	oil       oil
	air       air
	loss      loss
	lift      lift
	inventory inventory
	witness   witness

	out Findings
}

// Findings is what a step gives; it belongs to the Watch.
type Findings struct {
	Draw *Draw // ended in this step
	Lift *Lift // likewise
	Loss *Loss // likewise
	// Action is what the panel did in this step.
	Action Action
	Acted  bool

	Oil, OilRecent Decline    // while idle: of seven days, of one
	Air            AirDecline // a day
	Lost           Decline    // out of the system
	LostFor        float64    // s for which it has been over the limit
	Inventory      float64    // m³ at 15 °C; 0: not known
	Stuck          StuckState
	Drifts         bool // the level moves and S with it: the transmitter does
	Lifting        bool // the relief valve, by what was lost
	LiftsAt        float64
	LiftedPart     float64
	Points         [Points]Witnessed
}

// New begins with nothing known, or goes on from a saved state; gap is how
// long nobody watched in between, s, NaN where that is not known.
func New(c Config) *Watch {
	w := &Watch{cfg: c.withDefaults()}
	w.draws.cfg, w.oil.cfg, w.air.cfg, w.loss.cfg = &w.cfg, &w.cfg, &w.cfg, &w.cfg
	w.lift.cfg, w.inventory.cfg, w.witness.cfg = &w.cfg, &w.cfg, &w.cfg
	w.oil.liner, w.air.liner, w.inventory.liner = &w.liner, &w.liner, &w.liner
	return w
}

// Config is the configuration with its defaults.
func (w *Watch) Config() Config { return w.cfg }

// State is what to save.
func (w *Watch) State() State {
	s := State{Age: w.age, Oil: w.oil.state, Air: w.air.state, Losses: w.loss.state, Stuck: w.lift.stuck,
		Inventory: w.inventory.state, Points: w.witness.state}
	if w.air.joined {
		s.Air.Held = w.air.recent.value
	}
	return s
}

// Restore goes on from a saved state; gap is how long nobody watched since,
// s, NaN where that is not known. What cannot be is left out.
func (w *Watch) Restore(s State, gap float64) {
	within := func(n, most int) int { return min(max(n, 0), most) }
	s.Oil.Count, s.Oil.Betweens = within(s.Oil.Count, len(s.Oil.Windows)), within(s.Oil.Betweens, len(s.Oil.Between))
	s.Air.HourN, s.Air.DayN = within(s.Air.HourN, len(s.Air.Hours)), within(s.Air.DayN, len(s.Air.Days))
	s.Losses.Count = within(s.Losses.Count, len(s.Losses.Last))
	s.Inventory.Count = within(s.Inventory.Count, len(s.Inventory.Points))
	w.oil.state, w.air.state, w.loss.state = s.Oil, s.Air, s.Losses
	w.lift.stuck, w.inventory.state, w.witness.state = s.Stuck, s.Inventory, s.Points
	w.age, w.between = s.Age, between{}
	if gap > 0 && !math.IsInf(gap, 0) {
		w.age += gap
	}
	w.oil.judge(w.age)
	w.air.wall = false // until it is read: the wider band
	w.air.judge()
	w.out.Points = w.witness.state
}

// Step takes a scan in. The result is overwritten by the next step.
func (w *Watch) Step(s *Scan) *Findings {
	w.age += s.Seconds
	o := &w.out
	o.Draw, o.Lift, o.Loss = nil, nil, nil
	if w.draws.step(s) {
		o.Draw = &w.draws.out
		w.between.drew(o.Draw, s.Warmth)
	}
	if w.lift.step(s) {
		o.Lift = &w.lift.out
		w.filled(s)
	}
	w.stepAir(s)
	w.draws.drift = 0
	if w.oil.recent.Known {
		w.draws.drift = w.oil.recent.Rate
	}
	idle := s.Read && !s.Pumps && !w.draws.drawing && !w.lift.running && o.Draw == nil
	w.oil.step(s, w.age, idle)
	w.inventory.step(s, w.age)
	o.Action, o.Acted = w.witness.step(s)
	if o.Acted {
		o.Points = w.witness.state
	}
	w.tell()
	return o
}

// filled takes in what a fill has shown.
func (w *Watch) filled(s *Scan) {
	lift, before := &w.lift.out, w.lift.before[0]
	w.air.dissolve(math.Max(0, lift.Raised), s)
	if b, ok := w.between.filled(before*s.Warmth, (before+lift.Raised)*s.Warmth, w.age, lift.Seconds+calm); ok {
		w.oil.between(b, w.age)
	}
	if w.stuck() {
		w.loss.drop(w.age, 3600)
		w.air.part()
	}
}

// stuck reports an instrument that does not follow: then S tells nothing.
func (w *Watch) stuck() bool { return w.lift.stuck.Level || w.lift.stuck.Pressure }

// stepAir looks at the air, by the hour and by the second.
func (w *Watch) stepAir(s *Scan) {
	if w.stuck() {
		return
	}
	falling := w.loss.falling
	if w.loss.step(s, w.age) {
		w.out.Loss = &w.loss.state.Last[w.loss.state.Count-1]
	}
	if w.loss.falling && !falling {
		w.air.part()
	}
	if !w.loss.falling && w.air.step(s) {
		w.drifting(s)
	}
}

// tell writes what is known now.
func (w *Watch) tell() {
	o := &w.out
	o.Drifts = w.drifts > 0
	o.Oil, o.OilRecent, o.Air = w.oil.kept, w.oil.recent, w.air.result
	o.LostFor = 0
	if w.inventory.since > 0 {
		o.LostFor = w.age - w.inventory.since
	}
	o.Lost, o.Inventory, o.Stuck = w.inventory.lost, w.inventory.now(), w.lift.stuck
	o.Lifting, o.LiftsAt, o.LiftedPart = w.loss.lifting(w.age)
}

// drifting looks, once an hour, whether oil that seems to come or go while
// idle takes S along. Real oil leaves S alone; a level that is shown wrong
// does not, and then nothing is said about leaks for a day.
func (w *Watch) drifting(s *Scan) {
	w.drifts = math.Max(0, w.drifts-3600)
	rate, known := w.air.lately()
	down := w.oil.lately(w.age)
	q := rate / (s.Pressure * down)
	if !known || math.Abs(down) < 4*w.cfg.OilLimit || !(q > 0.6 && q < 1.6) {
		w.suspect = 0
		return
	}
	if w.suspect++; w.suspect >= 2 {
		w.drifts = day
		w.air.forget()
		w.oil.forget()
		w.inventory.state.Count, w.inventory.since, w.inventory.lost = 0, 0, Decline{}
	}
}

// Limits gives the limits in force: m³/s of oil, part of the air a day.
func (w *Watch) Limits() (oil, air float64) { return w.cfg.OilLimit, w.cfg.AirLimit }

// Draining reports that a draw is under way.
func (w *Watch) Draining() bool { return w.draws.drawing }
