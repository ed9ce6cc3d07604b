package metrics

import (
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"

	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/rules/machine"
	"strokebank/rules/machine/service"
	"strokebank/rules/machine/work"
	"strokebank/rules/proof"
	"strokebank/rules/reserve"
	"strokebank/rules/trend"
	"strokebank/sensors/signal"
)

var noon = time.Date(2026, 3, 14, 12, 0, 0, 0, time.UTC)

// board hands out fixed assessments.
type board []*rules.Assessment

func (b board) Latest() []*rules.Assessment { return b }

// everything is a unit of which all is known and configured.
func everything() *rules.Assessment {
	good := func(id signal.ID, v float64, u signal.Unit) rules.NamedReading {
		return rules.NamedReading{ID: id, Reading: signal.Measured(v, u, noon)}
	}
	window := machine.Window{Length: "24h", RunSeconds: 600, Starts: 4, UnobservedSeconds: 5, CoveredSeconds: 7200, ShareOfRun: 0.6, ShareOfStarts: 0.5}
	return &rules.Assessment{
		Schema: rules.Schema, Site: "Quillen Reach", Unit: "AU-7", Time: noon, ClockTrusted: true, Scan: 42, Quality: signal.Good,
		Readings: []rules.NamedReading{
			good(signal.Pressure, 8e5, signal.Pascal), good(signal.Level, 1.5, signal.Metre),
			good(signal.OilTemperature, 293.15, signal.Kelvin), good(signal.Mains, 1, signal.Boolean),
			good("pump1.motor_current", 1.9, signal.Ampere), good("pump1.hour_meter", 7200, signal.Second),
			good("pump1.start_counter", 31, signal.Count), good("valve.XV-1.position", 0.5, signal.Ratio),
			good("sump.volume", 0.9, signal.CubicMetre), good("pump1.flow", 2.5e-4, signal.CubicMetrePerSecond),
		},
		GasPressure: signal.Measured(9e5, signal.Pascal, noon), Level: signal.Measured(1.4, signal.Metre, noon),
		OilVolume: signal.Measured(2, signal.CubicMetre, noon), GasVolume: signal.Measured(2.5, signal.CubicMetre, noon), TankVolume: 4.5,
		Reserve: reserve.Figures{Known: true, Quality: signal.Good, Required: 2, AtLeast: 3, Expected: 3.4, FullCharge: 4.1,
			Limit: reserve.ByPressure, AtLeastLimit: reserve.ByOil, UsableOil: 0.6, UsableAtLeast: 0.5, HoldTime: 86400, TimeToFull: 300, TimeToFullOne: 600},
		Machines: []machine.Status{{Position: "pump1", Tag: "P-71", Kind: machine.Pump, Serial: "K-118", State: machine.Running,
			Quality: signal.Good, Since: noon, Lead: true, Available: true, AvailableKnown: true, ProcessRunSeconds: 30, ProcessStarts: 2,
			ProcessUnobservedSeconds: 1, LifetimeRunSeconds: 3600, LifetimeStarts: 12, LifetimeUnobservedSeconds: 60,
			DoubtSeconds: 4, ThisRunSeconds: 30, Windows: [3]machine.Window{window}}},
		Pairs: []machine.PairStatus{{Kind: machine.Pump, Available: 2, Redundancy: "both", Imbalance: -0.2, SameLead: 1, Missed: 3, NextLead: "pump2"}},
		AlarmLoad: alarm.Figures{Observed: 86400, Day: 5, TenMinutes: 2, Worst: 3, Rating: "acceptable",
			Shares: [3]alarm.Share{{Priority: alarm.High, Raised: 1, Share: 0.2}, {Priority: alarm.Medium, Raised: 4, Share: 0.8}, {Priority: alarm.Low}}},
		Alarms: []alarm.Status{
			{Name: "low_pressure", Source: "unit", State: alarm.Unacknowledged, Priority: alarm.High, Since: noon},
			{Name: "overload", Source: "pump1", State: alarm.Normal, Priority: alarm.Medium},
		},
		Gas: rules.Gas{TemperatureRatio: 0.97, TemperatureRatioBand: 0.02, AirRatio: 1.01, HeatExchange: 120,
			HeatExchangeConfigured: 120, HeatExchangeLearned: signal.Unknown(), HeatExchangeBand: signal.Unknown()},
		Leaks: rules.Leaks{OilDecline: 1e-7, OilDeclineBand: 5e-8, AirDecline: 0.00432, AirDeclineBand: 0.00216,
			Inventory: 1.25, OilLost: 2e-8, OilLostBand: 3e-8},
		Outputs: []work.Verdict{{Position: "pump1", Rating: 4e-4, Baseline: 3.9e-4, Learned: 5, Last: 3.51e-4, LastBand: 0.01, Ratio: 0.9,
			Trend: trend.Verdict{Smoothed: 0.92, Forecast: trend.Forecast{Known: true, At: noon.Add(40 * 24 * time.Hour),
				Early: noon.Add(30 * 24 * time.Hour), Late: noon.Add(60 * 24 * time.Hour)}}}},
		Proof: []proof.Status{{Function: "pump1.delivers", Proven: true, Last: noon.Add(-time.Hour), Due: noon.Add(89 * 24 * time.Hour)}},
		Service: []service.Status{{Source: "pump1", Name: "strainer", State: service.Coming, Nearest: "run", Used: 0.95,
			DueRun: 3600000, RunLeft: 180000, DueStarts: 500, StartsLeft: 488,
			DueDate: noon.Add(100 * 24 * time.Hour), Forecast: noon.Add(20 * 24 * time.Hour)}},
	}
}

