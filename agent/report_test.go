package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"strokebank/agent/internal/simulator"
	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/rules/proof"
	"strokebank/sensors/signal"
)

// page has a report made in here, some minutes after the record ends.
func (l *life) page(flags ...string) string {
	l.tb.Helper()
	r := reporting{made: l.now().Add(10 * time.Minute), to: "-"}
	r.given.Confidence, r.given.Beta, r.repair = 0.9, 0.1, 8*time.Hour
	for i := 0; i+1 < len(flags); i += 2 {
		*map[string]*string{"-test": &r.test, "-from": &r.span.fromText, "-to": &r.span.toText}[flags[i]] = flags[i+1]
	}
	if err := r.check(); err != nil {
		l.tb.Fatal(err)
	}
	var out bytes.Buffer
	sh := shell{nil, &out, &out}
	cfg, code := load(sh, l.archive.config)
	if code != exitOK {
		l.tb.Fatal(out.String())
	}
	units, err := someUnits(cfg, "")
	if err != nil {
		l.tb.Fatal(err)
	}
	if err := r.run(l.tb.Context(), sh, cfg, units); err != nil {
		l.tb.Fatal(err)
	}
	return out.String()
}

// contains demands words in what a person reads of a page.
func contains(tb testing.TB, page string, words ...string) {
	tb.Helper()
	text := strings.ReplaceAll(readable(page), "\u00a0", " ")
	for _, w := range words {
		if !strings.Contains(text, w) {
			tb.Errorf("it does not say %q:\n%s", w, text)
		}
	}
}

// A simulated unit in metric and one in US units live through ten days of
// trouble; the report tells of it, and prints.
func TestReportOfALife(t *testing.T) {
	b := browsing(t)
	for example, build := range units() {
		t.Run(example, func(t *testing.T) {
			t.Parallel()
			l := hardTimes(t, example, build())
			page, record := l.page(), l.page("-test", "last")
			l.tells(page)
			l.records(record)
			b.prints(t, example, page)
			b.prints(t, example+"-test", record)
		})
	}
}

// tells holds the report against the history that it is made from.
func (l *life) tells(page string) {
	l.tb.Helper()
	unit := l.cfg.Unit
	var starts [4]int
	var seconds [4]float64
	place := map[string]int{"pump1": 0, "pump2": 1, "compressor1": 2, "compressor2": 3}
	raised := 0
	reader := l.archive.reader()
	if err := reader.Runs(l.tb.Context(), unit, time.Time{}, time.Time{}, func(r *rules.NumberedRun) error {
		seconds[place[r.Position]] += r.Seconds
		if r.StartSeen {
			starts[place[r.Position]]++
		}
		return nil
	}); err != nil {
		l.tb.Fatal(err)
	}
	if err := reader.Events(l.tb.Context(), unit, []rules.Kind{rules.AlarmEvent}, time.Time{}, time.Time{}, func(e *rules.Entry) error {
		if e.To == string(alarm.Unacknowledged) && e.From != string(alarm.NotKnown) {
			raised++
		}
		return nil
	}); err != nil {
		l.tb.Fatal(err)
	}
	if starts[0]+starts[1] < 10 || raised < 1 {
		l.tb.Fatalf("%v starts and %d alarms prove nothing", starts, raised)
	}
	known := l.last.Reserve
	contains(l.tb, page,
		"Report on unit "+unit, "What to do next", "UTC",
		fmt.Sprintf("required %d cycles", known.Required),
		fmt.Sprintf("raised %d a day, mean", raised),
		"Judge 1 failure that the program found", "A confirmed failure, degraded, is open",
		"Nobody watched for 5 h of it (1 gap)",
		"drained, <2 L> & clean", "E. Marsh", "hose weeps",
		"Switching points of the panel", "Laplace", "half-yearly test")
	if l.last.Leaks.Inventory.Known() {
		contains(l.tb, page, "Oil in tank, sump and cylinders", "oil in all")
	}
	for i, m := range l.last.Machines {
		want := fmt.Sprintf("%s (%s) %.2f h", m.Position, m.Tag, seconds[i]/3600)
		if m.Tag == m.Position {
			want = fmt.Sprintf("%s %.2f h", m.Position, seconds[i]/3600)
		}
		contains(l.tb, page, want)
	}
	if strings.Contains(page, "<2 L>") {
		l.tb.Error("what a person wrote is part of the page")
	}
}

