package dashboard

import (
	"compress/gzip"
	"encoding/json"
	"errors"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/sensors/signal"
)

func at(t time.Time) func() time.Time { return func() time.Time { return t } }

func serve(t testing.TB, h http.Handler, method, path string, head map[string]string) *http.Response {
	t.Helper()
	r := httptest.NewRequest(method, path, nil)
	for k, v := range head {
		r.Header.Set(k, v)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w.Result()
}

func body(t testing.TB, r *http.Response) string {
	t.Helper()
	in := io.Reader(r.Body)
	if r.Header.Get("Content-Encoding") == "gzip" {
		z, err := gzip.NewReader(r.Body)
		if err != nil {
			t.Fatal(err)
		}
		in = z
	}
	out, err := io.ReadAll(in)
	if err != nil {
		t.Fatal(err)
	}
	return string(out)
}

func decoded(t testing.TB, r *http.Response) map[string]any {
	t.Helper()
	out := map[string]any{}
	if err := json.Unmarshal([]byte(body(t, r)), &out); err != nil {
		t.Fatal(err)
	}
	return out
}

func TestRoutes(t *testing.T) {
	h := New(Options{Units: newBoard(stored(noon)), Events: journal(noon, 120), Now: at(noon)})
	cases := []struct {
		name, method, path string
		status             int
		kind, contains     string
	}{
		{"page", "GET", "/", 200, "text/html; charset=utf-8", "Shutdown cycles stored"},
		{"script", "GET", "/assets/main.js", 200, "text/javascript; charset=utf-8", "EventSource"},
		{"style", "GET", "/assets/style.css", 200, "text/css; charset=utf-8", "--ground"},
		{"icon", "GET", "/assets/icon.svg", 200, "image/svg+xml", "<svg"},
		{"no such asset", "GET", "/assets/other.js", 404, "", ""},
		{"page under its file name", "GET", "/assets/index.html", 404, "", ""},
		{"no such page", "GET", "/admin", 404, "", ""},
		{"index", "GET", "/api/v1/", 200, jsonKind, "/api/v1/live"},
		{"units", "GET", "/api/v1/units", 200, jsonKind, `"at_least_cycles":4`},
		{"unit", "GET", "/api/v1/units/AU-7", 200, jsonKind, `"oil_level":{"value":1.462,"unit":"m","quality":"good"`},
		{"no such unit", "GET", "/api/v1/units/AU-9", 404, jsonKind, "no unit"},
		{"events", "GET", "/api/v1/events", 200, jsonKind, `"newest":120`},
		{"events, bad limit", "GET", "/api/v1/events?limit=501", 400, jsonKind, "1 to 500"},
		{"events, zero limit", "GET", "/api/v1/events?limit=0", 400, jsonKind, "1 to 500"},
		{"events, bad after", "GET", "/api/v1/events?after=-1", 400, jsonKind, "sequence number"},
		{"health", "GET", "/healthz", 200, jsonKind, `"status":"fresh"`},
		{"head of the page", "HEAD", "/", 200, "text/html; charset=utf-8", ""},
		{"head of a unit", "HEAD", "/api/v1/units/AU-7", 200, jsonKind, ""},
		{"post to a unit", "POST", "/api/v1/units/AU-7", 405, "", ""},
		{"put to events", "PUT", "/api/v1/events", 405, "", ""},
		{"delete of the page", "DELETE", "/", 405, "", ""},
		{"post to the stream", "POST", "/api/v1/live", 405, "", ""},
		{"post to health", "POST", "/healthz", 405, "", ""},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := serve(t, h, c.method, c.path, nil)
			if r.StatusCode != c.status {
				t.Fatalf("status %d, want %d", r.StatusCode, c.status)
			}
			if c.kind != "" && r.Header.Get("Content-Type") != c.kind {
				t.Errorf("content type %q, want %q", r.Header.Get("Content-Type"), c.kind)
			}
			if r.StatusCode == 405 && r.Header.Get("Allow") != "GET, HEAD" {
				t.Errorf("allow %q", r.Header.Get("Allow"))
			}
			csp := r.Header.Get("Content-Security-Policy")
			if !strings.HasPrefix(csp, "default-src 'none'") || strings.Contains(csp, "unsafe") {
				t.Errorf("content security policy %q", csp)
			}
			if r.Header.Get("X-Content-Type-Options") != "nosniff" {
				t.Error("content type may be guessed")
			}
			if got := body(t, r); !strings.Contains(got, c.contains) {
				t.Errorf("%q is not in %s", c.contains, got)
			}
		})
	}
}

