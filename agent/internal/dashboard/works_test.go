package dashboard

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/rules/machine"
	"strokebank/rules/machine/work"
	"strokebank/rules/proof"
	"strokebank/sensors/signal"
)

// shop is what the four machines of AU-7 did in the last 120 days, invented:
// each pump runs twice a day by turns, 600 s, each compressor once in two
// days. Pump 2 gets weaker; a day that nobody watched lies ten days back.
type shop struct {
	runs    []rules.NumberedRun
	entries []rules.Entry
	err     error
}

const shopDays = 120

func newShop(now time.Time) *shop {
	s := &shop{}
	gone := now.AddDate(0, 0, -10).Truncate(time.Hour)
	for hour := shopDays * 24; hour > 0; hour-- {
		at := now.Add(-time.Duration(hour) * time.Hour).Truncate(time.Minute)
		if !at.Before(gone) && at.Before(gone.Add(24*time.Hour)) {
			continue
		}
		position, seconds := "", 600.0
		switch {
		case hour%12 == 0:
			position = "pump1"
		case hour%12 == 6 && hour%36 != 6:
			position = "pump2"
		case hour%48 == 3:
			position, seconds = "compressor1", 900
		case hour%48 == 27:
			position, seconds = "compressor2", 900
		default:
			continue
		}
		s.run(position, at, seconds, hour)
	}
	s.entries = append(s.entries, rules.Entry{Seq: uint64(len(s.entries) + 1), Event: rules.Event{Kind: rules.GapEvent, Unit: "AU-7", Source: "unit", Name: "not observed",
		Time: gone.Add(24 * time.Hour), From: gone.UTC().Format(time.RFC3339), To: gone.Add(24 * time.Hour).UTC().Format(time.RFC3339)}})
	return s
}

// run adds a run with what it achieved; back is how many hours ago it was.
func (s *shop) run(position string, at time.Time, seconds float64, back int) {
	at = at.UTC()
	r := machine.Run{Position: position, Start: at, End: at.Add(time.Duration(seconds) * time.Second), Seconds: seconds, Lead: true, StartSeen: true}
	s.runs = append(s.runs, rules.NumberedRun{Number: uint64(len(s.runs) + 1), Run: r})
	wave := 0.008 * math.Sin(float64(back)*1.7)
	e := rules.Event{Kind: rules.FillEvent, Time: r.End, ClockTrusted: true, Unit: "AU-7", Source: position, Name: "filled"}
	no := signal.Unknown()
	if strings.HasPrefix(position, "compressor") {
		flow := signal.Number(0.0042 * (1 + wave))
		e.Kind, e.Name = rules.ChargeEvent, "charged"
		e.Charge = &work.Charge{Position: position, Start: r.Start, End: r.End, Seconds: seconds, Runs: 1, Place: work.Lead, FreeAir: flow * 900, Flow: flow,
			Corrected: flow, Uncertainty: 0.011, OilBefore: no, OilAfter: no, PressureBefore: 8.9e5, PressureAfter: 9.3e5, Quality: signal.Good, Counts: true, Ratio: flow / 0.0042}
	} else {
		flow := signal.Number(0.0004 * (1 + wave))
		if position == "pump2" {
			flow *= signal.Number(1 - 0.0016*float64(shopDays-back/24))
		}
		e.Fill = &work.Fill{Position: position, Start: r.Start, End: r.End, Seconds: seconds, Place: work.Lead, Volume: flow * 600, Flow: flow, Corrected: flow,
			Uncertainty: 0.006, LevelBefore: 1.4, LevelAfter: 1.5, PressureBefore: 8.1e5, PressureAfter: 8.3e5, OilTemperature: no, Quality: signal.Good, Counts: true, Ratio: flow / 0.0004}
		if back%42 == 0 {
			e.Fill.Counts, e.Fill.Reason, e.Fill.Corrected = false, "too short or not steady", no
		}
	}
	s.entries = append(s.entries, rules.Entry{Schema: 1, ID: fmt.Sprintf("q7-%d", len(s.entries)+1), Seq: uint64(len(s.entries) + 1), Durable: true, Event: e})
}

func (s *shop) RunsBefore(_ context.Context, unit, position string, before uint64, limit int) ([]rules.NumberedRun, error) {
	var out []rules.NumberedRun
	for _, r := range slices.Backward(s.runs) {
		if r.Position == position && (before == 0 || r.Number < before) && len(out) < limit {
			out = append(out, r)
		}
	}
	return out, s.err
}