// records holds the record of the proof test against the events of its time.
func (l *life) records(page string) {
	l.tb.Helper()
	var test *proof.Test
	var draw *rules.Draw
	number := uint64(0)
	err := l.archive.reader().Events(l.tb.Context(), l.cfg.Unit, nil, time.Time{}, time.Time{}, func(e *rules.Entry) error {
		if e.Record != nil {
			test, number = e.Record, e.Seq
		}
		if e.Draw != nil && e.Draw.Test && draw == nil {
			draw = e.Draw
		}
		return nil
	})
	if err != nil || test == nil || draw == nil || test.Count(proof.NotSeen) == 0 {
		l.tb.Fatalf("the test proves nothing: %v %+v %+v", err, test, draw)
	}
	show := siteUnits(l.display)
	of := func(n signal.Number) string { return show.Text(float64(n), 0) }
	contains(l.tb, page, fmt.Sprintf("test %d", number), "half-yearly test", "E. Marsh",
		fmt.Sprintf("pass %d", test.Count(proof.Pass)), fmt.Sprintf("not seen %d", test.Count(proof.NotSeen)),
		of(draw.Before)+" "+of(draw.Predicted)+" "+of(draw.PredictedLow)+" to "+of(draw.PredictedHigh)+" "+of(draw.After),
		"Tested by", "Witnessed by", "Accepted by", "Read at the instrument")
	for _, r := range test.Results {
		word := map[proof.Outcome]string{proof.Pass: "✓ pass " + r.By, proof.Fail: "fail " + r.By, proof.NotSeen: "○ not seen"}[r.Outcome]
		contains(l.tb, page, r.Title+" "+word)
	}
	if again := l.page("-test", fmt.Sprint(number)); again != page {
		l.tb.Error("by its number it is another record")
	}
}

func TestReportRefusals(t *testing.T) {
	a := newArchive(t)
	for _, c := range []struct {
		name, args, says string
		code             int
	}{
		{"no file", "", "wants 1 file", exitUsage},
		{"a time", "-from soon", "neither a date", exitUsage},
		{"a confidence", "-confidence 1", "from 0.5 to 0.999", exitUsage},
		{"a test that is no number", "-test first", "number of a test", exitUsage},
		{"another unit", "-unit AU-8", "but AU-7", exitUsage},
		{"no test", "-test last", "no proof test has ended", exitFailed},
		{"another test", "-test 7", "no proof test has ended with event 7", exitFailed},
		{"a place that is not there", "-o /nowhere/report.html", "/nowhere", exitFailed},
	} {
		t.Run(c.name, func(t *testing.T) {
			args := append([]string{"report"}, strings.Fields(c.args)...)
			if c.args != "" {
				args = append(args, a.config)
			}
			if said, code := atShell(t, args...); code != c.code || !strings.Contains(said, c.says) {
				t.Errorf("exit code %d: %s", code, said)
			}
		})
	}
}

// Of an empty history a report says that nobody watches; it goes into a file
// that is there only when it is whole.
func TestReportOfNothing(t *testing.T) {
	a := newArchive(t)
	to := filepath.Join(t.TempDir(), "report.html")
	if said, code := atShell(t, "report", "-o", to, a.config); code != exitOK || said != "" {
		t.Fatalf("exit code %d: %s", code, said)
	}
	text, err := os.ReadFile(to)
	if err != nil {
		t.Fatal(err)
	}
	contains(t, string(text), "at once Nobody watches this unit", "No reserve was recorded", "the record does not cover the time that is asked for")
	if left, _ := filepath.Glob(to + "*"); len(left) != 1 {
		t.Errorf("it left %v", left)
	}
}

// A part of the time leaves out what is before and after.
func TestReportOfAPart(t *testing.T) {
	l := newLife(t, "quillen-reach", simulator.QuillenReach())
	l.lives(1)
	l.breaks("pump1.overload", 1)
	l.lives(1.1)
	l.breaks("pump1.overload", 0)
	l.lives(2)
	cut := l.archive.begin.Add(36 * time.Hour).UTC().Format(time.RFC3339)
	contains(t, l.page("-to", cut), "raised 1 a day, mean")
	contains(t, l.page("-from", cut), "raised 0 a day, mean")
}
