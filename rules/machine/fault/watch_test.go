package fault

import (
	"testing"
	"time"

	"strokebank/rules/machine"
	"strokebank/sensors/signal"
)

// rig is a pair of pumps that cut in at 1.0 m and out at 1.2 m and need a
// minute between, with the watch behind it. Contacts of a unit with everything,
// or with the running contacts alone.
type rig struct {
	testing.TB
	pair    *machine.Pair
	watch   *Watch
	all     bool // calls, selectors and overloads are wired
	at      time.Time
	elapsed time.Duration

	level                       float64
	run, called, hand, overload [2]bool
	away                        [2]bool
	mains, excused, oilLow      bool
	out                         *Out
}

func newRig(t testing.TB, kind machine.Kind, all bool) *rig {
	c := machine.PairConfig{Kind: kind, CutIn: 1.0, CutOut: 1.2, NoAnswer: 0.8, Answer: 10 * time.Second, Turns: 1}
	for i, position := range [2]string{"one", "two"} {
		c.Machines[i] = machine.Config{Position: position, Kind: kind, StartsPerHour: 6}
	}
	r := &rig{TB: t, all: all, pair: machine.NewPair(c, time.Second, nil, nil), level: 1.2, mains: true,
		watch: New(Config{Pair: c, Full: [2]float64{60, 60}}, State{}), at: time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)}
	r.pass(40)
	return r
}

// contact is a contact that only a unit with everything has.
func (r *rig) contact(on bool) signal.Reading {
	if !r.all {
		return signal.Missing(signal.Boolean, signal.NotConfigured, r.at)
	}
	return r.always(on)
}

func (r *rig) always(on bool) signal.Reading {
	v := 0.0
	if on {
		v = 1
	}
	return signal.Measured(v, signal.Boolean, r.at)
}

// pass lets seconds pass, one scan each.
func (r *rig) pass(seconds int) {
	for range seconds {
		process := signal.Measured(r.level, signal.Metre, r.at)
		in := machine.In{Time: r.at, Elapsed: r.elapsed, ClockTrusted: true, Mains: r.contact(r.mains), Process: process,
			Locked: signal.Missing(signal.Boolean, signal.NotConfigured, r.at), Away: r.away}
		for i := range in.Machines {
			in.Machines[i] = machine.Signals{Running: r.always(r.run[i]), Called: r.contact(r.called[i]), Hand: r.contact(r.hand[i]),
				Automatic: r.contact(!r.hand[i]), Overload: r.contact(r.overload[i]),
				StartCounter: signal.Missing(signal.Count, signal.NotConfigured, r.at), HourMeter: signal.Missing(signal.Second, signal.NotConfigured, r.at)}
		}
		r.out = r.watch.Step(&In{Time: r.at, Elapsed: r.elapsed, Watched: time.Second, Process: process, Machines: in.Machines, Mains: in.Mains,
			Pair: r.pair.Step(&in), Excused: r.excused, OilLow: r.always(r.oilLow)})
		r.at, r.elapsed = r.at.Add(time.Second), r.elapsed+time.Second
	}
}

// move brings the level to a value within so many seconds.
func (r *rig) move(to float64, seconds int) {
	from := r.level
	for s := range seconds {
		r.level = from + (to-from)*float64(s+1)/float64(seconds)
		r.pass(1)
	}
}

// start is a machine that is called and runs.
func (r *rig) start(i int) { r.called[i], r.run[i] = true, true }

// stop is its call's and its own end.
func (r *rig) stop(i int) { r.called[i], r.run[i] = false, false }

// fill is a run as it should be, up to the level given, with the stop judged.
func (r *rig) fill(i int, to float64) {
	r.move(0.99, 100)
	r.start(i)
	r.move(to, 60)
	r.stop(i)
	r.pass(40)
}

