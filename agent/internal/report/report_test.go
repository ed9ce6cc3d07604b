package report

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/rules/machine"
	"strokebank/rules/machine/service"
	"strokebank/rules/machine/work"
	"strokebank/rules/proof"
	"strokebank/rules/trend"
	"strokebank/sensors/signal"
)

var epoch = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

func days(n float64) time.Time { return epoch.Add(time.Duration(n * 24 * float64(time.Hour))) }

// plainUnits writes SI.
type plainUnits struct{}

func (plainUnits) Text(v float64, of Quantity) string {
	if math.IsNaN(v) {
		return "unknown"
	}
	return fmt.Sprintf("%.4g SI%d", v, of)
}

func (plainUnits) Scale(Quantity) (string, float64) { return "SI", 1 }

// unit is one of 100 days with everything as it should be.
func unit() Unit {
	u := Unit{Site: "quillen-reach", Name: "AU-7", Show: plainUnits{}, Span: Span{epoch, days(100)}, Watched: days(100),
		Required: 6, FullCharge: 16, State: &rules.Assessment{LastKnown: &rules.LastKnown{AtLeast: 12, Expected: 15, Time: days(100)}}}
	for i, position := range []string{"pump1", "pump2", "compressor1", "compressor2"} {
		kind := machine.Pump
		if i > 1 {
			kind = machine.Compressor
		}
		u.Machines = append(u.Machines, machine.Config{Position: position, Kind: kind, Tag: fmt.Sprintf("M-%d", i), Rating: 1})
		u.Outputs[i].Runs = NewBins(u.Span)
		u.State.Outputs = append(u.State.Outputs, work.Verdict{Position: position, Baseline: signal.Unknown(), Last: signal.Unknown()})
	}
	u.Load = NewLoad(u.Span)
	u.Duty = [2]*Duty{NewDuty(u.Span, time.UTC), NewDuty(u.Span, time.UTC)}
	return u
}

func written(tb testing.TB, u Unit) string {
	tb.Helper()
	var out bytes.Buffer
	if err := Write(&out, &Report{Made: days(100), Zone: time.UTC, Units: []Unit{u}}); err != nil {
		tb.Fatal(err)
	}
	return out.String()
}