func TestTagAndCompression(t *testing.T) {
	h := New(Options{Units: newBoard(stored(noon)), Events: journal(noon, 3), Now: at(noon)})
	for _, path := range []string{"/", "/assets/main.js", "/assets/style.css", "/api/v1/units/AU-7"} {
		t.Run(path, func(t *testing.T) {
			plain := serve(t, h, "GET", path, nil)
			small := serve(t, h, "GET", path, map[string]string{"Accept-Encoding": "br, gzip"})
			refused := serve(t, h, "GET", path, map[string]string{"Accept-Encoding": "gzip;q=0"})
			if small.Header.Get("Content-Encoding") != "gzip" || refused.Header.Get("Content-Encoding") != "" {
				t.Fatal("compression does not follow Accept-Encoding")
			}
			if small.ContentLength >= plain.ContentLength || body(t, plain) != body(t, small) {
				t.Error("the compressed form is not the same thing made smaller")
			}
			tag := plain.Header.Get("ETag")
			again := serve(t, h, "GET", path, map[string]string{"If-None-Match": `W/"other", ` + tag})
			if tag == "" || again.StatusCode != 304 || body(t, again) != "" {
				t.Errorf("tag %q gave %d again", tag, again.StatusCode)
			}
			other := serve(t, h, "GET", path, map[string]string{"If-None-Match": `W/"other"`})
			if other.StatusCode != 200 {
				t.Errorf("another tag gave %d", other.StatusCode)
			}
		})
	}
}

func TestUnknownIsNullWithReason(t *testing.T) {
	h := New(Options{Units: newBoard(blind(noon)), Events: &book{}, Now: at(noon)})
	a := decoded(t, serve(t, h, "GET", "/api/v1/units/AU-7", nil))
	r := a["reserve"].(map[string]any)
	for _, name := range []string{"at_least_cycles", "expected_cycles", "full_charge_cycles", "hold_time_seconds", "usable_oil_cubic_meters"} {
		if v, there := r[name]; !there || v != nil {
			t.Errorf("%s is %v, want null", name, v)
		}
	}
	if r["known"] != false || r["reason"] != "oil level: failure signal low" {
		t.Errorf("known %v because %v", r["known"], r["reason"])
	}
	last := a["last_known_reserve"].(map[string]any)
	if last["at_least_cycles"] != 4.0 || last["age_seconds"] != 240.0 {
		t.Errorf("last known %v", last)
	}
	level := a["oil_level"].(map[string]any)
	if v, there := level["value"]; !there || v != nil || level["quality"] != "bad" || level["reason"] != "failure signal low" {
		t.Errorf("level %v", level)
	}
	u := decoded(t, serve(t, h, "GET", "/api/v1/units", nil))["units"].([]any)[0].(map[string]any)
	if v, there := u["at_least_cycles"]; !there || v != nil || u["reason"] == "" || u["highest_priority"] != "high" || u["alarms_needing_someone"] != 2.0 {
		t.Errorf("summary %v", u)
	}
}

func TestSummaryHoldsNoNumberWhileUnknown(t *testing.T) {
	a := blind(noon)
	a.Reserve.AtLeast = 4 // a figure that was left behind
	h := New(Options{Units: newBoard(a), Events: &book{}, Now: at(noon)})
	u := decoded(t, serve(t, h, "GET", "/api/v1/units", nil))["units"].([]any)[0].(map[string]any)
	if u["at_least_cycles"] != nil {
		t.Errorf("at least %v while unknown", u["at_least_cycles"])
	}
}

// An alarm that waits for its reset waits for somebody, who has seen it.
func TestLatchedNeedsSomeone(t *testing.T) {
	a := stored(noon)
	a.Alarms[0].State, a.Alarms[0].Priority = alarm.Latched, alarm.High
	h := New(Options{Units: newBoard(a), Events: &book{}, Now: at(noon)})
	u := decoded(t, serve(t, h, "GET", "/api/v1/units", nil))["units"].([]any)[0].(map[string]any)
	if u["attention"] != a.Alarms[0].Title || u["alarms_needing_someone"] != 1.0 || u["alarms_unacknowledged"] != 0.0 {
		t.Errorf("summary %v", u)
	}
}

