package metrics

import (
	"fmt"
	"os/exec"
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
