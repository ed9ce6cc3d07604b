package metrics

import (
	"fmt"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

func TestSeriesOfAUnit(t *testing.T) {
	text, _ := scrape(t, handler(t, board{everything(), blind()}, linkUp), "text/plain")
	const known, dark = `site="Quillen Reach",unit="AU-7"`, `site="Quillen Reach",unit="AU-8"`
	tests := []struct {
		name, series, value string // an empty value: the series must be absent
	}{
		{"at least", `strokebank_reserve_cycles{figure="at_least",` + known + `}`, "3"},
		{"expected", `strokebank_reserve_cycles{figure="expected",` + known + `}`, "3.4"},
		{"full charge", `strokebank_reserve_cycles{figure="full_charge",` + known + `}`, "4.1"},
		{"reserve known", `strokebank_reserve_known{` + known + `}`, "1"},
		{"reserve unknown is said", `strokebank_reserve_known{` + dark + `}`, "0"},
		{"reserve unknown has no figure", `strokebank_reserve_cycles{figure="at_least",` + dark + `}`, ""},
		{"usable oil", `strokebank_reserve_usable_oil_cubic_meters{figure="expected",` + known + `}`, "0.6"},
		{"usable oil at least", `strokebank_reserve_usable_oil_cubic_meters{figure="at_least",` + known + `}`, "0.5"},
		{"limit of the expected figure", `strokebank_reserve_limit{figure="expected",limit="pressure",` + known + `}`, "1"},
		{"limit of the lower bound", `strokebank_reserve_limit{figure="at_least",limit="oil",` + known + `}`, "1"},
		{"reserve unknown has no oil", `strokebank_reserve_usable_oil_cubic_meters{figure="expected",` + dark + `}`, ""},
		{"last known figure", `strokebank_reserve_last_known_cycles{figure="at_least",` + dark + `}`, "3"},
		{"last known age", `strokebank_reserve_last_known_age_seconds{` + dark + `}`, "12.5"},
		{"no last known figure beside a present one", `strokebank_reserve_last_known_cycles{figure="at_least",` + known + `}`, ""},
		{"required cycles", `strokebank_reserve_required_cycles{` + dark + `}`, "2"},
		{"hold time", `strokebank_reserve_hold_time_seconds{` + known + `}`, "86400"},
		{"pressure in pascals", `strokebank_reading_pascals{signal="pressure",` + known + `}`, "800000"},
		{"bad pressure is absent", `strokebank_reading_pascals{signal="pressure",` + dark + `}`, ""},
		{"bad pressure has a quality", `strokebank_reading_quality{quality="bad",signal="pressure",` + dark + `}`, "1"},
		{"the other qualities are 0", `strokebank_reading_quality{quality="good",signal="pressure",` + dark + `}`, "0"},
		{"293.15 K is 20 °C", `strokebank_reading_celsius{signal="oil_temperature",` + known + `}`, "20"},
		{"contact", `strokebank_reading_state{signal="mains",` + known + `}`, "1"},
		{"absolute gas pressure", `strokebank_gas_absolute_pressure_pascals{` + known + `}`, "900000"},
		{"absolute gas pressure unknown", `strokebank_gas_absolute_pressure_pascals{` + dark + `}`, ""},
		{"power lost", `strokebank_power_lost{` + dark + `}`, "1"},
		{"run seconds since the start", `strokebank_machine_run_seconds_total{machine="pump1",` + known + `}`, "30"},
		{"starts since the start", `strokebank_machine_starts_total{machine="pump1",` + known + `}`, "2"},
		{"unobserved seconds", `strokebank_machine_unobserved_seconds_total{machine="pump1",` + known + `}`, "1"},
		{"lifetime run seconds", `strokebank_machine_lifetime_run_seconds{machine="pump1",` + known + `}`, "3600"},
		{"lifetime starts", `strokebank_machine_lifetime_starts{machine="pump1",` + known + `}`, "12"},
		{"running", `strokebank_machine_running{machine="pump1",` + known + `}`, "1"},
		{"running unknown", `strokebank_machine_running{machine="pump1",` + dark + `}`, ""},
		{"available unknown", `strokebank_machine_available{machine="pump1",` + dark + `}`, ""},
		{"share of run", `strokebank_machine_run_share_ratio{machine="pump1",` + known + `,window="24h"}`, "0.6"},
		{"share of run unknown", `strokebank_machine_run_share_ratio{machine="pump1",` + dark + `,window="24h"}`, ""},
		{"imbalance", `strokebank_pair_imbalance_ratio{pair="pump",` + known + `}`, "-0.2"},
		{"redundancy", `strokebank_pair_redundancy{pair="pump",redundancy="both",` + known + `}`, "1"},
		{"redundancy unknown", `strokebank_pair_available_machines{pair="pump",` + dark + `}`, ""},
		{"alarm raised", `strokebank_alarm_active{alarm="low_pressure",` + known[:20] + `,source="unit",unit="AU-7"}`, "1"},
		{"alarm not raised", `strokebank_alarm_active{alarm="overload",` + known[:20] + `,source="pump1",unit="AU-7"}`, "0"},
		{"alarm unknown", `strokebank_alarm_active{alarm="low_pressure",` + known[:20] + `,source="unit",unit="AU-8"}`, ""},
		{"state of an unknown alarm", `strokebank_alarm_state{alarm="low_pressure",` + known[:20] + `,source="unit",state="unknown",unit="AU-8"}`, "1"},
		{"priority", `strokebank_alarm_priority{alarm="low_pressure",priority="high",` + known[:20] + `,source="unit",unit="AU-7"}`, "1"},
		{"another part's figure", `strokebank_link_up{link="field"}`, "0"},
	}
	for _, c := range tests {
		t.Run(c.name, func(t *testing.T) {
			got := valueOf(text, c.series)
			if got != c.value {
				t.Errorf("%s is %q, want %q", c.series, got, c.value)
			}
		})
	}
}

// Of what the machines achieve, what is lost, proven and due: the value where it
// is known, nothing where it is not.
func TestSeriesOfWorks(t *testing.T) {
	untrusted := everything()
	untrusted.Unit, untrusted.ClockTrusted = "AU-9", false
	text, _ := scrape(t, handler(t, board{everything(), blind(), untrusted}), "text/plain")
	const days = 86400
	for _, c := range []struct {
		name, labels string // before site and unit, with the comma
		known, dark  string // in unit AU-8
		untrusted    string // in unit AU-9
	}{
		{"machine_output_ratio", `machine="pump1",`, "0.9", "", "0.9"},
		{"machine_output_uncertainty_ratio", `machine="pump1",`, "0.01", "", "0.01"},
		{"machine_output_smoothed_ratio", `machine="pump1",`, "0.92", "", "0.92"},
		{"machine_output_cubic_meters_per_second", `machine="pump1",`, "0.000351", "", "0.000351"},
		{"machine_baseline_cubic_meters_per_second", `machine="pump1",`, "0.00039", "", "0.00039"},
		{"machine_output_limit_timestamp_seconds", `figure="expected",machine="pump1",`, fmt.Sprint(noon.Unix() + 40*days), "", fmt.Sprint(noon.Unix() + 40*days)},
		{"machine_output_limit_timestamp_seconds", `figure="earliest",machine="pump1",`, fmt.Sprint(noon.Unix() + 30*days), "", fmt.Sprint(noon.Unix() + 30*days)},
		{"machine_output_limit_timestamp_seconds", `figure="latest",machine="pump1",`, fmt.Sprint(noon.Unix() + 60*days), "", fmt.Sprint(noon.Unix() + 60*days)},
		{"gas_temperature_ratio", "", "0.97", "", "0.97"},
		{"gas_temperature_band_ratio", "", "0.02", "", "0.02"},
		{"air_ratio", "", "1.01", "", "1.01"},
		{"heat_exchange_seconds", "", "120", "", "120"},
		{"oil_decline_cubic_meters_per_second", "", "1e-07", "", "1e-07"},
		{"oil_decline_band_cubic_meters_per_second", "", "5e-08", "", "5e-08"},
		{"air_decline_ratio_per_second", "", "5e-08", "", "5e-08"},
		{"air_decline_band_ratio_per_second", "", "2.5e-08", "", "2.5e-08"},
		{"oil_inventory_cubic_meters", "", "1.25", "", "1.25"},
		{"oil_lost_cubic_meters_per_second", "", "2e-08", "", "2e-08"},
		{"oil_lost_band_cubic_meters_per_second", "", "3e-08", "", "3e-08"},
		{"proof_proven", `function="pump1.delivers",`, "1", "0", "1"},
		{"proof_age_seconds", `function="pump1.delivers",`, "3600", "", ""},
		{"proof_until_due_seconds", `function="pump1.delivers",`, fmt.Sprint(89 * days), "", ""},
		{"service_used_ratio", `source="pump1",task="strainer",`, "0.95", "0", "0.95"},
		{"service_run_until_due_seconds", `source="pump1",task="strainer",`, "180000", "", "180000"},
		{"service_starts_until_due", `source="pump1",task="strainer",`, "488", "", "488"},
		{"service_calendar_until_due_seconds", `source="pump1",task="strainer",`, fmt.Sprint(100 * days), "", ""},
		{"service_forecast_until_due_seconds", `source="pump1",task="strainer",`, fmt.Sprint(20 * days), "", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			for unit, want := range map[string]string{"AU-7": c.known, "AU-8": c.dark, "AU-9": c.untrusted} {
				if got := labelled(text, prefix+c.name, c.labels+`site="Quillen Reach",unit="`+unit+`",`); got != want {
					t.Errorf("%s of %s is %q, want %q", c.labels, unit, got, want)
				}
			}
		})
	}
}