// What to do comes most urgent first, each with its reason; what is as it
// should be asks for nothing.
func TestStepsByUrgency(t *testing.T) {
	sound := unit()
	if list := sound.steps(days(100)); len(list) != 0 {
		t.Errorf("of a sound unit: %+v", list)
	}
	standing := func(name string, p alarm.Priority, s alarm.State, respond float64) func(*Unit) {
		return func(u *Unit) {
			u.Standing = append(u.Standing, alarm.Status{Name: name, Source: "pump1", Title: name, Priority: p, State: s, Respond: respond, Action: "act"})
		}
	}
	for _, c := range []struct {
		name    string
		change  func(*Unit)
		urgency int
		words   string
	}{
		{"nobody watches", func(u *Unit) { u.Watched = days(99.9) }, atOnce, "last judged 2 h before"},
		{"nothing is saved", func(u *Unit) { u.State = nil }, atOnce, "no saved state"},
		{"too few cycles", func(u *Unit) { u.State.LastKnown.AtLeast = 5 }, atOnce, "At least 5 were stored"},
		{"a high alarm", standing("a", alarm.High, alarm.Acknowledged, 3600), atOnce, "high priority"},
		{"a medium alarm", standing("a", alarm.Medium, alarm.Unacknowledged, 7*86400), today, "7 days to respond"},
		{"a low alarm with little time", standing("a", alarm.Low, alarm.Unacknowledged, 3600), today, "60 min to respond"},
		{"a low alarm", standing("a", alarm.Low, alarm.Unacknowledged, 7*86400), thisWeek, "low priority"},
		{"an alarm that has gone", standing("a", alarm.High, alarm.Returned, 0), thisWeek, "returned unacknowledged"},
		{"a critical failure", func(u *Unit) {
			u.Failures = []rules.Failure{{ID: "F1", Position: "pump2", State: rules.Confirmed, Seen: &rules.FailureSeen{Mode: "FTS", Impact: rules.Critical}}}
		}, today, "critical, is open"},
		{"a degraded one", func(u *Unit) {
			u.Failures = []rules.Failure{{ID: "F1", Position: "pump2", State: rules.Confirmed, Seen: &rules.FailureSeen{Mode: "LOO", Impact: rules.Degraded}}}
		}, toPlan, "degraded, is open"},
		{"one that nobody has judged", func(u *Unit) { u.Failures = []rules.Failure{{ID: "F1", State: rules.Unconfirmed}} }, thisWeek, "does not count"},
		{"a function that failed", func(u *Unit) {
			u.State.Proof = []proof.Status{{Title: "f", Proven: true, Last: days(1), Failed: days(2), Why: "it gave nothing"}}
		}, today, "it gave nothing"},
		{"a function overdue", func(u *Unit) { u.State.Proof = []proof.Status{{Title: "f", Proven: true, Overdue: true}} }, thisWeek, "within its interval"},
		{"one never seen", func(u *Unit) { u.State.Proof = []proof.Status{{Title: "f"}} }, toPlan, "only hoped for"},
		{"service due", func(u *Unit) { u.State.Service = []service.Status{{Title: "oil", State: service.Due, Used: 1.2}} }, thisWeek, "120 %"},
		{"service coming", func(u *Unit) {
			u.State.Service = []service.Status{{Title: "oil", State: service.Coming, Used: 0.95, Forecast: days(107)}}
		}, toPlan, "due in about 7 days"},
		{"a machine that falls soon", func(u *Unit) {
			u.State.Outputs[1].Trend = trend.Verdict{Drift: true, Forecast: trend.Forecast{Known: true, At: days(125), Early: days(120), Late: days(130)}}
		}, thisWeek, "between 2026-06-29 and 2026-07-09"},
		{"one that falls later", func(u *Unit) {
			u.State.Outputs[1].Trend = trend.Verdict{Drift: true, Forecast: trend.Forecast{Known: true, At: days(225), Early: days(220), Late: days(230)}}
		}, toPlan, "reaches 70 % of its baseline"},
		{"one alarm that makes the load", func(u *Unit) {
			for i := range 12 {
				u.Load.Take(raise("chatty", days(float64(i))))
				u.Load.Take(clear("chatty", days(float64(i)+0.1)))
			}
		}, toImprove, "12 of 12 alarms"},
	} {
		t.Run(c.name, func(t *testing.T) {
			u := unit()
			c.change(&u)
			list := u.steps(days(100))
			if len(list) != 1 || list[0].urgency != c.urgency || !strings.Contains(list[0].what+list[0].do+list[0].why, c.words) || list[0].do == "" || list[0].why == "" {
				t.Errorf("%+v", list)
			}
		})
	}
	u := unit()
	standing("low", alarm.Low, alarm.Unacknowledged, 0)(&u)
	standing("medium", alarm.Medium, alarm.Unacknowledged, 0)(&u)
	standing(alarm.ServiceDue, alarm.High, alarm.Unacknowledged, 0)(&u) // told by the task itself
	u.Watched = days(90)
	if list := u.steps(days(100)); len(list) != 3 || list[0].urgency != atOnce || list[1].urgency != today || list[2].urgency != thisWeek {
		t.Errorf("%+v", list)
	}
}

func raise(name string, at time.Time) *rules.Entry {
	return &rules.Entry{Event: rules.Event{Kind: rules.AlarmEvent, Time: at, Source: "unit", Name: name, Title: name,
		From: string(alarm.Normal), To: string(alarm.Unacknowledged), Priority: alarm.Low}}
}

func clear(name string, at time.Time) *rules.Entry {
	e := raise(name, at)
	e.From, e.To = e.To, string(alarm.Normal)
	return e
}