// blind is the same unit when pressure, running contact and one alarm have
// become unknown. The figures hold zeros on purpose.
func blind() *rules.Assessment {
	a := everything()
	a.Unit, a.Quality, a.PowerLost = "AU-8", signal.Bad, true
	a.Readings[0].Reading = signal.Missing(signal.Pascal, signal.FailureLow, noon)
	a.GasPressure = signal.Missing(signal.Pascal, signal.FailureLow, noon)
	a.Reserve = reserve.Figures{Reason: "pressure: failure signal low", Required: 2}
	a.LastKnown = &rules.LastKnown{AtLeast: 3, Expected: 3.4, Time: noon, Age: 12.5}
	m := &a.Machines[0]
	m.State, m.Reason, m.Quality, m.Available = machine.StateUnknown, "link lost", signal.Bad, false
	m.AvailableKnown = false
	m.Windows[0].ShareOfRun = signal.Unknown()
	a.Pairs[0].Redundancy, a.Pairs[0].Available, a.Pairs[0].Imbalance = "unknown", 0, signal.Unknown()
	a.Alarms[0].State, a.Alarms[0].Reason = alarm.NotKnown, "pressure is bad"
	no := signal.Unknown()
	a.Gas.TemperatureRatio, a.Gas.TemperatureRatioBand, a.Gas.AirRatio, a.Gas.HeatExchange = no, no, no, no
	a.Leaks = rules.Leaks{OilDecline: no, OilDeclineBand: no, AirDecline: no, AirDeclineBand: no, Inventory: no, OilLost: no, OilLostBand: no}
	a.Outputs[0] = work.Verdict{Position: "pump1", Baseline: no, Last: no, LastBand: no, Ratio: no, Trend: trend.Verdict{Smoothed: no}}
	a.Proof[0] = proof.Status{Function: "pump1.delivers"}
	a.Service[0] = service.Status{Source: "pump1", Name: "strainer", RunLeft: no, StartsLeft: no}
	return a
}

var linkUp = Figure{Name: "link_up", Help: "1 while the last exchange on the link succeeded.", Labels: []string{"link"},
	Read: func(emit func(float64, ...string)) { emit(1, "panel"); emit(0, "field") }}

func handler(t testing.TB, now latest, extra ...Figure) http.Handler {
	t.Helper()
	h, err := New(now, Info{Version: "1.2.3", Commit: "abc", Installation: "inst", Start: noon.Add(-time.Hour),
		Log: slog.New(slog.DiscardHandler)}, extra...)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

// scrape asks over a real socket, as a scraper does.
func scrape(t testing.TB, h http.Handler, accept string) (body string, contentType string) {
	t.Helper()
	server := httptest.NewServer(h)
	defer server.Close()
	request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, server.URL, nil)
	if err != nil {
		t.Fatal(err)
	}
	request.Header.Set("Accept", accept)
	answer, err := server.Client().Do(request)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	if err != nil || answer.StatusCode != http.StatusOK {
		t.Fatalf("status %d, %v: %s", answer.StatusCode, err, text)
	}
	return string(text), answer.Header.Get("Content-Type")
}

// families parses the text format with the parser of Prometheus itself.
func families(t testing.TB, h http.Handler) map[string]*dto.MetricFamily {
	t.Helper()
	text, _ := scrape(t, h, "text/plain")
	parser := expfmt.NewTextParser(model.UTF8Validation)
	out, err := parser.TextToMetricFamilies(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	return out
}
