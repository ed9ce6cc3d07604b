package rules_test

import (
	"testing"

	"strokebank/sensors/signal"
)

// The lower bound of the configured time constant says how fast at most the gas
// may come to the wall's temperature: the nearer it is to the constant itself,
// the less is left open of the gas temperature after a draw.
func TestLowerBoundOfHeatExchange(t *testing.T) {
	bands := map[float64]float64{}
	for _, lower := range []float64{0, 30, 60, 119} {
		b := newBench(t)
		b.cfg.HeatExchangeLower = lower
		b.restart(nil, nil)
		b.pass(700) // five time constants, so that the gas temperature is known
		for s := range 60 {
			b.set(signal.Level, 1.5-0.005*float64(s))
			b.pass(1)
		}
		b.pass(30)
		if g := b.last.Gas; !g.TemperatureRatioBand.Known() || g.TemperatureRatio >= 1 {
			t.Fatalf("after a draw: %+v", g)
		}
		bands[lower] = float64(b.last.Gas.TemperatureRatioBand)
	}
	if !(bands[30] == bands[0] && bands[60] < bands[30] && bands[119] < bands[60]) {
		t.Errorf("bands of the temperature ratio by lower bound: %v", bands)
	}
}