// The days on which alarms were raised stand in a chart of their own, as high
// as they were many, and the figures of a day only where they are near.
func TestAlarmsByDay(t *testing.T) {
	chart := func(u Unit) string {
		_, rest, _ := strings.Cut(written(t, u), "Alarms raised")
		svg, _, _ := strings.Cut(rest, "</svg>")
		return svg
	}
	u := unit()
	if chart(u) != "" {
		t.Error("a chart of no alarms")
	}
	for i, day := range []float64{1.5, 1.6, 1.7, 40.5} {
		u.Load.Take(raise(fmt.Sprint("alarm", i), days(day)))
	}
	svg := chart(u)
	if n := strings.Count(svg, `<rect class="one"`); n != 2 {
		t.Errorf("%d bars for two days", n)
	}
	high := regexp.MustCompile(`<rect class="one"[^>]* height="([0-9.]+)"`).FindAllStringSubmatch(svg, -1)
	if a, b := number(t, high[0][1]), number(t, high[1][1]); math.Abs(a-3*b) > 0.3 {
		t.Errorf("three alarms are %v high, one is %v", a, b)
	}
	if strings.Contains(svg, "acceptable") {
		t.Error("a figure far above what happened")
	}
	for i := range 160 {
		u.Load.Take(raise(fmt.Sprint("more", i), days(60.5)))
	}
	if svg := chart(u); !strings.Contains(svg, "acceptable 150") || strings.Contains(svg, "the most 300") {
		t.Error("160 alarms in a day are not held against 150")
	}
}