func (s *shop) EachRun(_ context.Context, unit string, from, to time.Time, take func(rules.NumberedRun) bool) error {
	for _, r := range s.runs {
		if !r.End.Before(from) && r.Start.Before(to) && !take(r) {
			break
		}
	}
	return s.err
}

func (s *shop) Each(_ context.Context, q rules.Search, take func(rules.Entry) bool) error {
	for _, e := range s.entries {
		if q.Fits(&e) && !take(e) {
			break
		}
	}
	return s.err
}

// withFaults puts what was found of the machines into the journal.
func withFaults(b *book, t time.Time) *book {
	add := func(ago time.Duration, source, name, title string, p alarm.Priority, values ...rules.Value) {
		b.entries = append(b.entries, rules.Entry{Schema: 1, ID: fmt.Sprintf("q7-%d", len(b.entries)+1), Seq: uint64(len(b.entries) + 1), Durable: true, Event: rules.Event{
			Kind: rules.AlarmEvent, Time: t.Add(-ago).UTC(), ClockTrusted: true, Site: "Quillen Reach", Unit: "AU-7", Source: source, Name: name, Title: title,
			From: "normal", To: "unacknowledged", Priority: p, Values: values}})
	}
	const flow = "m³/s"
	add(26*24*time.Hour, "compressor1", "spurious_stop", "Machine stopped while it was needed", alarm.Low,
		rules.Value{Name: "process", Value: 7.94e5, Unit: "Pa"}, rules.Value{Name: "cut_out", Value: 8.3e5, Unit: "Pa"}, rules.Value{Name: "this_run", Value: 41, Unit: "s"})
	add(9*24*time.Hour, "pump2", "output_falling", "Machine delivers less and less", alarm.Low,
		rules.Value{Name: "value", Value: 0.83, Unit: "1"}, rules.Value{Name: "limit", Value: 0.7, Unit: "1"}, rules.Value{Name: "baseline", Value: 0.0004, Unit: flow},
		rules.Value{Name: "last", Value: 0.000331, Unit: flow}, rules.Value{Name: "slope_per_day", Value: -0.0016}, rules.Value{Name: "z", Value: -6.1},
		rules.Value{Name: "falls_under_limit_at", Value: signal.Number(t.AddDate(0, 2, 15).Unix()), Unit: "s since 1970"})
	add(41*time.Minute, "pump2", "overload", "Overload tripped", alarm.Medium)
	return b
}

// since lets the record begin with an event so many days before.
func (b *book) since(t time.Time, days int) *book {
	b.entries[0].Time = t.AddDate(0, 0, -days)
	return b
}

// withTests puts the record of a test into the journal.
func withTests(b *book, t time.Time) *book {
	record := &proof.Test{By: "B. Haddad", Note: "yearly test", Begin: t.AddDate(0, 0, -31).UTC(), End: t.AddDate(0, 0, -31).Add(95 * time.Minute).UTC()}
	for i, f := range functions(t) {
		r := proof.Result{Function: f.Function, Title: f.Title, Outcome: proof.NotSeen}
		switch i {
		case 5:
			r.Outcome, r.By = proof.Pass, "closing stroke in 12 s"
		case 6:
			r.Outcome, r.By = proof.Fail, "closing stroke not done in 17 s"
		}
		record.Results = append(record.Results, r)
	}
	b.entries = append(b.entries, rules.Entry{Schema: 1, ID: fmt.Sprintf("q7-%d", len(b.entries)+1), Seq: uint64(len(b.entries) + 1), Durable: true, Event: rules.Event{
		Kind: rules.TestEvent, Time: record.End, ClockTrusted: true, Unit: "AU-7", Source: "unit", Name: "ended", Test: true, Record: record}})
	return b
}

func shopHandler(s *shop) http.Handler {
	return New(Options{Units: newBoard(stored(noon)), Events: withFaults(journal(noon, 40).since(noon, shopDays), noon), Now: at(noon), Works: s})
}

