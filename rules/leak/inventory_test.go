package leak

import "testing"

func TestInventoryTellsALossFromALeakInside(t *testing.T) {
	for _, outside := range []bool{true, false} {
		b := newTub(t)
		b.w = New(func() Config { c := config(); c.SumpArea = 0.5; return c }())
		b.s.SumpRead = true
		sump := 0.5
		for range 4 * 3600 {
			b.s.Sump = sump + 0.002*b.random.NormFloat64()
			b.pass(1, 10e-3/3600)
			if !outside {
				sump += 10e-3 / 3600 / 0.5
			}
		}
		want := 0.0
		if outside {
			want = 10
		}
		d := b.w.out.Lost
		if !d.Known {
			t.Fatal("not known after four hours")
		}
		near(t, "lost, L/h", d.Rate*3.6e6, want, d.Band*3.6e6)
		if d.Band*3.6e6 > 1.5 {
			t.Errorf("band %g L/h", d.Band*3.6e6)
		}
	}
}

// The inventory is not known while one of its readings is missing, nor after a
// long time without one until it has been measured again.
func TestInventoryWithoutAReading(t *testing.T) {
	for _, c := range []struct {
		name   string
		lose   func(*Scan)
		blind  int // s
		atOnce bool
	}{
		{"sump lost for a minute", func(s *Scan) { s.SumpRead = false }, 60, true},
		{"sump lost for an hour", func(s *Scan) { s.SumpRead = false }, 3600, false},
		{"tank lost for a minute", func(s *Scan) { s.Read = false }, 60, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newTub(t)
			b.w = New(func() Config { c := config(); c.SumpArea = 0.5; return c }())
			b.s.SumpRead, b.s.Sump = true, 0.5
			b.pass(1200, 0)
			near(t, "inventory, m³", b.w.out.Inventory, 1.25, 1e-3)
			c.lose(&b.s)
			b.pass(c.blind, 0)
			if v := b.w.out.Inventory; v != 0 {
				t.Errorf("%v m³ are shown without a reading", v)
			}
			b.s.SumpRead, b.s.Read = true, true
			b.pass(1, 0)
			if back := b.w.out.Inventory > 0; back != c.atOnce {
				t.Errorf("known again at once: %v", back)
			}
			b.pass(700, 0)
			near(t, "inventory afterwards, m³", b.w.out.Inventory, 1.25, 1e-3)
		})
	}
}
