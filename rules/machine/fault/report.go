package fault

import (
	"time"

	"strokebank/rules/machine"
	"strokebank/sensors/signal"
)

// settle is how long a call and a contact may disagree: they are read some
// time apart, and a contactor takes its time.
const settle = 5 * time.Second

// report writes the conditions.
func (w *Watch) report(in *In) {
	o, s, c := &w.out, &w.state, &w.cfg.Pair
	spurious := false
	for i := range w.run {
		contact := in.Machines[i].Running
		o.InHand[i] = w.inHand(i, in)
		o.Uncalled[i], o.NotStopped[i] = w.uncalled(i, in)
		o.Spurious[i] = in.Pair.SpuriousStop[i]
		if absent(o.Spurious[i]) {
			o.Spurious[i] = condition(s.Each[i].Sudden && s.Short < cycling, contact)
		}
		spurious = spurious || in.Pair.SpuriousStop[i].On()
		o.Turns[i] = s.Each[i].Turns
		o.MissedTurns[i] = condition(s.Each[i].Turns > c.Turns+1, contact)
		o.Starts[i] = w.hours[i].sum
		o.TooManyStarts[i] = signal.Missing(signal.Boolean, signal.NotConfigured, in.Time)
		if limit := c.Machines[i].StartsPerHour; limit > 0 {
			o.TooManyStarts[i] = condition(o.Starts[i] > limit, contact)
		}
	}
	a, b := in.Machines[0].Running, in.Machines[1].Running
	o.Stuck = condition(in.Pair.Pair.SameLead > c.Turns, a, b)
	o.Helped, o.HelpedAfter = condition(s.Helped, a, b), s.After
	// One machine that drops out is no short cycling of the pair.
	o.ShortCycling = condition(s.Short >= cycling && !spurious, a, b)
	o.BeforeOil = signal.Missing(signal.Boolean, signal.NotConfigured, in.Time)
	if c.Kind == machine.Compressor {
		o.BeforeOil = condition(in.OilLow.On() && (a.On() || b.On()), a, b, in.OilLow)
	}
}

// inHand is a machine that a selector in hand runs.
func (w *Watch) inHand(i int, in *In) signal.Reading {
	s := &in.Machines[i]
	if absent(s.Hand) {
		return s.Hand
	}
	return condition(w.run[i].on && w.run[i].hand > 0, s.Running, s.Hand)
}

// uncalled tells a machine that runs though nothing called it from one that
// runs on after its call. Without the contact for the call, level or pressure
// tell it: a run that began where no demand can have stood, or one that goes
// on past the cut-out.
func (w *Watch) uncalled(i int, in *In) (uncalled, notStopped signal.Reading) {
	r, s := &w.run[i], &in.Machines[i]
	if absent(s.Called) {
		return condition(r.on && r.outside, s.Running), condition(r.on && r.past > 0 && !r.outside, s.Running)
	}
	stands := r.on && r.uncalled >= settle
	return condition(stands && !r.called, s.Running, s.Called), condition(stands && r.called, s.Running, s.Called)
}

// absent reports a signal that the unit does not have.
func absent(r signal.Reading) bool { return !r.Known() && r.Reason == signal.NotConfigured }

// condition is a computed yes or no, as good as its inputs.
func condition(on bool, inputs ...signal.Reading) signal.Reading {
	v := 0.0
	if on {
		v = 1
	}
	return signal.Derive(v, signal.Boolean, inputs...)
}