// labelled is valueOf for labels in any order.
func labelled(text, name, labels string) string {
	all := strings.Split(strings.TrimSuffix(labels, ","), ",")
	slices.Sort(all)
	return valueOf(text, name+"{"+strings.Join(all, ",")+"}")
}

// valueOf is what stands behind a series; empty where it is absent.
func valueOf(text, series string) string {
	for line := range strings.Lines(text) {
		if rest, ok := strings.CutPrefix(line, series+" "); ok {
			value := strings.TrimSpace(rest)
			var f float64
			if _, err := fmt.Sscan(value, &f); err == nil {
				return fmt.Sprintf("%.10g", f)
			}
			return value
		}
	}
	return ""
}

// The lint of Prometheus itself: units in names, _total, help.
func TestPromtoolIsContent(t *testing.T) {
	tool, err := exec.LookPath("promtool")
	if err != nil {
		t.Fatal("install prometheus: this test needs its promtool")
	}
	text, _ := scrape(t, handler(t, board{everything(), blind()}, linkUp), "text/plain")
	check := exec.CommandContext(t.Context(), tool, "check", "metrics")
	check.Stdin = strings.NewReader(text)
	out, err := check.CombinedOutput()
	if err != nil || len(out) != 0 {
		t.Errorf("promtool check metrics: %v\n%s", err, out)
	}
}

