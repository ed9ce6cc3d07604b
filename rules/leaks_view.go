package rules

import (
	"math"
	"time"

	"strokebank/rules/gas"
	"strokebank/rules/leak"
	"strokebank/rules/reserve"
	"strokebank/sensors/signal"
)

// Draw is oil that left the tank with no pump running, beside what was
// predicted for it. Pressures are absolute.
type Draw struct {
	Start    time.Time     `json:"start"`
	End      time.Time     `json:"end"`
	Seconds  float64       `json:"seconds"`
	Oil      signal.Number `json:"oil_cubic_meters"`
	Band     signal.Number `json:"oil_band_cubic_meters"`
	Before   signal.Number `json:"pressure_before_pascals"`
	After    signal.Number `json:"pressure_after_pascals"`
	Exponent signal.Number `json:"apparent_exponent"` // for display only
	Cut      bool          `json:"cut"`               // a pump started before it had ended
	Test     bool          `json:"test,omitempty"`    // in an announced test

	// The end pressure by the best estimate and its bounds, and the oil that
	// the best estimate gives down to the measured end; unknown where the gas
	// temperature was not known. Kept: the end is not under the lower bound.
	Predicted     signal.Number `json:"predicted_pressure_pascals"`
	PredictedLow  signal.Number `json:"predicted_low_pascals"`
	PredictedHigh signal.Number `json:"predicted_high_pascals"`
	Promised      signal.Number `json:"promised_oil_cubic_meters"`
	Kept          bool          `json:"kept"`
}

// Leaks is what is known of what goes in and out where nothing should.
type Leaks struct {
	// Oil that goes down while idle, m³/s, with its ± band: a decline of the
	// size of Visible would show now.
	OilDecline     signal.Number `json:"oil_decline_cubic_meters_per_second"`
	OilDeclineBand signal.Number `json:"oil_decline_band_cubic_meters_per_second"`
	OilVisible     signal.Number `json:"oil_visible_cubic_meters_per_second"`
	IdleSeconds    float64       `json:"oil_idle_seconds"` // behind it

	// Air lost a day, as a part of a full charge.
	AirDecline     signal.Number `json:"air_decline_per_day_ratio"`
	AirDeclineBand signal.Number `json:"air_decline_band_per_day_ratio"`
	AirVisible     signal.Number `json:"air_visible_per_day_ratio"`
	AirDays        float64       `json:"air_decline_days"` // behind it

	// Oil in tank, sump and cylinders at 15 °C, and how fast it gets less;
	// unknown without a sump level.
	Inventory     signal.Number `json:"oil_inventory_cubic_meters"`
	OilLost       signal.Number `json:"oil_lost_cubic_meters_per_second"`
	OilLostBand   signal.Number `json:"oil_lost_band_cubic_meters_per_second"`
	Points        []SwitchPoint `json:"switching_points"`
	LevelStuck    bool          `json:"level_stuck"`
	PressureStuck bool          `json:"pressure_stuck"`
}

// SwitchPoint is a switching point of the panel as the transmitters show it:
// m for pumps, Pa gauge for compressors.
type SwitchPoint struct {
	Name    string        `json:"name"` // "pumps cut in"
	Usual   signal.Number `json:"usual"`
	Now     signal.Number `json:"now"`
	Unit    signal.Unit   `json:"unit"`
	Actions int           `json:"actions"`
	Moved   bool          `json:"moved"`
}

// pointNames and pointUnits are in the order of the leak room's points.
var (
	pointNames = [leak.Points]string{"pumps cut in", "pumps cut out", "compressors cut in", "compressors cut out"}
	pointUnits = [leak.Points]signal.Unit{signal.Metre, signal.Metre, signal.Pascal, signal.Pascal}
)

// showLeaks fills the view. It does not allocate after the first time.
func (u *Unit) showLeaks(f *leak.Findings) {
	v, no := &u.out.Leaks, signal.Unknown()
	points := v.Points
	*v = Leaks{OilDecline: no, OilDeclineBand: no, OilVisible: no, AirDecline: no, AirDeclineBand: no, AirVisible: no,
		Inventory: no, OilLost: no, OilLostBand: no, LevelStuck: f.Stuck.Level, PressureStuck: f.Stuck.Pressure}
	d := f.Oil
	if !d.Known {
		d = f.OilRecent
	}
	if d.Windows > 0 {
		v.OilDecline, v.OilDeclineBand, v.OilVisible = signal.Number(d.Rate), signal.Number(d.Band), signal.Number(d.Band)
		v.IdleSeconds = d.Seconds
	}
	if f.Air.Known {
		v.AirDecline, v.AirDeclineBand, v.AirVisible = signal.Number(f.Air.Rate), signal.Number(f.Air.Band), signal.Number(f.Air.Band)
	}
	v.AirDays = f.Air.Days
	if f.Inventory > 0 {
		v.Inventory = signal.Number(f.Inventory)
	}
	if f.Lost.Known {
		v.OilLost, v.OilLostBand = signal.Number(f.Lost.Rate), signal.Number(f.Lost.Band)
	}
	if len(points) != leak.Points {
		points = make([]SwitchPoint, leak.Points)
	}
	c := u.leaks.watch.Config()
	for i := range points {
		w := &f.Points[i]
		points[i] = SwitchPoint{Name: pointNames[i], Usual: signal.Number(w.Usual(c.Points[i])), Now: signal.Number(w.Now()),
			Unit: pointUnits[i], Actions: w.Count, Moved: w.Moved}
	}
	v.Points = points
}

