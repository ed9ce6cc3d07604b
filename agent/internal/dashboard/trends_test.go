package dashboard

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/url"
	"reflect"
	"strings"
	"sync"
	"testing"
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
)

// years is a past computed from the time: pressure swings by day, one spike,
// and a gap in which nobody watched.
type years struct {
	now        time.Time
	spike      time.Time // a minute at 11.9 bar
	gone, back time.Time // the gap
	err        error

	mu    sync.Mutex // the page asks for several series at once
	asked []asking
}

type asking struct {
	name     string
	from, to time.Time
	step     time.Duration
}

func newYears(now time.Time) *years {
	return &years{now: now, spike: now.Add(-80 * 24 * time.Hour), gone: now.Add(-5*time.Hour - 20*time.Minute), back: now.Add(-3 * time.Hour)}
}

func (y *years) Curve(_ context.Context, unit, name string, from, to time.Time, step time.Duration) ([]rules.Trend, error) {
	y.mu.Lock()
	y.asked = append(y.asked, asking{name, from, to, step})
	y.mu.Unlock()
	var rows []rules.Trend
	scale, base := 1.2e5, 8e5
	switch name {
	case "level":
		scale, base = 0.06, 1.42
	case "oil_inventory":
		scale, base = 0.01, 2.9
	case "oil_volume":
		scale, base = 0.09, 2.3
	case "reserve_at_least":
		scale, base = 1.2, 4.6
	case "reserve_expected":
		scale, base = 1.1, 5.4
	case "air_ratio":
		scale, base = 0.02, 0.98
	}
	for at := from.Truncate(step); at.Before(to) && at.Before(y.now); at = at.Add(step) {
		if at.Add(step).After(y.gone) && at.Before(y.back) && step <= y.back.Sub(y.gone) {
			continue
		}
		wave := math.Sin(float64(at.Unix())/7e3) + 0.4*math.Sin(float64(at.Unix())/9e5)
		mean := base + scale*wave/2
		r := rules.Trend{Name: name, Start: at, Seconds: step.Seconds(), Covered: step.Seconds(), Count: int(step.Seconds()), Min: mean - scale/9, Mean: mean, Max: mean + scale/8}
		if step > time.Hour {
			r.Min, r.Mean, r.Max = base-scale/2, base+scale*wave/9, base+scale/2
		}
		if name == "reserve_at_least" {
			r.Min, r.Mean, r.Max = math.Floor(r.Min), math.Floor(r.Mean), math.Floor(r.Max)
		}
		if name == "pressure" && !y.spike.Before(at) && y.spike.Before(at.Add(step)) {
			r.Max = 11.9e5
		}
		rows = append(rows, r)
	}
	return rows, y.err
}

func (y *years) Between(_ context.Context, unit string, from, to time.Time, take func(rules.Entry) bool) error {
	for i, e := range []rules.Event{
		{Kind: rules.AlarmEvent, Time: y.spike, To: string(alarm.Unacknowledged), Title: "High pressure", Priority: alarm.Medium},
		{Kind: rules.AlarmEvent, Time: y.spike.Add(time.Second), To: string(alarm.Acknowledged), Title: "High pressure", Priority: alarm.High},
		{Kind: rules.MachineEvent, Time: y.spike.Add(time.Second), Name: "started"},
		{Kind: rules.NoteEvent, Time: y.spike.Add(2 * time.Second), Name: "note"},
		{Kind: rules.AgentEvent, Time: y.gone, Source: "agent", Name: "stopped"},
		{Kind: rules.AgentEvent, Time: y.back, Source: "agent", Name: "started"},
		{Kind: rules.AlarmEvent, Time: y.back.Add(time.Minute), To: string(alarm.Unacknowledged), Title: "Low reserve", Priority: alarm.High},
	} {
		if !e.Time.Before(from) && e.Time.Before(to) && !take(rules.Entry{Seq: uint64(i + 1), Event: e}) {
			return nil
		}
	}
	return y.err
}

