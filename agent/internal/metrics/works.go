package metrics

import (
	"time"

	"strokebank/rules"
	"strokebank/rules/machine/service"
	"strokebank/rules/machine/work"
	"strokebank/rules/proof"
)

const day = 86400 // s

// works is what the machines achieve, what is lost, proven and to be done.
func (e *lines) works(a *rules.Assessment) {
	for i := range a.Outputs {
		e.output(&a.Outputs[i])
	}
	e.air(a)
	e.leaks(&a.Leaks)
	for i := range a.Proof {
		e.proof(&a.Proof[i], a)
	}
	for i := range a.Service {
		e.service(&a.Service[i], a)
	}
}

func (e *lines) output(v *work.Verdict) {
	at := v.Position
	e.number(outputRatio, v.Ratio, at)
	e.number(outputBand, v.LastBand, at)
	e.number(outputSmoothed, v.Trend.Smoothed, at)
	e.number(outputLast, v.Last, at)
	e.number(outputBaseline, v.Baseline, at)
	if f := &v.Trend.Forecast; f.Known {
		e.stamp(outputLimit, f.At, at, "expected")
		e.stamp(outputLimit, f.Early, at, "earliest")
		e.stamp(outputLimit, f.Late, at, "latest")
	}
}

func (e *lines) air(a *rules.Assessment) {
	g := &a.Gas
	e.number(gasTemperature, g.TemperatureRatio)
	e.number(gasTempBand, g.TemperatureRatioBand)
	e.number(airRatio, g.AirRatio)
	e.number(heatExchange, g.HeatExchange)
}

func (e *lines) leaks(l *rules.Leaks) {
	e.number(oilDecline, l.OilDecline)
	e.number(oilDeclineBand, l.OilDeclineBand)
	e.number(airDecline, l.AirDecline/day)
	e.number(airDeclineBand, l.AirDeclineBand/day)
	e.number(oilInventory, l.Inventory)
	e.number(oilLost, l.OilLost)
	e.number(oilLostBand, l.OilLostBand)
}

func (e *lines) proof(s *proof.Status, a *rules.Assessment) {
	e.flag(proofProven, s.Proven, s.Function)
	if s.Proven && a.ClockTrusted && !s.Last.IsZero() {
		e.put(proofAge, a.Time.Sub(s.Last).Seconds(), s.Function)
	}
	e.until(proofDue, s.Due, a, s.Function)
}

func (e *lines) service(s *service.Status, a *rules.Assessment) {
	e.put(serviceUsed, s.Used, s.Source, s.Name)
	e.number(serviceRun, s.RunLeft, s.Source, s.Name)
	e.number(serviceStarts, s.StartsLeft, s.Source, s.Name)
	e.until(serviceDate, s.DueDate, a, s.Source, s.Name)
	e.until(serviceAhead, s.Forecast, a, s.Source, s.Name)
}

// until writes how long it is to a time; nothing where there is none, or where
// the clock does not tell.
func (e *lines) until(s *series, t time.Time, a *rules.Assessment, labels ...string) {
	if a.ClockTrusted && !t.IsZero() {
		e.put(s, t.Sub(a.Time).Seconds(), labels...)
	}
}