func TestWorkRoutes(t *testing.T) {
	h := shopHandler(newShop(noon))
	broken := newShop(noon)
	broken.err = errors.New("disk")
	for _, c := range []struct {
		name, path string
		of         http.Handler
		status     int
		contains   string
	}{
		{"runs", "/api/v1/runs?unit=AU-7&machine=pump1", h, 200, `"start_seen":true`},
		{"runs of no machine", "/api/v1/runs?unit=AU-7&machine=unit", h, 400, "machine must name a machine"},
		{"runs of no unit", "/api/v1/runs?unit=AU-9&machine=pump1", h, 400, "unit must name a unit"},
		{"too many runs", "/api/v1/runs?unit=AU-7&machine=pump1&limit=501", h, 400, "1 to 500"},
		{"runs before nonsense", "/api/v1/runs?unit=AU-7&machine=pump1&before=x", h, 400, "before"},
		{"output", "/api/v1/output?unit=AU-7&machine=pump2", h, 200, `"limit_ratio":0.7`},
		{"output of no machine", "/api/v1/output?unit=AU-7&machine=x", h, 400, "machine must name"},
		{"output at no time", "/api/v1/output?unit=AU-7&machine=pump2&from=x", h, 400, "from must be a time"},
		{"output in no points", "/api/v1/output?unit=AU-7&machine=pump2&points=0", h, 400, "points must be"},
		{"duty", "/api/v1/duty?unit=AU-7", h, 200, `"unobserved_seconds":[0]`},
		{"duty too fine", "/api/v1/duty?unit=AU-7&step=60", h, 400, "an hour at least"},
		{"duty too long", "/api/v1/duty?unit=AU-7&from=2024-01-01T00:00:00Z", h, 400, "400 steps at most"},
		{"duty in nonsense", "/api/v1/duty?unit=AU-7&step=-1", h, 400, "whole seconds"},
		{"duty of no unit", "/api/v1/duty?unit=AU-9", h, 400, "unit must name"},
		{"faults", "/api/v1/faults?unit=AU-7", h, 200, `"failure_mode":"UST"`},
		{"faults of no unit", "/api/v1/faults?unit=AU-9", h, 400, "unit must name"},
		{"runs, disk gone", "/api/v1/runs?unit=AU-7&machine=pump1", shopHandler(broken), 503, "cannot be read"},
		{"output, disk gone", "/api/v1/output?unit=AU-7&machine=pump1", shopHandler(broken), 503, "cannot be read"},
		{"duty, disk gone", "/api/v1/duty?unit=AU-7", shopHandler(broken), 503, "cannot be read"},
		{"described", "/api/v1/", h, 200, "/api/v1/duty"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := serve(t, c.of, "GET", c.path, nil)
			if text := body(t, r); r.StatusCode != c.status || !strings.Contains(text, c.contains) {
				t.Errorf("status %d, %.300s", r.StatusCode, text)
			}
		})
	}
}

func TestRunsPageByPage(t *testing.T) {
	s := newShop(noon)
	h, seen, next := shopHandler(s), 0, 0.0
	for pages := 0; ; pages++ {
		got := decoded(t, serve(t, h, "GET", fmt.Sprintf("/api/v1/runs?unit=AU-7&machine=pump1&limit=100&before=%.0f", next), nil))
		seen += len(got["runs"].([]any))
		if next = got["next"].(float64); next == 0 {
			if pages != 2 {
				t.Errorf("%d pages", pages+1)
			}
			break
		}
	}
	if want := 2*shopDays - 2; seen != want {
		t.Errorf("%d runs, want %d", seen, want)
	}
}

func TestOutputKeepsExtremesWhenGathered(t *testing.T) {
	s := newShop(noon)
	h := shopHandler(s)
	from := noon.AddDate(0, 0, -110).Format(time.RFC3339)
	rows := func(points int) (map[string]any, []any) {
		got := decoded(t, serve(t, h, "GET", fmt.Sprintf("/api/v1/output?unit=AU-7&machine=pump2&from=%s&points=%d", from, points), nil))
		return got, got["rows"].([]any)
	}
	one, each := rows(2000)
	few, gathered := rows(30)
	if one["step_seconds"].(float64) != 0 || few["step_seconds"].(float64) == 0 || len(gathered) > 30 || len(each) < 100 {
		t.Fatalf("%d rows in steps of %v, %d in steps of %v", len(each), one["step_seconds"], len(gathered), few["step_seconds"])
	}
	sum := func(rows []any) (least, most, runs, counted float64) {
		least = math.Inf(1)
		for _, x := range rows {
			r := x.(map[string]any)
			runs, counted = runs+r["runs"].(float64), counted+r["counted"].(float64)
			if v, ok := r["least"].(float64); ok {
				least, most = min(least, v), max(most, r["most"].(float64))
				if m := r["mean"].(float64); m < v || m > r["most"].(float64) {
					t.Errorf("mean %v outside of %v to %v", m, v, r["most"])
				}
			} else if r["counted"].(float64) != 0 {
				t.Errorf("%v", r)
			}
		}
		return
	}
	a1, b1, c1, d1 := sum(each)
	a2, b2, c2, d2 := sum(gathered)
	if a1 != a2 || b1 != b2 || c1 != c2 || d1 != d2 || d1 >= c1 {
		t.Errorf("one by one %v %v %v %v, gathered %v %v %v %v", a1, b1, c1, d1, a2, b2, c2, d2)
	}
}