func TestUnitsThatNeedAttentionComeFirst(t *testing.T) {
	named := func(a *rules.Assessment, unit string) *rules.Assessment { a.Unit = unit; return a }
	late := named(stored(noon.Add(-time.Minute)), "late")
	h := New(Options{Events: &book{}, Now: at(noon), Units: newBoard(named(stored(noon), "calm"), named(dark(noon), "dark"),
		named(short(noon), "short"), named(stored(noon), "calm too"), named(blind(noon), "blind"), late)})
	var got []string
	for _, u := range decoded(t, serve(t, h, "GET", "/api/v1/units", nil))["units"].([]any) {
		got = append(got, u.(map[string]any)["unit"].(string))
	}
	if want := "late, short, blind, dark, calm, calm too"; strings.Join(got, ", ") != want {
		t.Errorf("order %v, want %s", got, want)
	}
}

func TestStartPageSaysWhy(t *testing.T) {
	named := func(a *rules.Assessment, unit string) *rules.Assessment { a.Unit = unit; return a }
	unbacked := named(stored(noon), "unbacked")
	unbacked.Pairs[1].Redundancy = "none"
	seen := named(short(noon), "seen")
	seen.Reserve.AtLeast = 3
	unseen := named(short(noon), "unseen")
	unseen.Reserve.AtLeast = 3
	for i := range seen.Alarms {
		if seen.Alarms[i].State == alarm.Unacknowledged {
			seen.Alarms[i].State = alarm.Acknowledged
		}
	}
	h := New(Options{Events: &book{}, Now: at(noon.Add(time.Second)), Units: newBoard(named(stored(noon), "calm"), named(doubtful(noon), "doubtful"), unbacked,
		seen, unseen, named(dark(noon), "dark"), named(blind(noon), "blind"), named(short(noon), "short"), named(stored(noon.Add(-time.Minute)), "late"))})
	var got []string
	for _, u := range decoded(t, serve(t, h, "GET", "/api/v1/units", nil))["units"].([]any) {
		u := u.(map[string]any)
		why, _ := u["attention"].(string)
		got = append(got, u["unit"].(string)+": "+why)
		if len(u["redundancy"].([]any)) != 2 || u["age_seconds"].(float64) < 1 || (u["limit"] != "pressure" && u["reserve_known"] == true) {
			t.Errorf("%v", u)
		}
	}
	want := []string{"late: no fresh scan", "short: 2 of 3 required cycles", "blind: reserve unknown", "dark: mains lost",
		"unseen: Low reserve", "seen: Low reserve", "unbacked: no backup", "doubtful: reserve uncertain", "calm: "}
	if !slices.Equal(got, want) {
		t.Errorf("got  %q\nwant %q", got, want)
	}
}

func TestEventsPaging(t *testing.T) {
	h := New(Options{Units: newBoard(), Events: journal(noon, 120), Now: at(noon)})
	cases := []struct {
		name, query string
		first, n    int
	}{
		{"newest by default", "", 71, 50},
		{"newest few", "?limit=5", 116, 5},
		{"from the start", "?after=0&limit=7", 1, 7},
		{"onwards", "?after=118", 119, 2},
		{"nothing new", "?after=120", 0, 0},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			got := decoded(t, serve(t, h, "GET", "/api/v1/events"+c.query, nil))["events"].([]any)
			if len(got) != c.n {
				t.Fatalf("%d events, want %d", len(got), c.n)
			}
			if c.n > 0 && int(got[0].(map[string]any)["sequence"].(float64)) != c.first {
				t.Errorf("first %v, want %d", got[0], c.first)
			}
		})
	}
}

func TestUnreadableHistory(t *testing.T) {
	h := New(Options{Units: newBoard(), Events: &book{err: errors.New("disk: secret path")}, Now: at(noon)})
	r := serve(t, h, "GET", "/api/v1/events", nil)
	if got := body(t, r); r.StatusCode != 503 || strings.Contains(got, "secret") {
		t.Errorf("%d %s", r.StatusCode, got)
	}
}