// bounds is the time constant in use with its bounds, s.
func (a *air) bounds() (tau, low, high float64) {
	tau, low, high = a.configured, a.lower, a.upper
	if tau == 0 {
		tau = reserve.AssumedHeatExchange
	}
	if low == 0 {
		low = tau / 4
	}
	if k := &a.learned; k.InUse {
		return k.Tau, k.Tau * (1 - math.Min(k.Band, 0.9)), k.Tau * (1 + k.Band)
	}
	if high == 0 {
		high = math.Inf(1)
	}
	return tau, low, high
}

// reportDraw records a draw and holds it against what was predicted.
func (u *Unit) reportDraw(scan *signal.Scan, d *leak.Draw) {
	no := signal.Unknown()
	out := Draw{Start: d.Start, End: d.End, Seconds: d.Seconds, Oil: signal.Number(d.Oil), Band: signal.Number(d.Band),
		Before: signal.Number(d.PressureBefore), After: signal.Number(d.PressureAfter), Cut: d.Cut, Test: u.proofs.book.Test() != nil,
		Predicted: no, PredictedLow: no, PredictedHigh: no, Promised: no}
	g := gas.Draw{StartPressure: d.PressureBefore, StartVolume: d.GasBefore, EndPressure: d.PressureAfter,
		EndVolume: d.GasAfter, Seconds: d.Seconds + d.Rest, Theta: d.Theta}
	out.Exponent = signal.Number(g.Exponent())
	if d.Follows {
		tau, low, high := u.air.bounds()
		c := g.Compare(tau, low, high, u.cfg.Reserve.PressureBand)
		out.Predicted, out.PredictedLow, out.PredictedHigh = signal.Number(c.Predicted), signal.Number(c.Low), signal.Number(c.High)
		out.Promised, out.Kept = signal.Number(c.Promised), c.Kept
	}
	u.out.Draws = append(u.out.Draws, out)
	e := u.event(scan, DrawEvent, unitSource, "oil drawn")
	e.Time, e.Test, e.Draw = d.Start, out.Test, &out
	pa, m3 := signal.Pascal.String(), signal.CubicMetre.String()
	e.Values = []Value{{"oil", out.Oil, m3}, {"oil_band", out.Band, m3},
		{"duration", signal.Number(d.Seconds), signal.Second.String()},
		{"pressure_before", out.Before, pa}, {"pressure_after", out.After, pa}, {"apparent_exponent", out.Exponent, ""},
		{"predicted_pressure", out.Predicted, pa}, {"predicted_low", out.PredictedLow, pa}, {"promised_oil", out.Promised, m3}}
	u.out.Events = append(u.out.Events, e)
	u.proveDraw(scan, &out)
}

// reportAction records what the transmitters showed when the panel acted.
func (u *Unit) reportAction(scan *signal.Scan, f *leak.Findings) {
	i := f.Action.Point
	source, name := pairSources[pumps], "cut in"
	if i >= leak.CompressorCutIn {
		source = pairSources[compressors]
	}
	if i == leak.PumpCutOut || i == leak.CompressorCutOut {
		name = "cut out"
	}
	e := u.event(scan, PanelEvent, source, name)
	unit := pointUnits[i].String()
	usual := f.Points[i].Usual(u.leaks.watch.Config().Points[i])
	e.Values = append([]Value{{"shown", signal.Number(f.Action.Value), unit}, {"usual", signal.Number(usual), unit}}, u.tankValues(scan)...)
	u.out.Events = append(u.out.Events, e)
}

// tankValues is pressure and level now.
func (u *Unit) tankValues(scan *signal.Scan) []Value {
	return []Value{{"gauge_pressure", scan.Readings[u.at.pressure].Number(), signal.Pascal.String()},
		{"oil_level", u.out.Level.Number(), signal.Metre.String()}}
}

// reportSwitches records a low switch that trips.
func (u *Unit) reportSwitches(scan *signal.Scan) {
	for i := range u.leaks.low {
		s := &u.leaks.low[i]
		r := pick(scan, s.at, signal.Boolean)
		if !r.Known() {
			continue
		}
		if r.On() && !s.on {
			e := u.event(scan, PanelEvent, string(u.points[s.at].ID), "tripped")
			e.Values = u.tankValues(scan)
			u.out.Events = append(u.out.Events, e)
		}
		s.on = r.On()
	}
}
