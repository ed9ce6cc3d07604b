package main

import (
	"encoding/json"
	"fmt"
	"html"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"strokebank/rules"
	"strokebank/rules/machine"
	"strokebank/rules/reliability"
	"strokebank/sensors/signal"
)

// The published figures, end to end: history is filled through its own writing
// interface with runs, failures and exchanges that are the published data, and
// the built program is asked, while the history is open.

// runs lets a machine run from one hour to another in runs of at most ten days.
func (a *archive) runs(position string, from, to float64) {
	a.tb.Helper()
	var list []machine.Run
	for h := from; h < to; h += 240 {
		list = append(list, a.ran(position, h, math.Min(h+240, to)))
	}
	a.put(nil, list...)
}

// failed records a failure as the program saw it, and what a person has said.
func (a *archive) failed(id, position, mode string, hour, age float64, state rules.FailureState) {
	a.tb.Helper()
	f := &rules.Failure{ID: id, Position: position, State: state, Seen: &rules.FailureSeen{Time: a.at(hour), ClockTrusted: true,
		Mode: mode, Impact: rules.Critical, Times: 1, Last: a.at(hour), FailureUse: rules.FailureUse{Run: signal.Number(age * 3600), Starts: signal.Unknown()}}}
	if state != rules.Unconfirmed {
		f.Said = &rules.FailureSaid{Time: a.at(hour), By: "M. Okoro", Via: "command line",
			FailureUse: rules.FailureUse{Run: signal.Unknown(), Starts: signal.Unknown()}}
	}
	if state == rules.Confirmed {
		f.Repair = &rules.FailureRepair{Time: a.at(hour), By: "M. Okoro", Via: "command line", Reason: "repaired", Said: a.at(hour)}
	}
	a.put([]rules.Event{{Kind: rules.FailureEvent, Time: a.at(hour), Source: position, Name: "closed", Failure: f}})
}

func (a *archive) exchanged(position string, hour float64) {
	a.tb.Helper()
	a.put([]rules.Event{{Kind: rules.CommandEvent, Time: a.at(hour), Source: position, Name: string(rules.ExchangeMachine),
		From: "old", To: "new", By: "M. Okoro", Reason: "exchanged"}})
}

// ends closes the record at an hour.
func (a *archive) ends(hour float64) {
	a.tb.Helper()
	a.put([]rules.Event{{Kind: rules.AgentEvent, Time: a.at(hour), Source: "agent", Name: "stopped"}})
}

// figures asks the built program for JSON.
func (a *archive) figures(flags ...string) (f unitFigures) {
	a.tb.Helper()
	text := a.built(append(append([]string{"figures", "-json"}, flags...), a.config)...)
	if err := json.Unmarshal([]byte(text), &f); err != nil {
		a.tb.Fatalf("%v in %s", err, text)
	}
	return f
}

// published compares with a published figure.
func published(tb testing.TB, what string, got signal.Number, want, tolerance float64) {
	tb.Helper()
	if !(math.Abs(float64(got)-want) <= tolerance) {
		tb.Errorf("%s is %v, published %v", what, float64(got), want)
	}
}

// says looks for words in the text of the built program, whatever its lines.
func (a *archive) says(words ...string) {
	a.tb.Helper()
	text := strings.Join(strings.Fields(a.built("figures", a.config)), " ")
	for _, w := range words {
		if !strings.Contains(text, w) {
			a.tb.Errorf("it does not say %q:\n%s", w, a.built("figures", a.config))
		}
	}
	a.reports(words...)
}

// reports looks for words in the report of the built program, flags before
// them, as a person reads it: without the tags.
func (a *archive) reports(words ...string) (text string) {
	a.tb.Helper()
	args := []string{"report"}
	for len(words) > 1 && strings.HasPrefix(words[0], "-") {
		args, words = append(args, words[:2]...), words[2:]
	}
	text = readable(a.built(append(args, a.config)...))
	for _, w := range words {
		if !strings.Contains(text, w) {
			a.tb.Errorf("the report does not say %q:\n%s", w, text)
		}
	}
	return text
}