func TestTrendsAnswer(t *testing.T) {
	y := newYears(noon)
	h := New(Options{Units: newBoard(), Events: &book{}, Now: at(noon), Past: y})
	got := decoded(t, serve(t, h, "GET", "/api/v1/trends?unit=AU-7&name=pressure&points=720", nil))
	if got["unit_of_measure"] != "Pa" || got["step_seconds"] != 120.0 || got["from"] != "2026-03-13T11:20:00Z" || got["to"] != "2026-03-14T11:20:31Z" {
		t.Errorf("%v %v %v %v", got["unit_of_measure"], got["step_seconds"], got["from"], got["to"])
	}
	all := got["stretches"].([]any)
	if len(all) != 2 {
		t.Fatalf("%d stretches, want two with the gap between them", len(all))
	}
	first, second := all[0].(map[string]any), all[1].(map[string]any)
	offsets := first["offset_seconds"].([]any)
	end := offsets[len(offsets)-1].(float64) + 120
	if begin := second["offset_seconds"].([]any)[0].(float64); end != 67200 || begin != 75720 {
		t.Errorf("the gap is from %v to %v s", end, begin)
	}
	for _, list := range []string{"length_seconds", "covered_seconds", "count", "min", "mean", "max"} {
		if len(first[list].([]any)) != len(offsets) {
			t.Errorf("%s has another length", list)
		}
	}
	if y.asked[0].step != 2*time.Minute || y.asked[0].name != "pressure" {
		t.Errorf("asked %+v", y.asked[0])
	}
}

func TestTrendsOfAYearKeepTheSpike(t *testing.T) {
	h := New(Options{Units: newBoard(), Events: &book{}, Now: at(noon), Past: newYears(noon)})
	from := noon.AddDate(-1, 0, 0).Format(time.RFC3339)
	got := decoded(t, serve(t, h, "GET", "/api/v1/trends?unit=AU-7&name=pressure&points=1000&from="+from, nil))
	most := 0.0
	for _, s := range got["stretches"].([]any) {
		for _, v := range s.(map[string]any)["max"].([]any) {
			most = max(most, v.(float64))
		}
	}
	if most != 11.9e5 || got["step_seconds"] != 43200.0 {
		t.Errorf("most %v in steps of %v", most, got["step_seconds"])
	}
}

func TestPastRefusesWhatIsWrong(t *testing.T) {
	h := New(Options{Units: newBoard(), Events: &book{}, Now: at(noon), Past: newYears(noon)})
	for _, c := range []struct{ name, query, words string }{
		{"no unit", "name=pressure", "unit must"},
		{"no such name", "unit=AU-7&name=drop+table", "name must be one of"},
		{"no time", "unit=AU-7&name=level&from=yesterday", "from must be a time"},
		{"backwards", "unit=AU-7&name=level&from=2026-03-15T00:00:00Z", "before to"},
		{"too long", "unit=AU-7&name=level&from=1990-01-01T00:00:00Z", "twenty years"},
		{"far future", "unit=AU-7&name=level&to=9999-01-01T00:00:00Z", "to must be a time"},
		{"too many points", "unit=AU-7&name=level&points=2001", "1 to 2000"},
		{"no points", "unit=AU-7&name=level&points=0", "1 to 2000"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := serve(t, h, "GET", "/api/v1/trends?"+c.query, nil)
			if got := body(t, r); r.StatusCode != 400 || !strings.Contains(got, c.words) {
				t.Errorf("%d %s", r.StatusCode, got)
			}
		})
	}
	broken := newYears(noon)
	broken.err = errors.New("disk: secret path")
	h = New(Options{Units: newBoard(), Events: &book{}, Now: at(noon), Past: broken})
	for _, path := range []string{"/api/v1/trends?unit=AU-7&name=level", "/api/v1/marks?unit=AU-7"} {
		if r := serve(t, h, "GET", path, nil); r.StatusCode != 503 || strings.Contains(body(t, r), "secret") {
			t.Errorf("%s: %d", path, r.StatusCode)
		}
	}
	h = New(Options{Units: newBoard(), Events: &book{}, Now: at(noon)})
	for _, path := range []string{"/api/v1/trends?unit=AU-7&name=level", "/api/v1/marks?unit=AU-7", "/api/v1/suppose?unit=AU-7"} {
		if r := serve(t, h, "GET", path, nil); r.StatusCode != 404 {
			t.Errorf("%s without its source: %d", path, r.StatusCode)
		}
	}
}

func TestTrendsTagAndCompression(t *testing.T) {
	h := New(Options{Units: newBoard(), Events: &book{}, Now: at(noon), Past: newYears(noon)})
	path := "/api/v1/trends?unit=AU-7&name=pressure&to=2026-03-14T11:00:00Z"
	small := serve(t, h, "GET", path, map[string]string{"Accept-Encoding": "gzip"})
	again := serve(t, h, "GET", path, map[string]string{"If-None-Match": small.Header.Get("ETag")})
	if small.Header.Get("Content-Encoding") != "gzip" || again.StatusCode != 304 {
		t.Errorf("%v, then %d", small.Header, again.StatusCode)
	}
	// The most that one question can bring.
	r := serve(t, h, "GET", path+"&points=2000", map[string]string{"Accept-Encoding": "gzip"})
	if n := r.ContentLength; n > 150_000 {
		t.Errorf("%d bytes", n)
	} else {
		t.Logf("%d bytes, %d plain", n, len(body(t, r)))
	}
}

