package rules_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/rules/machine"
	"strokebank/sensors/signal"
)

// act lets one second of an eventful hour happen: draws, pumps, bad signals,
// a mains failure. The same second always brings the same.
func act(b *bench, second int) {
	random := rand.New(rand.NewPCG(7, uint64(second)))
	b.set(signal.Level, 1.5-0.25*float64(second%400)/400+0.003*random.NormFloat64())
	b.set(signal.Pressure, (8.3-1.6*float64(second%400)/400+0.02*random.NormFloat64())*bar)
	on := 0.0
	if second%400 > 300 {
		on = 1
	}
	b.set(signal.Of([]string{"pump1", "pump2"}[second/400%2], signal.Running), on)
	b.set("compressor1.running", float64(second/150%2))
	b.set("pump2.overload", float64(second/700%2))
	b.set(signal.Mains, float64(1-second/900%2))
	if second%500 > 450 {
		b.fail(signal.Pressure, signal.FailureLow)
	}
}

// needsUnbroken are the alarms that need minutes without a gap, or whole turns:
// after a restart every half a minute they know nothing.
var needsUnbroken = map[string]bool{alarm.NoDelivery: true, alarm.AlternationStuck: true, alarm.MissedTurns: true}

// shape is an event without what a restart may add.
func shapes(events []rules.Event) (out []string) {
	for _, e := range events {
		if e.Kind == rules.AlarmEvent && !needsUnbroken[e.Name] {
			out = append(out, fmt.Sprintf("%s %s %s %s>%s", e.Time.Format(time.TimeOnly), e.Name, e.Source, e.From, e.To))
		}
	}
	return out
}

func TestReplayGivesTheSameBytes(t *testing.T) {
	record := func() []byte {
		var out bytes.Buffer
		b := newBench(t)
		for s := range 1500 {
			act(b, s)
			text, err := json.Marshal(struct {
				*rules.Assessment
				Events []rules.Event
			}{b.pass(1), b.last.Events})
			if err != nil {
				t.Fatal(err)
			}
			out.Write(text)
		}
		state, err := b.unit.Save()
		if err != nil {
			t.Fatal(err)
		}
		if len(b.events) < 20 {
			t.Fatalf("only %d events: the hour was too quiet to prove anything", len(b.events))
		}
		return append(out.Bytes(), state...)
	}
	if !bytes.Equal(record(), record()) {
		t.Error("the same scans gave different bytes")
	}
}

// A process that dies right after a save and is back before the next scan has
// missed nothing: the alarms go on as if nothing had been.
func TestRestartBetweenTwoScansChangesNoAlarm(t *testing.T) {
	// One cycle required: at more, this plant's noise flickers about the limit,
	// and whether an alarm comes then hangs on a delay's last second.
	exact := func() *bench {
		b := newBench(t)
		b.cfg.Reserve.Required = 1
		b.restart(nil, nil)
		return b
	}
	whole := exact()
	for s := range 1500 {
		act(whole, s)
		whole.pass(1)
	}
	cut := exact()
	for s := range 1500 {
		if s > 0 && s%37 == 0 {
			state, err := cut.unit.Save()
			if err != nil {
				t.Fatal(err)
			}
			beat, err := cut.unit.Beat()
			if err != nil {
				t.Fatal(err)
			}
			if len(beat) > 2000 {
				t.Fatalf("a beat of %d bytes does not fit its slot", len(beat))
			}
			cut.restart(state, beat)
		}
		act(cut, s)
		cut.pass(1)
	}
	want, got := shapes(whole.events), shapes(cut.events)
	if !reflect.DeepEqual(states(whole.last), states(cut.last)) {
		t.Errorf("states after 40 restarts %v, without %v", states(cut.last), states(whole.last))
	}
	// A restart stretches a running delay by the scan in which it happened,
	// so times may differ by a second a restart; what happened may not.
	if len(got) != len(want) {
		t.Errorf("%d alarm events with restarts, %d without", len(got), len(want))
	}
	for i := range 4 {
		a, b := whole.last.Machines[i], cut.last.Machines[i]
		if a.LifetimeStarts != b.LifetimeStarts {
			t.Errorf("%s: %v starts with restarts, %v without", a.Position, b.LifetimeStarts, a.LifetimeStarts)
		}
		if lost := a.LifetimeRunSeconds - b.LifetimeRunSeconds; lost < 0 || lost > 41 {
			t.Errorf("%s: %v s with 40 restarts, %v without", a.Position, b.LifetimeRunSeconds, a.LifetimeRunSeconds)
		}
	}
}

func states(a *rules.Assessment) map[string]alarm.State {
	out := map[string]alarm.State{}
	for _, s := range a.Alarms {
		if needsUnbroken[s.Name] {
			continue
		}
		out[s.Name+" "+s.Source] = s.State
	}
	return out
}

