package alarm

import (
	"math"
	"testing"
	"time"

	"strokebank/sensors/signal"
)

func TestThresholds(t *testing.T) {
	good := func(v float64) signal.Reading { return signal.Measured(v, signal.Pascal, start) }
	bad := func(why signal.Reason) signal.Reading { return signal.Missing(signal.Pascal, why, start) }
	cases := []struct {
		name     string
		value    signal.Reading
		limit    float64
		deadband float64
		holding  bool
		below    Condition
		above    Condition
	}{
		{"under", good(4.9), 5, 0.02, false, Present, Absent},
		{"at the limit", good(5), 5, 0.02, false, Absent, Absent},
		{"over", good(5.05), 5, 0.02, false, Absent, Present},
		{"inside the band above, held", good(5.05), 5, 0.02, true, Present, Present},
		{"inside the band below, held", good(4.95), 5, 0.02, true, Present, Present},
		{"at the end of the band above", good(5.1), 5, 0.02, true, Absent, Present},
		{"at the end of the band below", good(4.9), 5, 0.02, true, Present, Absent},
		{"no deadband, held", good(5), 5, 0, true, Absent, Absent},
		{"a deadband that makes no sense", good(4.9), 5, -1, true, Present, Absent},
		{"limit zero, under", good(-0.001), 0, 0.05, true, Present, Absent},
		{"limit zero, at it", good(0), 0, 0.05, true, Absent, Absent},
		{"limit nearly zero", good(2e-9), 1e-9, 0.05, true, Absent, Present},
		{"negative limit, inside the band above", good(-9.6), -10, 0.05, true, Present, Present},
		{"negative limit, beyond the band above", good(-9.4), -10, 0.05, true, Absent, Present},
		{"uncertain", good(4).Degrade(signal.Uncertain, signal.Late), 5, 0.02, false, Present, Absent},
		{"bad", bad(signal.FailureLow), 5, 0.02, true, Unclear, Unclear},
		{"not read yet", bad(signal.NeverRead), 5, 0.02, true, Unread, Unread},
		{"no limit", good(4), math.NaN(), 0.02, false, Unclear, Unclear},
		{"forgotten reading", signal.Reading{}, 5, 0.02, false, Unread, Unread},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			if got := Below(c.value, c.limit, c.deadband, c.holding); got != c.below {
				t.Errorf("below: %d, want %d", got, c.below)
			}
			if got := Above(c.value, c.limit, c.deadband, c.holding); got != c.above {
				t.Errorf("above: %d, want %d", got, c.above)
			}
		})
	}
}

func TestWhen(t *testing.T) {
	cases := map[string]struct {
		r    signal.Reading
		want Condition
	}{
		"on":             {signal.Measured(1, signal.Boolean, start), Present},
		"off":            {signal.Measured(0, signal.Boolean, start), Absent},
		"bad":            {signal.Missing(signal.Boolean, signal.LinkLost, start), Unclear},
		"not configured": {signal.Missing(signal.Boolean, signal.NotConfigured, start), Unclear},
		"not read yet":   {signal.Reading{}, Unread},
	}
	for name, c := range cases {
		if got := When(c.r); got != c.want {
			t.Errorf("%s: %d, want %d", name, got, c.want)
		}
	}
}

// TestNoisyLevelIsOneAlarm: a level that sinks slowly through its limit with
// 3 mm of noise, and rises again, raises one alarm and clears it once; without
// deadband and delays it would be dozens.
func TestNoisyLevelIsOneAlarm(t *testing.T) {
	d, _ := Find(LowLevel)
	bare := d
	bare.OnDelay, bare.OffDelay, bare.Deadband = 0, 0, 0
	if n := transitions(&d); n != 2 {
		t.Errorf("%d transitions, want 2", n)
	}
	if n := transitions(&bare); n < 24 {
		t.Errorf("%d transitions without deadband and delays: the test's level is too quiet to prove anything", n)
	}
}

func transitions(d *Definition) (n int) {
	var a Alarm
	for k := range 7200 {
		level := 0.5 + 0.1*math.Cos(2*math.Pi*float64(k)/7200)
		level += 0.003 * math.Sin(float64(k)*2.399)
		r := signal.Measured(level, signal.Metre, start)
		a.Judge(d, Below(r, 0.5, d.Deadband, a.Holding()), time.Second)
		if _, changed := a.Show(false, false, time.Second, start); changed {
			n++
		}
	}
	return n
}

// TestHolding: the deadband applies while the condition stands, and over a
// time that nobody knows anything of.
func TestHolding(t *testing.T) {
	d := &Definition{OnDelay: 3 * time.Second, OffDelay: 3 * time.Second}
	var a Alarm
	steps := []struct {
		c    Condition
		want bool
	}{
		{Absent, false}, {Present, true}, {Unclear, false}, {Present, true}, {Present, true}, {Present, true},
		{Present, true}, {Unclear, true}, {Unread, true}, {Absent, false},
	}
	if a.Holding() {
		t.Error("a new alarm holds nothing")
	}
	for i, s := range steps {
		a.Judge(d, s.c, time.Second)
		if a.Holding() != s.want {
			t.Errorf("step %d: holding %v", i, a.Holding())
		}
	}
}
