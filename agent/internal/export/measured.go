package export

import (
	"time"

	"strokebank/rules"
	"strokebank/rules/machine/work"
	"strokebank/sensors/signal"
)

// activities are the orders that stand in the table of service, in the words
// of ISO 14224 where it has them.
var activities = map[rules.Order]string{
	rules.ServiceDone: "service", rules.ExchangeMachine: "replace", rules.SetBaseline: "set baseline",
	rules.OutOfService: "out of service", rules.BackInService: "back in service",
}

// IsService reports an event that belongs into the table of service.
func IsService(e *rules.Entry) bool {
	return e.Kind == rules.CommandEvent && activities[rules.Order(e.Name)] != ""
}

// trendUnits are the units of the trends.
var trendUnits = map[string]string{
	"pressure": "Pa", "level": "m", "oil_volume": "m3", "air_ratio": "ratio", "reserve_at_least": "cycles", "reserve_expected": "cycles",
	"oil_inventory": "m3", "oil_decline": "m3/s", "air_decline_per_day": "ratio",
}

// valueOf is a figure of an event; unknown where it has none of that name.
func valueOf(e *rules.Entry, name string) rules.Value {
	for _, v := range e.Values {
		if v.Name == name {
			return v
		}
	}
	return rules.Value{Value: signal.Unknown()}
}

func firstOf(e *rules.Entry, names ...string) signal.Number {
	for _, name := range names {
		if v := valueOf(e, name); v.Value.Known() {
			return v.Value
		}
	}
	return signal.Unknown()
}

func taskOf(e *rules.Entry) string {
	if e.Service != nil {
		return e.Service.Name
	}
	return e.Title
}

// words is a time that an event has as text.
func (c *cell) words(text string) {
	t, _ := time.Parse(time.RFC3339Nano, text) // the zero time is not known
	c.time(t)
}

// figure is a column of a measured quantity; row says where it stands.
func figure[T any](name, means string, row func(*rules.Entry) *T, of func(*T) signal.Number) column[rules.Entry] {
	return column[rules.Entry]{name, "", means, func(c *cell, e *rules.Entry) {
		if r := row(e); r != nil {
			c.known(of(r))
			return
		}
		c.none()
	}}
}

// machineRow is the columns that fills and charges share.
func machineRow(serial func(*rules.Entry) string, start func(*rules.Entry) time.Time) []column[rules.Entry] {
	return append(head("it ended"), []column[rules.Entry]{
		{"position", "", positionMeans, func(c *cell, e *rules.Entry) { c.text(e.Source) }},
		{"tag_number", tagTerm, "the site's name of the position", func(c *cell, e *rules.Entry) { c.tag(e.Source) }},
		{"serial_number", serialTerm, "of the individual that ran", func(c *cell, e *rules.Entry) { c.text(serial(e)) }},
		{"start_time", "", "it began", func(c *cell, e *rules.Entry) { c.time(start(e)) }},
	}...)
}

func fillOf(e *rules.Entry) *work.Fill     { return e.Fill }
func chargeOf(e *rules.Entry) *work.Charge { return e.Charge }
func drawOf(e *rules.Entry) *rules.Draw    { return e.Draw }

// Fills are the measured runs of pumps.
var Fills = &Table[rules.Entry]{
	Name: "fills", At: "time",
	Means: "What the pumps raised, run by run. counts says whether it tells the pump's health; reason why it does not.",
	columns: append(machineRow(
		func(e *rules.Entry) string { return of(e.Fill, func(f *work.Fill) string { return f.Serial }) },
		func(e *rules.Entry) time.Time { return of(e.Fill, func(f *work.Fill) time.Time { return f.Start }) }),
		[]column[rules.Entry]{
			figure("operating_time_seconds", "measured", fillOf, func(f *work.Fill) signal.Number { return signal.Number(f.Seconds) }),
			{"place", "", "lead or standby", func(c *cell, e *rules.Entry) { c.text(of(e.Fill, func(f *work.Fill) string { return f.Place })) }},
			figure("volume_cubic_meters", "oil raised", fillOf, func(f *work.Fill) signal.Number { return f.Volume }),
			figure("flow_cubic_meters_per_second", "mean", fillOf, func(f *work.Fill) signal.Number { return f.Flow }),
			figure("corrected_flow_cubic_meters_per_second", "as it would be at the set point", fillOf, func(f *work.Fill) signal.Number { return f.Corrected }),
			figure("uncertainty_ratio", "one standard deviation, of the flow that is due", fillOf, func(f *work.Fill) signal.Number { return f.Uncertainty }),
			figure("output_ratio", "of the flow that is due", fillOf, func(f *work.Fill) signal.Number { return f.Ratio }),
			figure("level_before_meters", "over the tank's lowest inside point", fillOf, func(f *work.Fill) signal.Number { return f.LevelBefore }),
			figure("level_after_meters", "likewise", fillOf, func(f *work.Fill) signal.Number { return f.LevelAfter }),
			figure("gauge_pressure_before_pascals", "", fillOf, func(f *work.Fill) signal.Number { return f.PressureBefore }),
			figure("gauge_pressure_after_pascals", "", fillOf, func(f *work.Fill) signal.Number { return f.PressureAfter }),
			figure("oil_temperature_kelvins", "", fillOf, func(f *work.Fill) signal.Number { return f.OilTemperature }),
			{"quality", "", "of the readings behind it", func(c *cell, e *rules.Entry) {
				c.text(of(e.Fill, func(f *work.Fill) string { return f.Quality.String() }))
			}},
			{"counts", "", "for the pump's health", func(c *cell, e *rules.Entry) { c.truth(of(e.Fill, func(f *work.Fill) bool { return f.Counts })) }},
			{"reason", "", "why it does not count", func(c *cell, e *rules.Entry) { c.text(e.Reason) }},
		}...),
}

