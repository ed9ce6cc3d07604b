package simulator

import (
	"math"
	"math/rand/v2"
	"time"
)

const (
	day  = 86400.0
	year = 365.25 * day
)

// sky is the weather, renewed once a minute of plant time.
type sky struct {
	w         Weather
	begin     float64 // s since the beginning of its year
	due       float64
	ambient   float64
	viscosity float64 // mm²/s, of oil at the sump's temperature; renewed with the weather
	drift     float64 // K, the weather's own way
	drifted   float64
	rng       *rand.Rand
}

func newSky(w Weather, rng *rand.Rand) sky {
	if w.Begin.IsZero() {
		w.Begin = time.Date(2026, 4, 15, 6, 0, 0, 0, time.UTC)
	}
	first := time.Date(w.Begin.Year(), 1, 1, 0, 0, 0, 0, time.UTC)
	k := sky{w: w, begin: w.Begin.Sub(first).Seconds(), rng: rng}
	k.ambient = k.at(0)
	k.viscosity = oilViscosity(k.ambient)
	return k
}

// at is the ambient temperature, K, at a plant time.
func (k *sky) at(now float64) float64 {
	t := k.begin + now
	return k.w.Mean - k.w.Season*math.Cos(2*math.Pi*(t/year-0.04)) -
		k.w.Day*math.Cos(2*math.Pi*(t/day-3.0/24)) + k.drift
}

// update renews the weather where it is due, and reports that it did.
func (k *sky) update(now float64) bool {
	if now < k.due {
		return false
	}
	k.due = now + 60
	if k.w.Wander > 0 {
		// An hour is a sixtieth of the two and a half days the weather keeps.
		for ; k.drifted < now; k.drifted += 3600 {
			k.drift += -k.drift/60 + k.w.Wander*math.Sqrt(2.0/60)*k.rng.NormFloat64()
		}
	}
	k.ambient = k.at(now)
	return true
}