// firstNumber is the one that follows the first place of some words.
func firstNumber(tb testing.TB, text, words string) signal.Number {
	tb.Helper()
	_, text, found := strings.Cut(text, words+" ")
	if !found {
		tb.Fatalf("nothing is said of %q", words)
	}
	return signal.Number(toNumber(tb, strings.Fields(text)[0]))
}

var tag = regexp.MustCompile(`<style>[^<]*</style>|<[^>]*>`)

// readable is the text of a page.
func readable(page string) string {
	return strings.Join(strings.Fields(html.UnescapeString(tag.ReplaceAllString(page, " "))), " ")
}

// NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.5.1: two failures in
// 800 h at 90 %, and none in 1000 h at 95 and 90 %.
func TestPublishedMTBF(t *testing.T) {
	a := newArchive(t)
	a.runs("pump1", 0, 800)
	a.runs("pump2", 0, 1000)
	a.failed("F1-20260301", "pump1", "LOO", 200, 200, rules.Confirmed)
	a.failed("F2-20260301", "pump1", "BRD", 500, 500, rules.Confirmed)
	a.failed("F3-20260301", "pump1", "BRD", 600, 600, rules.Rejected)
	a.failed("F4-20260301", "pump2", "FTS", 700, 700, rules.Unconfirmed)
	a.ends(1000)
	f := a.figures()
	m := f.Machines[0].All
	published(t, "MTBF", m.MTBF.Value, 400, 1e-9)
	published(t, "lower limit", m.MTBF.Low, 127.0690, 1e-4)
	published(t, "upper limit", m.MTBF.High, 2251.229, 1e-3)
	published(t, "rate", m.Rate.Value, 1/400., 1e-12)
	if m.Confirmed != 2 || m.Unconfirmed != 0 || len(f.Machines[0].Modes) != 2 {
		t.Errorf("%+v", f.Machines[0])
	}
	for confidence, want := range map[string]float64{"0.95": 333.808, "0.90": 434.294} {
		m := a.figures("-confidence", confidence).Machines[1].All
		published(t, "bound at "+confidence, m.MTBF.Low, want, 1e-3)
		a.reports("-confidence", confidence, fmt.Sprintf("MTBF at least %.4g", want))
		if m.MTBF.Known || m.Unconfirmed != 1 || !m.IfConfirmed.Known {
			t.Errorf("%+v", m)
		}
	}
	a.says("MTBF 400 h (90 % limits 127.1 to 2251)", "MTBF at least 434.3", "no failure yet: a bound only, one-sided",
		"0 confirmed, 1 not confirmed", "1 failure(s) that nobody has confirmed")
	// The same from the exported tables.
	time, n := 0.0, 0
	for _, r := range a.table("export", a.config, "runs") {
		if r["position"] == "pump1" {
			time += toNumber(t, r["operating_time_seconds"]) / 3600
		}
	}
	for _, r := range a.table("export", a.config, "failures") {
		if r["position"] == "pump1" && r["state"] == "confirmed" {
			n++
		}
	}
	published(t, "upper limit from the tables", reliability.MTBF(time, n, 0.9).High, 2251.229, 1e-3)
}

func toNumber(tb testing.TB, text string) float64 {
	tb.Helper()
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		tb.Fatal(err)
	}
	return v
}