func TestStepFor(t *testing.T) {
	for _, c := range []struct {
		length time.Duration
		points int
		want   time.Duration
	}{
		{time.Hour, 500, time.Minute}, {24 * time.Hour, 500, 5 * time.Minute}, {24 * time.Hour, 1440, time.Minute},
		{30 * 24 * time.Hour, 720, time.Hour}, {365 * 24 * time.Hour, 730, 12 * time.Hour},
		{3650 * 24 * time.Hour, 1000, 5 * 24 * time.Hour}, {maxRange, 1, 10 * 24 * time.Hour},
	} {
		if got := stepFor(c.length, c.points); got != c.want {
			t.Errorf("%v in %d points: %v, want %v", c.length, c.points, got, c.want)
		}
	}
}

func TestMarksNameTheMostUrgent(t *testing.T) {
	y := newYears(noon)
	h := New(Options{Units: newBoard(), Events: &book{}, Now: at(noon), Past: y})
	from := noon.AddDate(-1, 0, 0).Format(time.RFC3339)
	var got []string
	for _, m := range decoded(t, serve(t, h, "GET", "/api/v1/marks?unit=AU-7&from="+from, nil))["marks"].([]any) {
		m := m.(map[string]any)
		got = append(got, fmt.Sprint(m["title"], " ", m["priority"], " ", m["events"]))
	}
	if want := []string{"High pressure medium 2", "Low reserve high 3"}; !reflect.DeepEqual(got, want) {
		t.Errorf("marks %q, want %q", got, want)
	}
	day := decoded(t, serve(t, h, "GET", "/api/v1/marks?unit=AU-7", nil))["marks"].([]any)
	if len(day) != 2 { // stopped; started with the alarm a minute after
		t.Errorf("%d marks of a day: %v", len(day), day)
	}
}

// many is a past full of events.
type many struct{ years }

func (m *many) Between(_ context.Context, _ string, from, to time.Time, take func(rules.Entry) bool) error {
	for at := from; at.Before(to); at = at.Add(7 * time.Minute) {
		take(rules.Entry{Event: rules.Event{Kind: rules.NoteEvent, Time: at, Name: "note"}})
	}
	return nil
}

func TestMarksAreBounded(t *testing.T) {
	h := New(Options{Units: newBoard(), Events: &book{}, Now: at(noon), Past: &many{}})
	for _, from := range []time.Time{noon.AddDate(-10, 0, 0), noon.Add(-24 * time.Hour), noon.Add(-time.Minute)} {
		r := decoded(t, serve(t, h, "GET", "/api/v1/marks?unit=AU-7&from="+from.Format(time.RFC3339), nil))
		if n := len(r["marks"].([]any)); n > maxMarks+1 || n == 0 {
			t.Errorf("%d marks", n)
		}
	}
}

// sayer answers with what it was asked.
type sayer struct{}

func (sayer) Suppose(unit string, given url.Values) ([]byte, []string) {
	switch {
	case unit != "AU-7":
		return nil, nil
	case given.Get("level") == "high":
		return nil, []string{"level: that is no level", "and another"}
	}
	return fmt.Appendf(nil, "{\"given\": %q}\n", given.Encode()), nil
}

func TestSupposeRoute(t *testing.T) {
	h := New(Options{Units: newBoard(), Events: &book{}, Suppose: sayer{}})
	for _, c := range []struct {
		name, query string
		status      int
		words       string
	}{
		{"answer", "unit=AU-7&add=XV-5+like+XV-1&level=1.1+m", 200, `{"given": "add=XV-5+like+XV-1&level=1.1+m"}`},
		{"faults", "unit=AU-7&level=high", 400, `"faults":["level: that is no level","and another"]`},
		{"no such unit", "unit=AU-9", 404, "no unit"},
		{"too much", "unit=AU-7&add=" + strings.Repeat("x", 2000), 414, "too much"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := serve(t, h, "GET", "/api/v1/suppose?"+c.query, nil)
			if got := body(t, r); r.StatusCode != c.status || !strings.Contains(got, c.words) {
				t.Errorf("%d %s", r.StatusCode, got)
			}
		})
	}
	first := serve(t, h, "GET", "/api/v1/suppose?unit=AU-7", nil)
	if r := serve(t, h, "GET", "/api/v1/suppose?unit=AU-7", map[string]string{"If-None-Match": first.Header.Get("ETag")}); r.StatusCode != 304 {
		t.Errorf("the same answer again: %d", r.StatusCode)
	}
}