// Each fault is found where it stands and not where something like it is well,
// with the running contacts alone and with everything wired.
func TestFaults(t *testing.T) {
	const bare, wired = false, true
	inHand := func(o *Out) signal.Reading { return o.InHand[0] }
	uncalled := func(o *Out) signal.Reading { return o.Uncalled[0] }
	notStopped := func(o *Out) signal.Reading { return o.NotStopped[0] }
	spurious := func(o *Out) signal.Reading { return o.Spurious[0] }
	missed := func(o *Out) signal.Reading { return o.MissedTurns[1] }
	starts := func(o *Out) signal.Reading { return o.TooManyStarts[0] }
	stuck := func(o *Out) signal.Reading { return o.Stuck }
	helped := func(o *Out) signal.Reading { return o.Helped }
	short := func(o *Out) signal.Reading { return o.ShortCycling }
	beforeOil := func(o *Out) signal.Reading { return o.BeforeOil }
	for _, c := range []struct {
		name string
		all  bool
		of   func(*Out) signal.Reading
		play func(*rig)
		want string // "on", "off", or why it cannot be judged
	}{
		{"in hand: runs with the selector so", wired, inHand, func(r *rig) { r.hand[0], r.run[0] = true, true; r.pass(3) }, "on"},
		{"in hand: the selector is so and it stands", wired, inHand, func(r *rig) { r.hand[0] = true; r.pass(3) }, "off"},
		{"in hand: back in automatic", wired, inHand, func(r *rig) { r.hand[0], r.run[0] = true, true; r.pass(3); r.hand[0] = false; r.pass(2) }, "off"},
		{"in hand: cannot be known", bare, inHand, func(r *rig) { r.run[0] = true; r.pass(3) }, signal.NotConfigured.String()},

		{"uncalled: runs without a call", wired, uncalled, func(r *rig) { r.run[0] = true; r.pass(7) }, "on"},
		{"uncalled: call and contact a moment apart", wired, uncalled, func(r *rig) { r.run[0] = true; r.pass(4) }, "off"},
		{"uncalled: called", wired, uncalled, func(r *rig) { r.start(0); r.pass(20) }, "off"},
		{"uncalled: in hand is another fault", wired, uncalled, func(r *rig) { r.hand[0], r.run[0] = true, true; r.pass(20) }, "off"},
		{"uncalled: running on after its call is another fault", wired, uncalled, func(r *rig) { r.start(0); r.pass(10); r.called[0] = false; r.pass(7) }, "off"},
		{"uncalled: begins where nothing can have asked for it", bare, uncalled, func(r *rig) { r.fill(0, 1.2); r.run[0] = true; r.pass(3) }, "on"},
		{"uncalled: begins under the cut-in", bare, uncalled, func(r *rig) { r.fill(0, 1.2); r.move(0.99, 60); r.run[0] = true; r.pass(3) }, "off"},
		{"uncalled: nobody knows whether a demand stands", bare, uncalled, func(r *rig) { r.run[0] = true; r.pass(3) }, "off"},

		{"not stopped: runs on after its call", wired, notStopped, func(r *rig) { r.start(0); r.pass(10); r.called[0] = false; r.pass(7) }, "on"},
		{"not stopped: a contactor takes its time", wired, notStopped, func(r *rig) { r.start(0); r.pass(10); r.called[0] = false; r.pass(3) }, "off"},
		{"not stopped: stops with its call", wired, notStopped, func(r *rig) { r.fill(0, 1.2) }, "off"},
		{"not stopped: past the cut-out", bare, notStopped, func(r *rig) { r.move(0.99, 60); r.run[0] = true; r.move(1.3, 90); r.pass(10) }, "on"},
		{"not stopped: at the cut-out", bare, notStopped, func(r *rig) { r.move(0.99, 60); r.run[0] = true; r.move(1.2, 60); r.pass(10) }, "off"},
		{"not stopped: past the cut-out and never called", bare, notStopped, func(r *rig) { r.fill(0, 1.2); r.run[0] = true; r.move(1.3, 60); r.pass(10) }, "off"},

		{"spurious: stopped while called", wired, spurious, func(r *rig) { r.move(0.99, 60); r.start(0); r.pass(20); r.run[0] = false; r.pass(8) }, "on"},
		{"spurious: stopped by its overload", wired, spurious, func(r *rig) {
			r.move(0.99, 60)
			r.start(0)
			r.pass(20)
			r.run[0], r.overload[0] = false, true
			r.pass(8)
		}, "off"},
		{"spurious: two stops far too soon", bare, spurious, func(r *rig) { r.fill(1, 1.2); r.fill(0, 1.05); r.fill(1, 1.2); r.fill(0, 1.05) }, "on"},
		{"spurious: one stop too soon", bare, spurious, func(r *rig) { r.fill(1, 1.2); r.fill(0, 1.05); r.fill(1, 1.2) }, "off"},
		{"spurious: a whole run between", bare, spurious, func(r *rig) { r.fill(0, 1.05); r.fill(1, 1.2); r.fill(0, 1.2); r.fill(1, 1.2); r.fill(0, 1.05) }, "off"},
		{"spurious: the panel held the pair back", bare, spurious, func(r *rig) { r.fill(1, 1.2); r.excused = true; r.fill(0, 1.05); r.fill(1, 1.2); r.fill(0, 1.05) }, "off"},

		{"spurious: that the panel holds back shows later", bare, spurious, func(r *rig) {
			r.fill(1, 1.2)
			for range 2 {
				r.move(0.99, 60)
				r.start(0)
				r.move(1.05, 20)
				r.stop(0)
				r.pass(10)
				r.excused = true
				r.pass(30)
				r.excused = false
				r.fill(1, 1.2)
			}
		}, "off"},

		{"missed turns: the partner led three times", bare, missed, func(r *rig) { r.fill(1, 1.2); r.fill(0, 1.2); r.fill(0, 1.2); r.fill(0, 1.2) }, "on"},
		{"missed turns: as often as tolerated", bare, missed, func(r *rig) { r.fill(1, 1.2); r.fill(0, 1.2); r.fill(0, 1.2) }, "off"},
		{"missed turns: it has run again", bare, missed, func(r *rig) { r.fill(0, 1.2); r.fill(0, 1.2); r.fill(0, 1.2); r.fill(1, 1.2) }, "off"},
		{"missed turns: out of service", bare, missed, func(r *rig) {
			r.away[1] = true
			r.fill(0, 1.2)
			r.fill(0, 1.2)
			r.fill(0, 1.2)
			r.away[1] = false
			r.pass(2)
		}, "off"},

		{"too many starts: seven of six within an hour", bare, starts, func(r *rig) {
			for range 7 {
				r.run[0] = true
				r.pass(5)
				r.run[0] = false
				r.pass(200)
			}
		}, "on"},
		{"too many starts: six", bare, starts, func(r *rig) {
			for range 6 {
				r.run[0] = true
				r.pass(5)
				r.run[0] = false
				r.pass(200)
			}
		}, "off"},
		{"too many starts: seven in two hours", bare, starts, func(r *rig) {
			for range 7 {
				r.run[0] = true
				r.pass(5)
				r.run[0] = false
				r.pass(1000)
			}
		}, "off"},

		{"stuck: the same one leads four times", bare, stuck, func(r *rig) { r.fill(0, 1.2); r.fill(0, 1.2); r.fill(0, 1.2); r.fill(0, 1.2) }, "on"},
		{"stuck: in turns", bare, stuck, func(r *rig) { r.fill(0, 1.2); r.fill(1, 1.2); r.fill(0, 1.2); r.fill(1, 1.2) }, "off"},
		{"stuck: the partner cannot", wired, stuck, func(r *rig) { r.hand[1] = true; r.fill(0, 1.2); r.fill(0, 1.2); r.fill(0, 1.2); r.fill(0, 1.2) }, "off"},

		{"helped: the standby starts long after", bare, helped, func(r *rig) { r.move(0.99, 60); r.start(0); r.pass(130); r.start(1); r.pass(3) }, "on"},
		{"helped: a whole fill's time is no help", bare, helped, func(r *rig) { r.move(0.99, 60); r.start(0); r.pass(70); r.start(1); r.pass(3) }, "off"},
		{"helped: the lead has filled alone since", bare, helped, func(r *rig) {
			r.move(0.99, 60)
			r.start(0)
			r.pass(130)
			r.start(1)
			r.move(1.2, 30)
			r.stop(0)
			r.stop(1)
			r.pass(40)
			r.fill(1, 1.2)
		}, "off"},

		{"short cycling: three runs in a row stopped too soon", bare, short, func(r *rig) { r.fill(0, 1.05); r.fill(1, 1.05); r.fill(0, 1.05) }, "on"},
		{"short cycling: two", bare, short, func(r *rig) { r.fill(0, 1.05); r.fill(1, 1.05) }, "off"},
		{"short cycling: a whole run between", bare, short, func(r *rig) { r.fill(0, 1.05); r.fill(1, 1.05); r.fill(0, 1.2); r.fill(1, 1.05) }, "off"},
		{"short cycling: mains were lost", wired, short, func(r *rig) {
			for i := range 3 {
				r.move(0.99, 60)
				r.start(i % 2)
				r.move(1.05, 20)
				r.mains = false
				r.stop(i % 2)
				r.pass(40)
				r.mains = true
			}
		}, "off"},
		{"short cycling: that mains were lost shows later", wired, short, func(r *rig) {
			for i := range 3 {
				r.move(0.99, 60)
				r.start(i % 2)
				r.move(1.05, 20)
				r.stop(i % 2)
				r.pass(10)
				r.mains = false
				r.pass(30)
				r.mains = true
			}
		}, "off"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t, machine.Pump, c.all)
			c.play(r)
			r.wants(c.of(r.out), c.want)
		})
	}
	for _, c := range []struct {
		name string
		kind machine.Kind
		play func(*rig)
		want string
	}{
		{"air before oil: runs while the level is low", machine.Compressor, func(r *rig) { r.oilLow, r.run[1] = true, true; r.pass(2) }, "on"},
		{"air before oil: stands while the level is low", machine.Compressor, func(r *rig) { r.oilLow = true; r.pass(2) }, "off"},
		{"air before oil: runs with the level well", machine.Compressor, func(r *rig) { r.run[1] = true; r.pass(2) }, "off"},
		{"air before oil: a pump may", machine.Pump, func(r *rig) { r.oilLow, r.run[1] = true, true; r.pass(2) }, signal.NotConfigured.String()},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t, c.kind, true)
			c.play(r)
			r.wants(beforeOil(r.out), c.want)
		})
	}
}