// The same handbook, 8.4.1.3: ten lives that ended in a failure, ten censored
// at 500 h.
func TestPublishedWeibull(t *testing.T) {
	a := newArchive(t)
	at := 0.0
	for i, life := range []float64{54, 187, 216, 240, 244, 335, 361, 373, 375, 386} {
		a.runs("pump1", at, at+life)
		at += life
		a.failed(fmt.Sprintf("F%d-20260301", i+1), "pump1", "BRD", at, life, rules.Confirmed)
		a.exchanged("pump1", at)
	}
	for i := range 10 {
		a.runs("pump2", float64(i)*500, float64(i+1)*500)
		if i < 9 { // the last one still runs
			a.exchanged("pump2", float64(i+1)*500)
		}
	}
	a.ends(5000)
	w := a.figures().Pairs[0].Weibull
	published(t, "η", w.Scale, 606.528, 1e-3)
	published(t, "β", w.Shape.Value, 1.7208, 1e-3)
	published(t, "log-likelihood", w.LogLikelihood, -75.135, 1e-3)
	if w.Failures != 10 || w.Censored != 10 {
		t.Errorf("%+v", w)
	}
	a.says("η 606.5", "β 1.72", "log-likelihood -75.13", "10 failed, 10 censored")
	var lives []float64
	for _, r := range a.table("export", a.config, "failures") {
		lives = append(lives, toNumber(t, r["operating_time_seconds"])/3600)
	}
	published(t, "η from the tables", reliability.FitWeibull(lives, []float64{500, 500, 500, 500, 500, 500, 500, 500, 500, 500}, 0.9).Scale, 606.528, 1e-3)
}

// The same handbook, 8.4.5.2: power law at 80 %; Laplace's U on the same data
// is computed: mean age 568.3 of 1500 h, ten failures.
func TestPublishedTrend(t *testing.T) {
	a := newArchive(t)
	a.runs("compressor1", 0, 1500)
	ages := []float64{5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478}
	for i, age := range ages {
		a.failed(fmt.Sprintf("F%d-20260301", i+1), "compressor1", "LOO", age, age, rules.Confirmed)
	}
	a.ends(1500)
	l := a.figures("-confidence", "0.8").Machines[2]
	published(t, "b", l.Growth.Exponent, 0.483506, 1e-6)
	published(t, "a", l.Growth.Scale, 0.2913003, 1e-6)
	published(t, "MTBF", l.Growth.MTBF.Value, 310.234, 1e-3)
	published(t, "lower limit", l.Growth.MTBF.Low, 157.7138, 1e-3)
	published(t, "upper limit", l.Growth.MTBF.High, 548.5566, 1e-3)
	published(t, "U", l.Trend.U, -1.3269, 1e-4)
	a.reports("-confidence", "0.8", "b 0.4835", "a 0.2913", "MTBF now 310.2", "80 % limits 157.7 to 548.6", "U -1.327")
	a.says("b 0.4835", "a 0.2913", "MTBF now 310.2", "U -1.327", "no trend at the 5 % level")
	var exported []float64
	for _, r := range a.table("export", "-form", "csv", a.config, "failures") {
		exported = append(exported, toNumber(t, r["operating_time_seconds"])/3600)
	}
	published(t, "b from the tables", reliability.FitPowerLaw(exported, 1500, 0.8).Exponent, 0.483506, 1e-6)
}

// IEC 61508-6, simplified form (secondary source): λ 2e-6 per hour, T 8760 h.
// Two machines that are proven once a year are watched for 250,000 h, and one
// of them fails once.
func TestPublishedProbabilityOnDemand(t *testing.T) {
	const year = 8760
	a := newArchive(t)
	for h := 0.0; h < 250_000; h += year {
		a.put(nil, a.ran("pump1", h, h+1), a.ran("pump2", h, h+1))
	}
	a.failed("F1-20260301", "pump1", "FTS", 100_000, 11, rules.Confirmed)
	a.ends(250_000)
	for _, c := range []struct {
		beta string
		want float64
	}{{"0", 1.023e-4}, {"0.02", 2.735e-4}, {"0.05", 5.303e-4}, {"0.10", 9.589e-4}} {
		p := a.figures("-beta", c.beta).Pairs[0]
		published(t, "λ", p.OnDemand.Rate.Value, 2e-6, 1e-15)
		published(t, "proof interval", p.Interval, year, 1e-9)
		published(t, "1oo1", p.OneOfOne.Value, 8.76e-3, 5e-6)
		published(t, "1oo2 with β "+c.beta, p.OneOfTwo.Value, c.want, 5e-8)
		said := a.reports("-beta", c.beta)
		published(t, "1oo1 in the report", firstNumber(t, said, "one fails a demand"), 8.76e-3, 5e-6)
		published(t, "1oo2 in the report with β "+c.beta, firstNumber(t, said, "both fail a demand"), c.want, 5e-8)
		if len(p.Assuming) < 5 || p.Repairs != 1 || p.Repair != 0 {
			t.Errorf("%+v", p)
		}
	}
	a.says("one fails a demand 0.00876", "both fail a demand 0.000958", "T is 8760 h", "1 in 500000 watched hours", "β is 0.1, the assumed part")
}

