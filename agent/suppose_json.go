package main

import (
	"encoding/json"
	"io"

	"strokebank/rules/reserve"
	"strokebank/sensors/signal"
)

// supposedState is the state of a supposition as it leaves the program.
type supposedState struct {
	Pressure   float64       `json:"gauge_pressure_pascals"`
	Level      float64       `json:"level_meters"`
	Oil        float64       `json:"oil_cubic_meters"`
	Gas        float64       `json:"gas_cubic_meters"`
	Atmosphere float64       `json:"atmospheric_pressure_pascals"`
	GasCelsius float64       `json:"gas_temperature_celsius"`
	Wall       signal.Number `json:"wall_temperature_celsius"`
	Leak       signal.Number `json:"leak_cubic_meters_per_second"`
}

// supposedAnswer is an answer as it leaves the program. Unknown says of every
// null why it is one, by its path.
type supposedAnswer struct {
	Schema  int               `json:"schema"`
	Site    string            `json:"site"`
	Unit    string            `json:"unit"`
	State   supposedState     `json:"supposed_state"`
	Changes []string          `json:"changes"`
	Figures reserve.Figures   `json:"figures"`
	InFile  reserve.Figures   `json:"figures_of_file_at_full_charge"`
	Doubts  []reserve.Price   `json:"doubts,omitempty"`
	Unknown map[string]string `json:"unknown"`
	Caution string            `json:"caution"`
}

// supposeSchema is the version of supposedAnswer.
const supposeSchema = 1

// json writes the answer for a program.
func (a *answer) json(to io.Writer) error {
	t := a.config.Tank
	out := supposedAnswer{
		Schema: supposeSchema, Site: a.site, Unit: a.name, Changes: append([]string{}, a.changes...),
		Figures: a.figures, InFile: a.inFile, Doubts: a.doubts, Unknown: map[string]string{}, Caution: supposeCaution,
		State: supposedState{
			Pressure: a.pressure, Level: a.level, Oil: t.Volume(a.level), Gas: t.Total() - t.Volume(a.level),
			Atmosphere: a.atmosphere, GasCelsius: a.gas - zeroCelsius, Wall: signal.Unknown(), Leak: a.leak,
		},
	}
	if a.wallKnown {
		out.State.Wall = signal.Number(a.wall - zeroCelsius)
	} else {
		out.Unknown["supposed_state.wall_temperature_celsius"] = "not measured and not given: the file's lowest_wall bounds it"
	}
	if !a.leak.Known() {
		out.Unknown["supposed_state.leak_cubic_meters_per_second"] = "not given: the file's most_leak bounds it"
	}
	reasons(out.Unknown, "figures.", &a.figures)
	reasons(out.Unknown, "figures_of_file_at_full_charge.", &a.inFile)
	e := json.NewEncoder(to)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(out)
}

// reasons says of every unknown figure why it is unknown.
func reasons(to map[string]string, path string, f *reserve.Figures) {
	for _, n := range []struct {
		name   string
		figure signal.Number
	}{
		{"at_least_cycles", f.AtLeast}, {"expected_cycles", f.Expected}, {"full_charge_cycles", f.FullCharge},
		{"usable_oil_cubic_meters", f.UsableOil}, {"usable_oil_at_least_cubic_meters", f.UsableAtLeast},
		{"hold_time_seconds", f.HoldTime}, {"time_to_full_seconds", f.TimeToFull}, {"time_to_full_one_machine_seconds", f.TimeToFullOne},
	} {
		switch {
		case n.figure.Known():
		case !f.Known:
			to[path+n.name] = f.Reason
		default: // only the times of a known reserve can be unknown
			to[path+n.name] = leakTooLarge
		}
	}
}