func number(t *testing.T, text string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// Nothing that comes from outside becomes a part of the page.
func TestEverythingSaidIsEscaped(t *testing.T) {
	const evil = `</style><script>alert("x")</script><img src=x onerror='y'>&amp;`
	u := unit()
	u.Site, u.Name = evil, evil
	u.Standing = []alarm.Status{{Title: evil, Source: evil, State: alarm.Shelved, Reason: evil}}
	u.Serviced = []Done{{Source: evil, What: evil, By: evil, Note: evil}}
	u.Failures = []rules.Failure{{ID: evil, Position: evil, Serial: evil, State: rules.Confirmed, Said: &rules.FailureSaid{By: evil, Reason: evil, Mode: evil},
		Repair: &rules.FailureRepair{By: evil, Reason: evil}}}
	u.Tests = []Test{{1, proof.Test{By: evil, Note: evil}}}
	u.Cautions, u.Figures = []string{evil}, []Group{{evil, [][2]string{{evil, evil}}}}
	u.State.Proof = []proof.Status{{Title: evil, Proven: true, By: evil}}
	u.Machines[0].Tag = evil
	u.Outputs[0].Taken = 1
	u.Outputs[0].Runs.Add(days(3), 1, true)
	page := written(t, u)
	var out bytes.Buffer
	record := Record{Zone: time.UTC, Unit: &u, Event: evil, Test: Test{1, proof.Test{By: evil, Note: evil, Results: []proof.Result{{Title: evil, Outcome: proof.Fail, By: evil}}}},
		Fills: []work.Fill{{Position: evil, Place: evil, Reason: evil}}, Alarms: []rules.Entry{*raise(evil, epoch)}}
	u.Points = []signal.ID{evil}
	if err := WriteRecord(&out, &record); err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{"report": page, "record": out.String()} {
		if n := strings.Count(text, "&lt;script&gt;"); n < 8 {
			t.Errorf("the %s says it %d times", name, n)
		}
		for _, bad := range []string{"<script", "<img", "onerror='", "&amp;amp;amp;"} {
			if strings.Contains(text, bad) {
				t.Errorf("the %s holds %s", name, bad)
			}
		}
		if strings.Count(text, "</style>") != 1 {
			t.Errorf("the %s ends its style sheet early", name)
		}
	}
}

// A machine whose output falls shows the line to its limit and the interval of
// the date.
func TestForecastIsDrawn(t *testing.T) {
	u := unit()
	v := &u.State.Outputs[1]
	v.Baseline, v.Last, v.Ratio, v.Falling = 1, 0.8, 0.8, true
	v.Trend = trend.Verdict{Drift: true, Fills: 100, Days: 100, Smoothed: 0.81, Level: 0.8, Slope: -0.005,
		Forecast: trend.Forecast{Known: true, At: days(120), Early: days(115), Late: days(130)}}
	for d := range 100 {
		u.Outputs[1].Runs.Add(days(float64(d)), 1-0.002*float64(d), true)
		u.Outputs[1].Taken, u.Outputs[1].Counted = d+1, d+1
	}
	u.Outputs[1].Anew = []time.Time{days(5)}
	page := written(t, u)
	for _, words := range []string{"output falls", "about 2026-06-29", "95 %: 2026-06-24 to 2026-07-09", "▲ 2026-06-29", `class="ahead"`, `class="span"`, "limit 70 %", "baseline", "anew",
		"100 runs measured, 100 of them count"} {
		if !strings.Contains(page, words) {
			t.Errorf("it does not say %q", words)
		}
	}
	if folder := os.Getenv("REPORT_PAGES"); folder != "" {
		os.WriteFile(folder+"/forecast.html", []byte(page), 0o600)
	}
	if strings.Contains(page, "NaN") || strings.Contains(page, "Inf") {
		t.Error("a chart has no numbers")
	}
}

// What is not known is called so and never drawn or written as a number.
func TestUnknownStaysUnknown(t *testing.T) {
	u := unit()
	no := signal.Unknown()
	u.State.LastKnown, u.FullCharge = nil, no
	u.State.Leaks = rules.Leaks{OilDecline: no, OilDeclineBand: no, OilVisible: no, AirDecline: no, AirDeclineBand: no, AirVisible: no,
		Inventory: no, OilLost: no, OilLostBand: no, Points: []rules.SwitchPoint{{Name: "pumps cut in", Usual: no, Now: no, Unit: signal.Metre}}}
	u.AtLeast = []rules.Trend{{Start: epoch, Seconds: 600, Count: 0, Min: math.NaN(), Mean: math.NaN(), Max: math.NaN()}}
	page := written(t, u)
	for _, words := range []string{"it was never known", "No reserve was recorded", "unknown", "not recorded"} {
		if !strings.Contains(page, words) {
			t.Errorf("it does not say %q", words)
		}
	}
	if strings.Contains(page, "NaN") {
		t.Error("it holds what is no number")
	}
}

func TestReserveUnderItsRequirement(t *testing.T) {
	u := unit()
	for h := range 50 {
		at := epoch.Add(time.Duration(h) * time.Hour)
		low := 12.0
		if h == 30 {
			low = 4
		}
		u.AtLeast = append(u.AtLeast, rules.Trend{Start: at, Seconds: 3600, Count: 60, Min: low, Mean: 12, Max: 13})
	}
	page := written(t, u)
	if !strings.Contains(page, "The least was at least 4 cycles, in the step from 2026-03-02 06:00 UTC") || !strings.Contains(page, `class="span"`) {
		t.Error("the stretch under the requirement does not show")
	}
	u.Required = 4
	if page := written(t, u); !strings.Contains(page, "never below what is required") || strings.Contains(page, `class="span"`) {
		t.Error("a stretch shows that is not under the requirement")
	}
}

func TestOutputUnderItsLimit(t *testing.T) {
	for ratio, under := range map[signal.Number]bool{0.69: true, 0.71: false, signal.Number(0): true} {
		u := unit()
		u.State.Outputs[0].Baseline, u.State.Outputs[0].Last, u.State.Outputs[0].Ratio = 1, ratio, ratio
		if got := strings.Contains(written(t, u), "it is under it"); got != under {
			t.Errorf("at %v of its baseline: %v", ratio, got)
		}
	}
}

func TestTimesAreOfTheZone(t *testing.T) {
	u := unit()
	var out bytes.Buffer
	if err := Write(&out, &Report{Made: days(100), Zone: time.FixedZone("CEST", 2*3600), Units: []Unit{u}}); err != nil {
		t.Fatal(err)
	}
	for _, words := range []string{"from 2026-03-01 02:00 CEST to 2026-06-09 02:00 CEST", "Made 2026-06-09 02:00 CEST"} {
		if !strings.Contains(out.String(), words) {
			t.Errorf("it does not say %q", words)
		}
	}
}

// brokenDisk takes some bytes and then no more.
type brokenDisk struct{ left int }

func (d *brokenDisk) Write(b []byte) (int, error) {
	if d.left -= len(b); d.left < 0 {
		return 0, io.ErrShortWrite
	}
	return len(b), nil
}

func TestWritingThatFails(t *testing.T) {
	u := unit()
	for _, left := range []int{0, 1 << 10} {
		if err := Write(&brokenDisk{left}, &Report{Zone: time.UTC, Units: []Unit{u}}); !errors.Is(err, io.ErrShortWrite) {
			t.Errorf("after %d bytes: %v", left, err)
		}
	}
}