func TestAssessmentThatIsNoJSON(t *testing.T) {
	a := stored(noon)
	a.Limits.LowLevel = math.NaN()
	h := New(Options{Units: newBoard(a), Events: &book{}, Now: at(noon)})
	if r := serve(t, h, "GET", "/api/v1/units/AU-7", nil); r.StatusCode != 500 {
		t.Errorf("status %d", r.StatusCode)
	}
}

func TestHealth(t *testing.T) {
	other := stored(noon.Add(-10 * time.Second))
	other.Unit = "AU-8"
	cases := []struct {
		name   string
		now    time.Time
		units  []*rules.Assessment
		status int
		words  string
	}{
		{"fresh", noon.Add(3 * time.Second), []*rules.Assessment{stored(noon)}, 200, "fresh"},
		{"stale", noon.Add(3100 * time.Millisecond), []*rules.Assessment{stored(noon)}, 503, "stale"},
		{"clock stepped back", noon.Add(-time.Hour), []*rules.Assessment{stored(noon)}, 503, "stale"},
		{"one of two stale", noon, []*rules.Assessment{stored(noon), other}, 503, "stale"},
		{"no scan yet", noon, nil, 503, "no scan yet"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			h := New(Options{Units: newBoard(c.units...), Events: &book{}, Now: at(c.now)})
			r := serve(t, h, "GET", "/healthz", nil)
			got := decoded(t, r)
			if r.StatusCode != c.status || got["status"] != c.words || len(got["units"].([]any)) != len(c.units) {
				t.Errorf("%d %v", r.StatusCode, got)
			}
		})
	}
}

// The first page of a whole unit, with all that the overview loads and asks
// for: 150 kB is the budget of what is sent, data and all. The stream's first
// assessment is not compressed.
func TestFirstPageIsSmall(t *testing.T) {
	a := stored(noon)
	a.Alarms = nil
	for _, d := range alarm.Catalogue() {
		a.Alarms = append(a.Alarms, alarm.Status{Name: d.Name, Source: "unit", Title: d.Title, State: alarm.Normal, Priority: d.Priority, Since: noon, Action: d.Action,
			Respond: d.Respond.Seconds(), Value: 8.208e5, Limit: 7.2e5, Unit: signal.Pascal})
	}
	h := New(Options{Units: newBoard(a), Events: journal(noon, 120), Now: at(noon)})
	sent := func(path string) int {
		all, err := io.ReadAll(serve(t, h, "GET", path, map[string]string{"Accept-Encoding": "gzip"}).Body)
		if err != nil {
			t.Fatal(err)
		}
		return len(all)
	}
	files, wanted := map[string]int{}, []string{"/", "/assets/style.css", "/assets/icon.svg", "/assets/main.js"}
	for len(wanted) > 0 {
		path := wanted[0]
		if wanted = wanted[1:]; files[path] > 0 {
			continue
		}
		files[path] = sent(path)
		text := body(t, serve(t, h, "GET", path, nil))
		for _, m := range regexp.MustCompile(`(?m)^import .* from "\./([a-z]+\.js)";`).FindAllStringSubmatch(text, -1) {
			wanted = append(wanted, "/assets/"+m[1])
		}
	}
	total := 0
	for _, n := range files {
		total += n
	}
	data := len(body(t, serve(t, h, "GET", "/api/v1/units/AU-7", nil))) + sent("/api/v1/events?limit=100") + sent("/api/v1/session")
	t.Logf("%d files of %d bytes, %d bytes of data", len(files), total, data)
	if total+data > 150_000 || len(files) < 12 || data < 40_000 {
		t.Errorf("%d files of %d bytes, %d bytes of data", len(files), total, data)
	}
}

// Charts are drawn by our own hand, in fewer than 300 lines.
func TestChartsStaySmall(t *testing.T) {
	lines := 0
	for _, name := range []string{"chart.js", "plot.js"} {
		text, err := embedded.ReadFile("assets/" + name)
		if err != nil {
			t.Fatal(err)
		}
		lines += strings.Count(string(text), "\n")
	}
	if lines >= 300 || lines < 100 {
		t.Errorf("%d lines", lines)
	}
}