// The power fails 3 s after the last beat, 40 s into a run that began when
// the state was saved, and comes back ten minutes later.
func TestPowerCutInTheMiddleOfARun(t *testing.T) {
	b := newBench(t)
	b.pass(10)
	b.set("pump1.running", 1)
	b.pass(1)
	state, err := b.unit.Save()
	if err != nil {
		t.Fatal(err)
	}
	b.pass(36)
	beat, err := b.unit.Beat()
	if err != nil {
		t.Fatal(err)
	}
	b.pass(3)
	truth := b.last.Machines[0].LifetimeRunSeconds

	b.scan.Time = b.scan.Time.Add(10 * time.Minute)
	b.scan.Elapsed, b.scan.Number = 2*time.Second, 0
	b.events = nil
	b.set("pump1.running", 0)
	b.restart(state, beat)
	a := b.pass(1)
	m := a.Machines[0]
	if short := truth - m.LifetimeRunSeconds; short < 0 || short > 5 {
		t.Errorf("run seconds %v after the cut, %v before: short by %v", m.LifetimeRunSeconds, truth, short)
	}
	if m.LifetimeStarts != 1 || m.ProcessStarts != 0 {
		t.Errorf("starts: %v in its life, %v since the process started; want 1 and 0", m.LifetimeStarts, m.ProcessStarts)
	}
	if m.DoubtSeconds <= 0 || m.DoubtSeconds > 5 {
		t.Errorf("doubt %v s, want some, at most 5", m.DoubtSeconds)
	}
	if m.LifetimeUnobservedSeconds < 590 || m.LifetimeUnobservedSeconds > 605 {
		t.Errorf("unobserved %v s of about 600", m.LifetimeUnobservedSeconds)
	}
	if len(a.Runs) != 1 || !a.Runs[0].Cut || !a.Runs[0].StartSeen || a.Runs[0].Doubt == 0 {
		t.Errorf("the cut run is recorded as %+v", a.Runs)
	}
	var gap, cut bool
	for _, e := range a.Events {
		gap = gap || e.Kind == rules.GapEvent && e.Values[0].Value > 590
		cut = cut || e.Kind == rules.MachineEvent && e.Name == machine.RunCut && e.Source == "pump1"
	}
	if !gap || !cut {
		t.Errorf("events %+v; want the gap and the cut run", a.Events)
	}
	if again := b.pass(5); len(again.Runs) != 0 || again.Machines[0].LifetimeStarts != 1 {
		t.Error("counted twice")
	}
}

func TestClockCorrectionIsAnEventAndMovesNoDuration(t *testing.T) {
	for _, step := range []time.Duration{24 * time.Hour, -24 * time.Hour} {
		t.Run(step.String(), func(t *testing.T) {
			b := newBench(t)
			b.set("pump1.running", 1)
			b.pass(10)
			b.scan.Time = b.scan.Time.Add(step)
			b.pass(10)
			var found int
			for _, e := range b.events {
				if e.Kind == rules.ClockEvent && e.Name == "corrected" && e.Values[0].Value == signal.Number(step.Seconds()) {
					found++
				}
			}
			if found != 1 {
				t.Errorf("%d events of the correction in %+v", found, b.events)
			}
			if got := b.last.Machines[0].LifetimeRunSeconds; got != 19 {
				t.Errorf("20 scans, a second apart, ran %v s", got)
			}
		})
	}
}

func TestClockThatIsNotTrusted(t *testing.T) {
	b := newBench(t)
	b.scan.ClockTrusted = false
	b.pass(3)
	b.set(signal.Mains, 0)
	b.pass(30)
	b.scan.ClockTrusted = true
	b.pass(1)
	var marked, gained bool
	for _, e := range b.events {
		marked = marked || e.Kind == rules.AlarmEvent && !e.ClockTrusted
		gained = gained || e.Kind == rules.ClockEvent && e.Name == "trusted"
	}
	if !marked || !gained {
		t.Errorf("events %+v; want an alarm marked as of an untrusted clock, and the moment of trust", b.events)
	}
}

func TestStateOfANewerVersionIsRefused(t *testing.T) {
	b := newBench(t)
	if _, err := rules.New(b.cfg, b.points, []byte(`{"schema":99}`), nil); err == nil {
		t.Error("a state of schema 99 was taken")
	}
	if _, err := rules.New(b.cfg, b.points, []byte(`{"sch`), nil); err == nil {
		t.Error("half a state was taken")
	}
	if _, err := rules.New(b.cfg, b.points[1:], nil, nil); err == nil {
		t.Error("a unit without pressure was taken")
	}
}

// BenchmarkStep is one scan of one unit with everything wired: noise keeps
// the reserve being computed anew, no event happens.
func BenchmarkStep(b *testing.B) {
	for _, c := range []struct {
		name  string
		noise float64
	}{{"readings=still", 0}, {"readings=noisy", 1}} {
		b.Run(c.name, func(b *testing.B) {
			bench := newBench(b)
			bench.pass(100)
			random := rand.New(rand.NewPCG(1, 2))
			pressures, levels := make([]float64, 512), make([]float64, 512)
			for i := range pressures {
				pressures[i] = (8.3 + c.noise*0.02*random.NormFloat64()) * bar
				levels[i] = 1.5 + c.noise*0.003*random.NormFloat64()
			}
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				bench.scan.Readings[0].Value, bench.scan.Readings[1].Value = pressures[i%512], levels[i%512]
				bench.pass(1)
			}
		})
	}
}
