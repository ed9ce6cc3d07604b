package machine

import (
	"testing"
	"time"
)

// turns lets the machine complete a lead run from the cut-in, so that the next
// turn is its partner's.
func (r *rig) lead(i int) {
	r.process = 0.99
	r.run[i] = on
	r.steps(30)
	r.process = 1.2
	r.run[i] = off
	r.steps(5)
}

// Where no contact tells of the call, a machine has failed to start once its
// partner had to start in its place, far down and long after the cut-in.
func TestMissedStartWithoutCalled(t *testing.T) {
	fall := func(r *rig, to float64) {
		for r.process > to {
			r.process -= 0.001
			r.steps(1)
		}
	}
	cases := []struct {
		name string
		play func(*rig)
		want string
	}{
		{"the partner had to help", func(r *rig) { r.lead(1); fall(r, 0.88); r.run[1] = on; r.steps(3) }, "on"},
		{"its own turn, answered late", func(r *rig) { r.lead(0); fall(r, 0.88); r.run[1] = on; r.steps(3) }, "off"},
		{"answered in time", func(r *rig) { r.lead(1); fall(r, 0.99); r.run[1] = on; r.steps(3) }, "off"},
		{"a sudden draw", func(r *rig) { r.lead(1); r.process = 0.85; r.steps(5); r.run[1] = on; r.steps(3) }, "off"},
		{"both start", func(r *rig) { r.lead(1); fall(r, 0.88); r.run = [2]contact{on, on}; r.steps(3) }, "off"},
		{"held back by design", func(r *rig) {
			r.lead(1)
			r.locked = on
			fall(r, 0.88)
			r.run[1], r.locked = on, off
			r.steps(3)
		}, "off"},
		{"a known cause", func(r *rig) { r.lead(1); r.overload[0] = on; fall(r, 0.88); r.run[1] = on; r.steps(3) }, "off"},
		{"gone when it runs", func(r *rig) {
			r.lead(1)
			fall(r, 0.88)
			r.run[1] = on
			r.steps(3)
			r.run[0] = on
			r.steps(3)
		}, "off"},
		{"stays over a restart", func(r *rig) {
			r.lead(1)
			fall(r, 0.88)
			r.run[1] = on
			r.steps(3)
			r.restart(r.save(), nil, time.Minute)
			r.step(0)
		}, "on"},
		{"a restart in the middle of the demand", func(r *rig) {
			r.lead(1)
			fall(r, 0.95)
			r.restart(r.save(), nil, time.Minute)
			fall(r, 0.88)
			r.run[1] = on
			r.steps(3)
		}, "off"}, // whose turn it is is no longer known
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t)
			c.play(r)
			wants(t, c.name, r.out.FailedToStart[0], c.want)
			wants(t, "the partner", r.out.FailedToStart[1], "off")
		})
	}
}

func TestStoppedWhileCalled(t *testing.T) {
	run := func(r *rig) { r.called[0], r.run[0] = on, on; r.steps(20) }
	drop := func(r *rig) { run(r); r.run[0] = off; r.steps(10) }
	cases := []struct {
		name string
		play func(*rig)
		want string
	}{
		{"no such contact", func(r *rig) { r.called[0] = none; r.steps(3) }, "not configured"},
		{"a whole run", func(r *rig) { run(r); r.called[0], r.run[0] = off, off; r.steps(10) }, "off"},
		{"the call ends a moment later", func(r *rig) { run(r); r.run[0] = off; r.steps(3); r.called[0] = off; r.steps(9) }, "off"},
		{"dropped out", drop, "on"},
		{"stays when the call is over", func(r *rig) { drop(r); r.called[0] = off; r.steps(99) }, "on"},
		{"gone after a whole run", func(r *rig) {
			drop(r)
			r.called[0] = off
			r.steps(5)
			run(r)
			r.called[0], r.run[0] = off, off
			r.steps(5)
		}, "off"},
		{"overload", func(r *rig) { run(r); r.run[0], r.overload[0] = off, on; r.steps(20) }, "off"},
		{"selector", func(r *rig) { run(r); r.run[0], r.automatic[0] = off, off; r.steps(20) }, "off"},
		{"no mains", func(r *rig) { run(r); r.run[0], r.mains = off, off; r.steps(20) }, "off"},
		{"call not known", func(r *rig) { run(r); r.called[0] = bad; r.steps(3) }, "link lost"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t)
			r.called[0] = off
			c.play(r)
			wants(t, c.name, r.out.SpuriousStop[0], c.want)
			if c.want == "on" {
				wants(t, "it is no failed start", r.out.FailedToStart[0], "off")
			}
		})
	}
}

func TestCountersHeldAgainstEachOther(t *testing.T) {
	r := newRig(t)
	r.starts[0], r.meter[0] = 500, 36000
	r.steps(3)
	r.lead(0)
	r.starts[0], r.meter[0] = 503, 36040 // two starts shorter than a scan among them
	r.steps(3)
	m := r.out.Machines[0]
	if m.CounterAhead != 2 || m.MeterAhead < 9 || m.MeterAhead > 11 {
		t.Errorf("counter ahead by %v, meter by %v s", m.CounterAhead, m.MeterAhead)
	}
	r.starts[0], r.meter[0] = 0, 0 // exchanged
	r.steps(3)
	if m := r.out.Machines[0]; m.CounterAhead != 2 {
		t.Errorf("after a new counter: ahead by %v", m.CounterAhead)
	}
	if r.out.Machines[1].CounterAhead.Known() {
		t.Error("a difference without a counter")
	}
}
