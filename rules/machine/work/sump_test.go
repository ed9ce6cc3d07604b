package work

import (
	"testing"
	"time"

	"strokebank/sensors/signal"
)

// An hour with the tank drawn down fills the sump with oil that belongs into
// the tank: what low means is not learned from it.
func TestSumpIsMeasuredWithTheTankFilled(t *testing.T) {
	var s Sump
	pass := func(d time.Duration, level float64, filled bool) {
		for ; d > 0; d -= 10 * time.Second {
			s.Take(signal.Measured(level, signal.Metre, time.Time{}), 10*time.Second, filled)
		}
	}
	pass(time.Hour, 0.95, false) // the program began in the middle of it
	if s.Limit() != 0 {
		t.Errorf("low under %v m before anything is known", s.Limit())
	}
	pass(8*time.Hour, 0.58, true)
	pass(4*time.Hour, 0.95, false)
	near(t, "level", s.Reading().Value, 0.95, 1e-6)
	pass(8*time.Hour, 0.55, true)
	near(t, "limit", s.Limit(), sumpPart*0.58, 1e-3)
	near(t, "level", s.Reading().Value, 0.55, 1e-6)
}