// Jain's index (from memory): shares of 60 and 40 give 0.96154.
func TestFairnessOfDuty(t *testing.T) {
	a := newArchive(t)
	a.runs("pump1", 0, 600)
	a.runs("pump2", 600, 1000)
	a.runs("compressor1", 0, 500)
	a.runs("compressor2", 500, 1000)
	f := a.figures()
	published(t, "60/40", f.Pairs[0].FairRun, 0.96154, 5e-6)
	published(t, "50/50", f.Pairs[1].FairRun, 1, 1e-12)
	a.says("run time 0.9615")
}

// What nobody watched is taken off the time watched: the agent was down, a
// link was lost, a contact could not be read; what overlaps counts once.
func TestFiguresLeaveOutWhatNobodyWatched(t *testing.T) {
	a := newArchive(t)
	a.runs("pump1", 0, 10)
	link := func(hour float64, to string) rules.Event {
		return rules.Event{Kind: rules.AlarmEvent, Time: a.at(hour), Source: "link.panel", Name: "link_lost", To: to}
	}
	a.put([]rules.Event{
		{Kind: rules.GapEvent, Time: a.at(120), Source: "unit", Name: "not observed", From: a.at(100).Format("2006-01-02T15:04:05Z07:00"), To: "",
			Values: []rules.Value{{Name: "not_observed", Value: 72000, Unit: "s"}}},
		link(110, "unacknowledged"), link(111, "acknowledged"), link(130, "normal"),
		{Kind: rules.AlarmEvent, Time: a.at(200), Source: "pump2.running", Name: "transmitter_failed", To: "unacknowledged"},
	})
	a.ends(250)
	f := a.figures()
	for i, want := range []float64{30, 80, 30, 30} {
		published(t, "not watched of "+f.Machines[i].Position, signal.Number(f.Machines[i].Unobserved), want, 1e-6)
		published(t, "watched of "+f.Machines[i].Position, signal.Number(f.Machines[i].Observed), 250-want, 1e-6)
	}
	if f := a.figures("-from", "2026-03-05T00:00:00Z", "-to", "2026-03-06T00:00:00Z"); f.Machines[0].Unobserved != 20 || f.Machines[0].Observed != 4 || f.Machines[0].All.MTBF.Known {
		t.Errorf("%+v", f.Machines[0]) // hours 96 to 120, of which 20 nobody watched
	}
}

func TestFiguresRefusals(t *testing.T) {
	a := newArchive(t)
	for flags, says := range map[string]string{
		"-confidence 1": "from 0.5 to 0.999", "-beta 2": "from 0 to 1", "-repair -1h": "is no length", "-unit AU-8": "but AU-7", "-from soon": "neither a date",
	} {
		if said, code := atShell(t, append(append([]string{"figures"}, strings.Fields(flags)...), a.config)...); code != exitUsage || !strings.Contains(said, says) {
			t.Errorf("%s: exit code %d: %s", flags, code, said)
		}
	}
	if said, code := atShell(t, "figures", a.config); code != exitOK || !strings.Contains(said, "does not cover the time") {
		t.Errorf("of an empty history: exit code %d: %s", code, said)
	}
}