// Charges are what the compressors brought in.
var Charges = &Table[rules.Entry]{
	Name: "charges", At: "time",
	Means: "What the compressors brought in, between two settled states of the air. counts says whether it tells the " +
		"compressor's health; reason why it does not.",
	columns: append(machineRow(
		func(e *rules.Entry) string { return of(e.Charge, func(f *work.Charge) string { return f.Serial }) },
		func(e *rules.Entry) time.Time {
			return of(e.Charge, func(f *work.Charge) time.Time { return f.Start })
		}),
		[]column[rules.Entry]{
			figure("operating_time_seconds", "measured", chargeOf, func(f *work.Charge) signal.Number { return signal.Number(f.Seconds) }),
			{"runs", "", "that it took", func(c *cell, e *rules.Entry) {
				c.count(uint64(of(e.Charge, func(f *work.Charge) int { return max(f.Runs, 0) })))
			}},
			{"place", "", "lead or standby", func(c *cell, e *rules.Entry) {
				c.text(of(e.Charge, func(f *work.Charge) string { return f.Place }))
			}},
			figure("free_air_cubic_meters", "brought in", chargeOf, func(f *work.Charge) signal.Number { return f.FreeAir }),
			figure("free_air_cubic_meters_per_second", "mean", chargeOf, func(f *work.Charge) signal.Number { return f.Flow }),
			figure("corrected_free_air_cubic_meters_per_second", "as it would be at the set pressure", chargeOf, func(f *work.Charge) signal.Number { return f.Corrected }),
			figure("uncertainty_ratio", "one standard deviation, of the flow that is due", chargeOf, func(f *work.Charge) signal.Number { return f.Uncertainty }),
			figure("output_ratio", "of the flow that is due", chargeOf, func(f *work.Charge) signal.Number { return f.Ratio }),
			figure("oil_before_cubic_meters", "in the tank", chargeOf, func(f *work.Charge) signal.Number { return f.OilBefore }),
			figure("oil_after_cubic_meters", "", chargeOf, func(f *work.Charge) signal.Number { return f.OilAfter }),
			figure("absolute_pressure_before_pascals", "settled", chargeOf, func(f *work.Charge) signal.Number { return f.PressureBefore }),
			figure("absolute_pressure_after_pascals", "settled", chargeOf, func(f *work.Charge) signal.Number { return f.PressureAfter }),
			{"quality", "", "of the readings behind it", func(c *cell, e *rules.Entry) {
				c.text(of(e.Charge, func(f *work.Charge) string { return f.Quality.String() }))
			}},
			{"counts", "", "for the compressor's health", func(c *cell, e *rules.Entry) {
				c.truth(of(e.Charge, func(f *work.Charge) bool { return f.Counts }))
			}},
			{"reason", "", "why it does not count", func(c *cell, e *rules.Entry) { c.text(e.Reason) }},
		}...),
}

// Draws are oil that left the tank while no pump ran.
var Draws = &Table[rules.Entry]{
	Name: "draws", At: "time",
	Means: "Oil that left the tank while no pump ran, as when valves move, beside what was predicted for it.",
	columns: append(head("it began"), []column[rules.Entry]{
		{"end_time", "", "", func(c *cell, e *rules.Entry) { c.time(of(e.Draw, func(d *rules.Draw) time.Time { return d.End })) }},
		figure("duration_seconds", "watched", drawOf, func(d *rules.Draw) signal.Number { return signal.Number(d.Seconds) }),
		figure("oil_cubic_meters", "drawn", drawOf, func(d *rules.Draw) signal.Number { return d.Oil }),
		figure("oil_band_cubic_meters", "plus or minus", drawOf, func(d *rules.Draw) signal.Number { return d.Band }),
		figure("absolute_pressure_before_pascals", "", drawOf, func(d *rules.Draw) signal.Number { return d.Before }),
		figure("absolute_pressure_after_pascals", "", drawOf, func(d *rules.Draw) signal.Number { return d.After }),
		figure("predicted_absolute_pressure_pascals", "at its end, best estimate", drawOf, func(d *rules.Draw) signal.Number { return d.Predicted }),
		figure("predicted_low_absolute_pressure_pascals", "its lower bound", drawOf, func(d *rules.Draw) signal.Number { return d.PredictedLow }),
		figure("predicted_high_absolute_pressure_pascals", "its upper bound", drawOf, func(d *rules.Draw) signal.Number { return d.PredictedHigh }),
		figure("promised_oil_cubic_meters", "the best estimate down to the measured end", drawOf, func(d *rules.Draw) signal.Number { return d.Promised }),
		{"kept", "", "the end is not under the lower bound", func(c *cell, e *rules.Entry) { c.truth(of(e.Draw, func(d *rules.Draw) bool { return d.Kept })) }},
		{"cut", "", "a pump started before it had ended", func(c *cell, e *rules.Entry) { c.truth(of(e.Draw, func(d *rules.Draw) bool { return d.Cut })) }},
		{"test", "", "true: in an announced test", func(c *cell, e *rules.Entry) { c.truth(e.Test) }},
	}...),
}

// of is a field of a part that an event may lack.
func of[T, V any](part *T, field func(*T) V) (none V) {
	if part == nil {
		return none
	}
	return field(part)
}
