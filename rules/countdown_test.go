package rules_test

import (
	"math"
	"testing"

	"strokebank/rules"
	"strokebank/sensors/signal"
)

// withValves is a bench whose four valves have their limit switches wired and
// stand open.
func withValves(t *testing.T) *bench {
	b := newBench(t)
	for _, tag := range []string{"XV-1", "XV-2", "XV-3", "XV-4"} {
		b.cfg.Valves = append(b.cfg.Valves, rules.Valve{Tag: tag})
		for _, s := range []string{signal.Open, signal.Closed} {
			b.points = append(b.points, signal.Point{ID: signal.OfValve(tag, s), Unit: signal.Boolean})
			b.scan.Readings = append(b.scan.Readings, signal.Reading{})
		}
	}
	b.restart(nil, nil)
	for _, tag := range []string{"XV-1", "XV-2", "XV-3", "XV-4"} {
		b.at(tag, signal.Open)
	}
	b.pass(30)
	return b
}

// at puts a valve to one of its ends, or between them.
func (b *bench) at(tag, end string) {
	for _, s := range []string{signal.Open, signal.Closed} {
		on := 0.0
		if s == end {
			on = 1
		}
		b.set(signal.OfValve(tag, s), on)
	}
}

// stroke lets a valve reach its other end while the oil for it leaves.
func (b *bench) stroke(tag, end string, drop float64) {
	b.at(tag, "")
	for range 10 {
		b.lower(drop / 10)
		b.pass(1)
	}
	b.at(tag, end)
	b.pass(1)
}

// lower takes oil out of the tank, in m of level, without heat exchange.
func (b *bench) lower(by float64) {
	level, p := b.scan.Readings[b.place(signal.Level)].Value, b.scan.Readings[b.place(signal.Pressure)].Value
	gas := b.cfg.Tank.Total() - b.cfg.Tank.Volume(level)
	after := b.cfg.Tank.Total() - b.cfg.Tank.Volume(level-by)
	b.set(signal.Level, level-by)
	b.set(signal.Pressure, (p+101325)*gas/after-101325)
}

func TestCountdownBySwitches(t *testing.T) {
	b := withValves(t)
	if b.last.Countdown != nil {
		t.Fatal("a countdown with mains present")
	}
	b.stroke("XV-4", signal.Closed, 0) // before: does not count
	b.set(signal.Mains, 0)
	first := b.pass(1)
	d := first.Countdown
	if d == nil || d.Strokes != 0 || d.CountedBy != "valve switches" || d.MayBeMore || d.ExpectedThen != first.Reserve.Expected ||
		d.TimeLeft.Known() || d.TimeLeftReason != "the mains have not been lost for a minute yet" || !d.Since.Equal(first.Time) {
		t.Fatalf("at first: %+v", d)
	}
	begun := float64(first.Reserve.Expected)
	for range 3 {
		b.stroke("XV-1", signal.Closed, 0.011)
		b.pass(20)
		b.stroke("XV-1", signal.Open, 0.009)
		b.pass(20)
	}
	b.at("XV-2", "") // part of the way and back is no stroke
	b.pass(5)
	b.at("XV-2", signal.Open)
	a := b.pass(6)
	d = a.Countdown
	if d.Strokes != 6 || d.MayBeMore {
		t.Errorf("after six strokes: %+v", d)
	}
	// The decline is what is gone by the time since then.
	rate := (begun - float64(a.Reserve.Expected)) / d.Seconds
	if rate <= 0 || math.Abs(float64(d.Decline)/rate-1) > 0.02 {
		t.Errorf("decline %v, %v by hand in %v s", d.Decline, rate, d.Seconds)
	}
	if want := float64(a.Reserve.AtLeast) / float64(d.Decline); float64(d.TimeLeft) != want || want < 60 {
		t.Errorf("time left %v, want %v", d.TimeLeft, want)
	}
	b.pass(700) // nothing moves: nothing to forecast from
	if d = b.last.Countdown; d.TimeLeft.Known() || d.TimeLeftReason != "the reserve does not decline visibly" || d.Strokes != 6 {
		t.Errorf("at rest: %+v", d)
	}
	b.lower(0.002) // less than a tenth of a cycle may be noise
	was := a.Reserve.Expected
	if a = b.pass(10); a.Reserve.Expected >= was || a.Countdown.TimeLeft.Known() || !(a.Countdown.Decline > 0) {
		t.Errorf("expected %v after %v: %+v", a.Reserve.Expected, was, a.Countdown)
	}
	b.fail(signal.Level, signal.LinkLost)
	if d = b.pass(5).Countdown; d.TimeLeft.Known() || d.TimeLeftReason == "" || d.Strokes != 6 {
		t.Errorf("without a level: %+v", d)
	}
	b.set(signal.Mains, 1)
	if b.pass(2).Countdown != nil {
		t.Error("it goes on with the mains back")
	}
	b.set(signal.Mains, 0)
	if d = b.pass(2).Countdown; d.Strokes != 0 || d.Seconds > 2 {
		t.Errorf("the next time: %+v", d)
	}
}

func TestCountdownSurvivesARestart(t *testing.T) {
	b := withValves(t)
	b.set(signal.Mains, 0)
	b.pass(10)
	b.stroke("XV-1", signal.Closed, 0.011)
	since := b.last.Countdown.Since
	state, err := b.unit.Save()
	if err != nil {
		t.Fatal(err)
	}
	b.stroke("XV-2", signal.Closed, 0.011) // only the heartbeat knows of these
	b.stroke("XV-2", signal.Open, 0.009)
	beat, err := b.unit.Beat()
	if err != nil {
		t.Fatal(err)
	}
	if len(beat) > 2000 {
		t.Errorf("a heartbeat of %d bytes", len(beat))
	}
	b.at("XV-3", signal.Closed) // while nobody watches
	b.restart(state, beat)
	d := b.pass(1).Countdown
	if d == nil || d.Strokes != 4 || !d.Since.Equal(since) || d.Seconds < 20 {
		t.Errorf("%+v", d)
	}
	b.fail(signal.OfValve("XV-4", signal.Open), signal.LinkLost)
	if d = b.pass(2).Countdown; !d.MayBeMore || d.StrokesReason != "a valve's limit switch was not known for a time" || d.Strokes != 4 {
		t.Errorf("%+v", d)
	}
}

func TestCountdownByDraws(t *testing.T) {
	b := newBench(t)
	b.pass(120)
	b.set(signal.Mains, 0)
	b.pass(60)
	for range 2 {
		for range 12 {
			b.lower(0.011 / 12)
			b.pass(1)
		}
		b.pass(150)
	}
	d := b.last.Countdown
	if d.Strokes != 2 || d.CountedBy != "draws of a stroke's size" || d.MayBeMore {
		t.Errorf("%+v", d)
	}
	b.fail(signal.Level, signal.LinkLost)
	if d = b.pass(9).Countdown; d.Strokes.Known() || d.StrokesReason == "" {
		t.Errorf("without a level: %+v", d)
	}
	b.set(signal.Level, 1.478)
	if d = b.pass(3).Countdown; !d.MayBeMore || d.StrokesReason != "the oil level was not known for a time" {
		t.Errorf("%+v", d)
	}
	t.Run("the mains were lost before", func(t *testing.T) {
		b := newBench(t)
		b.set(signal.Mains, 0)
		if d := b.pass(2).Countdown; !d.MayBeMore || d.StrokesReason != "the mains were lost before the agent watched" {
			t.Errorf("%+v", d)
		}
	})
}
