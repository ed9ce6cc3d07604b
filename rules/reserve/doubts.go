package reserve

import "strokebank/sensors/signal"

// Price is what one doubt costs the lower bound: how many cycles, with their
// fraction, at least would be higher if the doubt were gone and all others
// stayed. Prices do not add up to the difference to the expected figure,
// because one limit hides behind another.
type Price struct {
	Doubt  string        `json:"doubt"`
	Cycles signal.Number `json:"cycles"`
}

// doubts are all doubts of a view and how each is taken away.
var doubts = [...]struct {
	name   string
	settle func(*view)
}{
	{"pressure band", func(v *view) { v.pBand = 0 }},
	{"level band", func(v *view) { v.oilLow, v.oilHigh = v.oil, v.oil }},
	{"heat exchange", func(v *view) { v.tauUpper = v.tau }},
	{"gas temperature", func(v *view) { v.thetaBand = 0 }},
	{"wall", func(v *view) { v.wall, v.steady = 1, true }},
	{"leak", func(v *view) { v.leakUpper = v.leak }},
	{"real gas", func(v *view) { v.ideal = true }},
}

// Doubts is the price of each doubt in the lower bound, in a fixed order; nil
// while the reserve is unknown. It costs about four times an Evaluate and is
// meant for a person who asks, not for every scan.
func (e *Engine) Doubts(in Input) []Price {
	v, t := e.view(&in)
	if t.quality == signal.Bad {
		return nil
	}
	now := e.atLeastCycles(&v)
	prices := make([]Price, 0, len(doubts))
	for _, d := range doubts {
		settled := v
		d.settle(&settled)
		prices = append(prices, Price{d.name, number(e.atLeastCycles(&settled) - now)})
	}
	return prices
}

// atLeastCycles is the lower bound with its fraction.
func (e *Engine) atLeastCycles(v *view) float64 {
	return float64(e.capped(v.atLeast(e.plan).cycles))
}