func TestDutyByHand(t *testing.T) {
	day := noon.Truncate(24 * time.Hour)
	s := &shop{}
	add := func(position string, start time.Time, seconds float64) {
		s.runs = append(s.runs, rules.NumberedRun{Run: machine.Run{Position: position, Start: start, End: start.Add(time.Duration(seconds) * time.Second), Seconds: seconds, StartSeen: true}})
	}
	add("pump1", day.Add(-25*time.Hour), 600)              // the day before yesterday
	add("pump2", day.Add(-10*time.Minute), 1500)           // over midnight: 600 and 900 s
	add("compressor1", day.Add(-24*time.Hour), 100)        // at the very beginning
	add("pump1", day.Add(-48*time.Hour-time.Minute), 1800) // began before
	s.entries = []rules.Entry{{Event: rules.Event{Kind: rules.GapEvent, Unit: "AU-7", Time: day.Add(2 * time.Hour), From: day.Add(-time.Hour).Format(time.RFC3339), To: day.Add(2 * time.Hour).Format(time.RFC3339)}}}
	a := stored(noon)
	a.Machines[0].State, a.Machines[0].Since, a.Machines[0].ThisRunSeconds = machine.Running, noon.Add(-94*time.Second), 94
	h := New(Options{Units: newBoard(a), Events: &book{}, Now: at(noon), Works: s})
	got := decoded(t, serve(t, h, "GET", "/api/v1/duty?unit=AU-7&from="+day.Add(-48*time.Hour).Format(time.RFC3339), nil))
	want := map[string][2]string{
		"pump1": {"[2340 0 94]", "[1 0 1]"}, "pump2": {"[0 600 900]", "[0 1 0]"},
		"compressor1": {"[0 100 0]", "[0 1 0]"}, "compressor2": {"[0 0 0]", "[0 0 0]"},
	}
	for _, x := range got["machines"].([]any) {
		m := x.(map[string]any)
		if w := want[m["position"].(string)]; fmt.Sprint(m["run_seconds"]) != w[0] || fmt.Sprint(m["starts"]) != w[1] {
			t.Errorf("%s ran %v with %v starts, want %v", m["position"], m["run_seconds"], m["starts"], w)
		}
	}
	if s := fmt.Sprint(got["unobserved_seconds"]); s != "[0 3600 7200]" {
		t.Errorf("not observed %s", s)
	}
	// Before the record begins nobody knows whether a machine ran.
	h = New(Options{Units: newBoard(a), Events: journal(day.Add(-24*time.Hour), 1), Now: at(noon), Works: &shop{}})
	got = decoded(t, serve(t, h, "GET", "/api/v1/duty?unit=AU-7&from="+day.Add(-36*time.Hour).Format(time.RFC3339), nil))
	if s := fmt.Sprint(got["unobserved_seconds"]); s != "[43200 0]" {
		t.Errorf("before the record %s", s)
	}
}

func TestFaultsWithTheirEvidence(t *testing.T) {
	h := shopHandler(newShop(noon))
	got := decoded(t, serve(t, h, "GET", "/api/v1/faults?unit=AU-7&limit=2", nil))
	list := got["faults"].([]any)
	if len(list) != 2 || got["next"].(float64) == 0 {
		t.Fatalf("%v", got)
	}
	first, second := list[0].(map[string]any), list[1].(map[string]any)
	if first["alarm"] != "overload" || first["state_now"] != "normal" || second["alarm"] != "output_falling" || second["failure_mode"] != "LOO" ||
		len(second["evidence"].([]any)) != 7 || len(second["likely_causes"].([]any)) == 0 || second["meaning"] == "" {
		t.Errorf("%v", list)
	}
	rest := decoded(t, serve(t, h, "GET", fmt.Sprintf("/api/v1/faults?unit=AU-7&before=%.0f", got["next"]), nil))
	if l := rest["faults"].([]any); len(l) != 1 || l[0].(map[string]any)["source"] != "compressor1" || rest["next"].(float64) != 0 {
		t.Errorf("the rest: %v", rest)
	}
	if l := decoded(t, serve(t, h, "GET", "/api/v1/faults?unit=AU-7&machine=compressor1", nil))["faults"].([]any); len(l) != 1 {
		t.Errorf("of one machine: %v", l)
	}
}