func TestCountersBeginWithTheProcess(t *testing.T) {
	polls := Figure{Name: "polls_total", Help: "Polls.", Counter: true, Read: func(emit func(float64, ...string)) { emit(7) }}
	text, contentType := scrape(t, handler(t, board{everything()}, polls), "application/openmetrics-text; version=1.0.0")
	if !strings.HasPrefix(contentType, "application/openmetrics-text") {
		t.Fatalf("content type %q", contentType)
	}
	if !strings.HasSuffix(text, "# EOF\n") {
		t.Error("no end mark (OpenMetrics 1.0, overall structure)")
	}
	want := fmt.Sprintf("%.10g", float64(noon.Unix()-3600))
	for _, created := range []string{`strokebank_machine_run_seconds_created{machine="pump1",site="Quillen Reach",unit="AU-7"}`, `strokebank_polls_created`} {
		if got := valueOf(text, created); got != want {
			t.Errorf("%s is %q, want %q", created, got, want)
		}
	}
}

func TestOneDuplicateDoesNotCostTheRest(t *testing.T) {
	double := Figure{Name: "twice", Help: "Emitted twice.", Read: func(emit func(float64, ...string)) { emit(1); emit(2) }}
	wrong := Figure{Name: "unlabelled", Help: "Lacks its label.", Labels: []string{"link"}, Read: func(emit func(float64, ...string)) { emit(1) }}
	a := everything()
	a.Alarms = append(a.Alarms, a.Alarms[0])
	text, _ := scrape(t, handler(t, board{a}, double, wrong, linkUp), "text/plain")
	for _, want := range []string{`strokebank_reserve_known{site="Quillen Reach",unit="AU-7"}`, `strokebank_link_up{link="panel"}`} {
		if valueOf(text, want) != "1" {
			t.Errorf("%s is missing from a scrape with a duplicate in it", want)
		}
	}
}

func TestWrongFiguresAreRefused(t *testing.T) {
	none := func(func(float64, ...string)) {}
	tests := []struct {
		name    string
		figures []Figure
	}{
		{"a name twice", []Figure{{Name: "x", Help: "h", Read: none}, {Name: "x", Help: "h", Read: none}}},
		{"a name of this room", []Figure{{Name: "reserve_known", Help: "h", Labels: []string{"site"}, Read: none}}},
		{"no name at all", []Figure{{Name: "\xff", Help: "h", Read: none}}},
		{"a label twice", []Figure{{Name: "x", Help: "h", Labels: []string{"a", "a"}, Read: none}}},
	}
	for _, c := range tests {
		t.Run(c.name, func(t *testing.T) {
			if _, err := New(board{}, Info{}, c.figures...); err == nil {
				t.Error("accepted")
			}
		})
	}
}

func TestNothingBeforeTheFirstScan(t *testing.T) {
	for name := range families(t, handler(t, board{})) {
		if strings.HasPrefix(name, prefix) && name != prefix+"build_info" {
			t.Errorf("%s is there although nothing has been judged", name)
		}
	}
}

func BenchmarkScrape(b *testing.B) {
	for _, n := range []int{1, 20} {
		b.Run(fmt.Sprintf("units=%d", n), func(b *testing.B) {
			var all board
			for i := range n {
				a := everything()
				a.Unit = fmt.Sprintf("AU-%d", i)
				all = append(all, a)
			}
			h := handler(b, all)
			b.ReportAllocs()
			for b.Loop() {
				text, _ := scrape(b, h, "text/plain")
				if len(text) == 0 {
					b.Fatal("nothing scraped")
				}
			}
		})
	}
}