func (r *rig) wants(got signal.Reading, want string) {
	r.Helper()
	word := "off"
	switch {
	case !got.Known():
		word = got.Reason.String()
	case got.On():
		word = "on"
	}
	if word != want {
		r.Errorf("%s, want %s", word, want)
	}
}

// What was seen of a machine is kept over a restart and forgotten when it was
// repaired.
func TestFaultsAreKeptAndRenewed(t *testing.T) {
	r := newRig(t, machine.Pump, false)
	for range 4 {
		r.fill(0, 1.2)
	}
	r.wants(r.out.MissedTurns[1], "on")
	r.watch = New(r.watch.cfg, r.watch.Save())
	r.pass(2)
	r.wants(r.out.MissedTurns[1], "on")
	r.watch.Renew(1)
	r.pass(2)
	r.wants(r.out.MissedTurns[1], "off")
}

// A contact that cannot be read makes the fault unknown, never absent.
func TestFaultsWithoutAContact(t *testing.T) {
	r := newRig(t, machine.Pump, true)
	in := In{Time: r.at, Elapsed: r.elapsed, Watched: time.Second, Process: signal.Measured(1.1, signal.Metre, r.at), Mains: r.always(true)}
	step := machine.In{Time: r.at, Elapsed: r.elapsed, Process: in.Process, Mains: in.Mains, Locked: r.always(false)}
	for i := range in.Machines {
		step.Machines[i] = machine.Signals{Running: signal.Missing(signal.Boolean, signal.LinkLost, r.at), Called: r.always(false), Hand: r.always(false),
			Automatic: r.always(true), Overload: r.always(false), StartCounter: signal.Missing(signal.Count, signal.NotConfigured, r.at),
			HourMeter: signal.Missing(signal.Second, signal.NotConfigured, r.at)}
	}
	in.Machines, in.Pair = step.Machines, r.pair.Step(&step)
	out := r.watch.Step(&in)
	for name, got := range map[string]signal.Reading{"in hand": out.InHand[0], "uncalled": out.Uncalled[0], "not stopped": out.NotStopped[0],
		"missed turns": out.MissedTurns[0], "too many starts": out.TooManyStarts[0], "stuck": out.Stuck, "helped": out.Helped, "short cycling": out.ShortCycling} {
		if got.Known() || got.On() {
			t.Errorf("%s: %+v", name, got)
		}
	}
}
