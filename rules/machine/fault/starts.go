package fault

import (
	"math"
	"time"
)

const (
	slots = 12
	slot  = time.Hour / slots
)

// starts counts the starts of the last hour, in steps of five minutes: those
// of the present step and of the eleven before it.
type starts struct {
	n   [slots]float64
	at  time.Duration // number of the present step
	sum float64
}

func (s *starts) pass(elapsed time.Duration) {
	now := elapsed / slot
	if now == s.at {
		return
	}
	for k := range min(max(now-s.at, 0), slots) {
		s.n[(now-k)%slots] = 0
	}
	s.at, s.sum = now, 0
	for _, n := range s.n {
		s.sum += n
	}
}

func (s *starts) add(elapsed time.Duration) {
	s.n[elapsed/slot%slots]++
	s.sum++
}

// Motor is a row of the table of starts for one kind of motor: A starts an hour
// at most, B the product of starts and load inertia, lb ft².
type Motor struct{ Horsepower, A, B float64 }

// FourPole is NEMA MG 10, table 2-3, motors of four poles and design B. A as
// reprinted in the EASA handbook; B from memory.
var FourPole = [...]Motor{
	{1, 30, 5.8}, {2, 23, 11}, {5, 16.3, 27}, {7.5, 13.9, 39}, {10, 12.5, 51},
	{15, 10.7, 75}, {20, 9.6, 99}, {25, 8.8, 122},
}

// AllowedStarts is how often an hour the motor may start against a load with
// the inertia wk2, lb ft² (NEMA MG 10, table 2-3: the lesser of A and B/Wk²).
func (m Motor) AllowedStarts(wk2 float64) float64 {
	if !(wk2 > 0) {
		return m.A
	}
	return math.Min(m.A, m.B/wk2)
}
