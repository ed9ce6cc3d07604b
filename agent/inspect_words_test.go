package main

import (
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"strokebank/agent/internal/history"
	"strokebank/agent/internal/watch"
	"strokebank/configs"
	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/sensors/signal"
)

// marker is what a person has typed; it must be nowhere in a service file.
const marker = "smew by the sluice"

// eventKinds are all kinds of event, as their source lists them.
func eventKinds(t *testing.T) (kinds []rules.Kind) {
	t.Helper()
	file, err := parser.ParseFile(token.NewFileSet(), "../rules/event.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	ast.Inspect(file, func(n ast.Node) bool {
		v, ok := n.(*ast.ValueSpec)
		if !ok {
			return true
		}
		if name, ok := v.Type.(*ast.Ident); ok && name.Name == "Kind" {
			text, err := strconv.Unquote(v.Values[0].(*ast.BasicLit).Value)
			if err != nil {
				t.Fatal(err)
			}
			kinds = append(kinds, rules.Kind(text))
		}
		return true
	})
	if len(kinds) < 16 {
		t.Fatalf("only %d kinds are found", len(kinds))
	}
	return kinds
}

// write puts the marker into every text of a value, but for the fields named.
func write(v reflect.Value, but ...string) {
	switch v.Kind() {
	case reflect.String:
		v.SetString(marker)
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		write(v.Elem())
	case reflect.Struct:
		for i := range v.NumField() {
			if f := v.Type().Field(i); f.IsExported() && !slices.Contains(but, f.Name) {
				write(v.Field(i))
			}
		}
	}
}

// everyKind is an event of every kind, and of one that is not known yet, with
// the marker wherever it is not the program alone that writes: Site, Unit,
// Source and, of most, Name, which the rules choose among their own.
func everyKind(t *testing.T) (all []rules.Event) {
	t.Helper()
	for _, kind := range append(eventKinds(t), "kind of tomorrow") {
		e := rules.Event{Site: "quillen-reach", Unit: "AU-7", Source: "pump1", Name: "an own word"}
		but := []string{"Kind", "Site", "Unit", "Source"}
		if kind != rules.NoteEvent && slices.Contains(eventKinds(t), kind) {
			but = append(but, "Name")
		}
		write(reflect.ValueOf(&e).Elem(), but...)
		e.Kind, e.Time, e.ClockTrusted = kind, time.Now(), true
		if kind == rules.ConfigEvent {
			e.Source = "alarms.mains_lost.note"
		}
		all = append(all, e)
	}
	return all
}

// Every kind of event has been thought of, and none lets through what a
// person has typed.
func TestEveryKindOfEventIsThoughtOf(t *testing.T) {
	for _, kind := range eventKinds(t) {
		if _, ok := toldOf[kind]; !ok {
			t.Errorf("nobody has said what of an event %q may go into a service file", kind)
		}
	}
	for _, e := range everyKind(t) {
		if text := eventLines([]sentEvent{sent(&rules.Entry{Event: e})}); strings.Contains(text, marker) || !strings.Contains(text, string(e.Kind)) {
			t.Errorf("%s: %s", e.Kind, text)
		}
	}
}

// acting is a unit to which every order is given, in the words of one person.
type acting struct {
	t      *testing.T
	unit   *rules.Unit
	scan   signal.Scan
	points []signal.Point
	events []rules.Event
	given  []rules.Order
}

func newActing(t *testing.T, cfg *configs.Config) *acting {
	t.Helper()
	a := &acting{t: t, scan: signal.Scan{Time: time.Now().Add(-2 * time.Hour), ClockTrusted: true}}
	var err error
	if a.points, err = pointsOf(cfg, cfg.Units[0], watch.NewClock(watch.SystemClock, time.Time{}, false)); err != nil {
		t.Fatal(err)
	}
	if a.unit, err = rules.New(cfg.Units[0].Rules, a.points, nil, nil); err != nil {
		t.Fatal(err)
	}
	a.scan.Readings = make([]signal.Reading, len(a.points))
	for i, p := range a.points {
		v := map[signal.ID]float64{signal.Pressure: 8.3e5, signal.Level: 1.2, signal.Mains: 1}[p.ID]
		a.scan.Readings[i] = signal.Measured(v, p.Unit, a.scan.Time)
	}
	return a
}

// pass lets n seconds go by.
func (a *acting) pass(n int) {
	for range n {
		a.scan.Number++
		a.events = append(a.events, a.unit.Step(a.scan).Events...)
		a.scan.Time, a.scan.Elapsed = a.scan.Time.Add(time.Second), a.scan.Elapsed+time.Second
		for i := range a.scan.Readings {
			a.scan.Readings[i].Time = a.scan.Time
		}
	}
}

// set changes a reading and lets the alarm of it come, or go.
func (a *acting) set(id signal.ID, v float64) {
	a.t.Helper()
	i := slices.IndexFunc(a.points, func(p signal.Point) bool { return p.ID == id })
	a.scan.Readings[i] = signal.Measured(v, a.points[i].Unit, a.scan.Time)
	a.pass(30)
}

func (a *acting) give(c rules.Command) {
	a.t.Helper()
	c.ID, c.Unit, c.By, c.Role, c.Via, c.Reason = marker, "AU-7", marker, rules.Act, "page", marker
	if slices.Contains([]rules.Order{rules.Shelve, rules.OutOfService, rules.AnnounceTest}, c.Order) {
		c.Until = a.scan.Time.Add(5 * time.Minute)
	}
	said, err := a.unit.Apply(&c, &a.scan)
	if err != nil {
		a.t.Fatalf("%s: %v", c.Order, err)
	}
	a.events, a.given = append(a.events, said...), append(a.given, c.Order)
	a.pass(1)
}

// everyOrder gives them all; the tests end once by command and once by themselves.
func (a *acting) everyOrder() {
	a.t.Helper()
	mains := rules.Command{Source: "unit", Alarm: alarm.MainsLost}
	give := func(c rules.Command, orders ...rules.Order) {
		a.t.Helper()
		for _, o := range orders {
			c.Order = o
			a.give(c)
		}
	}
	a.pass(30)
	give(rules.Command{}, rules.AnnounceTest)
	a.set(signal.Mains, 0)
	give(mains, rules.Shelve, rules.Unshelve, rules.Acknowledge)
	a.set(signal.Mains, 1)
	give(mains, rules.Reset)
	give(rules.Command{}, rules.EndTest, rules.ForgetHeatExchange)
	give(rules.Command{Source: "unit", Alarm: marker}, rules.Note)
	give(rules.Command{Source: "pump2"}, rules.OutOfService, rules.BackInService, rules.SetBaseline, rules.OutOfService)
	give(rules.Command{Source: "pump2", Serial: marker}, rules.ExchangeMachine)
	give(rules.Command{Source: "pump2", Serial: marker + " again"}, rules.ExchangeMachine)
	give(rules.Command{Source: "unit", Task: "relief_valve"}, rules.ServiceDone)
	give(rules.Command{Source: "pump2", Mode: "OTH"}, rules.RecordFailure)
	give(rules.Command{Failure: "F1"}, rules.RejectFailure, rules.ConfirmFailure)
	give(rules.Command{Failure: "F1", Mode: "LOO"}, rules.CorrectFailure)
	give(rules.Command{Failure: "F1"}, rules.CloseFailure)
	give(rules.Command{}, rules.AnnounceTest)
	a.pass(320)
}

// wordy is a site whose people write their words wherever they may.
func wordySite(t *testing.T, dir string) string {
	t.Helper()
	text := readText(t, "../configs/quillen-reach.yaml")
	for from, to := range map[string]string{
		"/var/lib/strokebank": dir, "127.0.0.1:15020": "127.0.0.1:1", "127.0.0.1:18830": "127.0.0.1:1", "127.0.0.1:8480": "127.0.0.1:1",
		"Have an oil sample analysed":                    marker,
		"the stand-by set starts by itself within 20 s}": marker + ", latch: true}",
		"serial: QR-4411":                                `serial: "` + marker + `"`,
		"tcp://127.0.0.1:1\n":                            "tcp://127.0.0.1:1 # ask the " + marker + "\n",
		"oil_sample: {title: ":                           "oil_sample: {first_due: 2020-01-31, title: ",
		"pressure: {at: input 0,":                        `pressure: {at: input 0, column: "` + marker + `",`,
		"links:\n":                                       "# " + marker + "\nlinks:\n",
	} {
		if !strings.Contains(text, from) && !strings.Contains(from, "127.0.0.1:") && !strings.Contains(from, "pressure: {") {
			t.Fatalf("the example has no %q", from)
		}
		text = strings.ReplaceAll(text, from, to)
	}
	path := filepath.Join(t.TempDir(), "site.yaml")
	put(t, path, text)
	return path
}

// An event of every kind and every order, and a configuration, with the words
// of a person wherever somebody can type: they are nowhere in the service
// file, and what it is for is.
func TestServiceFileHasNobodysWords(t *testing.T) {
	dir := t.TempDir()
	config := wordySite(t, dir)
	cfg, err := read(config)
	if err != nil {
		t.Fatal(err)
	}
	a := newActing(t, cfg)
	a.everyOrder()
	for _, o := range rules.Orders() {
		if !slices.Contains(a.given, o) {
			t.Errorf("%s was not given", o)
		}
	}
	state, err := a.unit.Save()
	if err != nil {
		t.Fatal(err)
	}
	store := storeWith(t, dir, time.Now())
	recordAll(t, store, "AU-7", append(a.events, everyKind(t)...), state)
	recordAll(t, store, "", []rules.Event{
		{Kind: rules.ConfigEvent, Source: "alarms.mains_lost.note", Name: "changed", From: marker, To: "other " + marker},
		{Kind: rules.ConfigEvent, Source: "units.AU-7.pumps.pump1.serial", Name: "changed", From: marker, To: "QR-4411"},
		{Kind: rules.ConfigEvent, Source: "key.of.another.version", Name: "removed", From: marker},
		{Kind: rules.ConfigEvent, Source: "history.keep_events", Name: "changed", From: "100 d", To: "3650 d"},
	}, nil)
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(t.TempDir(), "out.tar.gz")
	said, _ := look(t, "-bundle", out, config)
	if !strings.Contains(said.out, marker) {
		t.Error("the person who inspects does not see the title of a task")
	}
	parts := unpacked(t, out)
	for name, text := range parts {
		for line := range strings.Lines(text) {
			if strings.Contains(line, "smew") || strings.Contains(line, "sluice") {
				t.Errorf("%s: %s", name, line)
			}
		}
	}
	for name, all := range map[string][]string{
		"events.jsonl": {`"kind":"test"`, `"name":"begun"`, `"name":"ended"`, `"name":"exchange_machine"`, `"from":"normal","to":"unacknowledged"`,
			`"from":"100 d","to":"3650 d"`, `"name":"mains_lost"`, `"priority":"`, `"kind":"kind of tomorrow"`},
		"configuration.txt": {"units.AU-7.pumps.pump1.tag: P-71", "units.AU-7.pumps.pump1.serial: (left out)", "units.AU-7.service.oil_sample.title: (left out)", "links.panel.address: tcp://127.0.0.1:1\n"},
		"inspection.txt":    {"unit, oil_sample: "},
	} {
		for _, has := range all {
			if !strings.Contains(parts[name], has) {
				t.Errorf("%s has no %q:\n%.3000s", name, has, parts[name])
			}
		}
	}
}

func recordAll(t *testing.T, store *history.Store, unit string, events []rules.Event, state []byte) {
	t.Helper()
	for i := range events {
		if e := &events[i]; e.Time.IsZero() {
			e.Time, e.ClockTrusted, e.Site, e.Unit = time.Now(), true, "quillen-reach", unit
		}
	}
	if _, err := store.Record(t.Context(), unit, events, nil, state); err != nil {
		t.Fatal(err)
	}
}

// What stands in a wrong file is not told to others, whatever quotes it has:
// its values, and keys that are no plain words.
func TestWrongFileIsToldWithoutItsWords(t *testing.T) {
	told, all := 0, ""
	for _, nasty := range []string{`'smew "s sluice"'`, `smew's "sluice" smew`, `"smew \" sluice"`, `[smew, "sluice"]`, `{"smew sluice": smew}`, `{smew: sluice}`} {
		wrong := regexp.MustCompile(`(?m)^(\s+[a-z_0-9]+: )[^\[{#\n].*$`).ReplaceAllString(readText(t, "../configs/every-key.yaml"), "${1}"+strings.ReplaceAll(nasty, "$", "$$"))
		wrong += "smew at the sluice: 0171\nmodbus_server: {listen: \"127.0.0.1:1\", units: {smew: {device: 1}}}\n"
		_, err := configs.Parse(strings.NewReader(wrong))
		var problems configs.Problems
		if !errors.As(err, &problems) {
			t.Fatalf("%s: %v", nasty, err)
		}
		for _, p := range problems {
			told++
			said := closedProblem(p).Error()
			all += said + "\n"
			// A plain key is told as the place that it is.
			if rest := strings.TrimPrefix(said, fmt.Sprintf("configuration:%d:%d: %s", p.Line, p.Column, p.Path)); strings.Contains(rest, "smew") || strings.Contains(rest, "sluice") {
				t.Errorf("%s\n  is told as %s", p.Error(), said)
			}
			if strings.Contains(said, "smew at") {
				t.Errorf("a key that is no plain word is told: %s", said)
			}
		}
	}
	if told < 100 || !strings.Contains(all, "is not a number with a unit") || !strings.Contains(all, "units.AU-8.tank.") {
		t.Errorf("%d problems:\n%.2000s", told, all)
	}
}

// Where a file stands may tell a person's name.
func TestServiceFileNamesNoHome(t *testing.T) {
	in := &inspection{File: "/home/e.marsh/site.yaml"}
	in.add(attention, "configuration", "The file cannot be read (open /home/e.marsh/site.yaml: no such file or directory), and nothing else was looked at.", "Name it.")
	out := filepath.Join(t.TempDir(), "out.tar.gz")
	if err := in.bundle(out, nil); err != nil {
		t.Fatal(err)
	}
	for name, text := range unpacked(t, out) {
		if strings.Contains(text, "marsh") || strings.HasPrefix(name, "inspection") && !strings.Contains(text, "/home/(left out)/site.yaml") {
			t.Errorf("%s: %s", name, text)
		}
	}
}

// What is hidden is so also where a line is broken within it, and where JSON
// writes it in another way.
func TestServiceFileHidesAcrossLines(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "all the keys of <this> gateway that there have ever been")
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	secret := `smew "at" <the> sluice, smew at the weir, smew at the mill`
	put(t, filepath.Join(dir, "page key"), secret+"\n")
	cfg, err := read("../configs/quillen-reach.yaml")
	if err != nil {
		t.Fatal(err)
	}
	cfg.HTTP.KeyFile = filepath.Join(dir, "page key")
	in := &inspection{cfg: cfg}
	in.add(attention, "key, page", cfg.HTTP.KeyFile+" cannot be used with the certificate: it holds "+secret+".", "Put another into "+cfg.HTTP.KeyFile+".").Details = []string{"at the broker: " + secret, "a line"}
	out := filepath.Join(t.TempDir(), "out.tar.gz")
	if err := in.bundle(out, nil); err != nil {
		t.Fatal(err)
	}
	for name, text := range unpacked(t, out) {
		for _, word := range []string{"smew", "sluice", "gateway that", "page key"} {
			if strings.Contains(text, word) {
				t.Errorf("%s has %q:\n%s", name, word, text)
			}
		}
		if name == "inspection.txt" && !strings.Contains(text, "(left out) cannot be used with the certificate") {
			t.Errorf("%s", text)
		}
	}
	if !strings.Contains(in.Findings[0].Details[0], secret) {
		t.Error("who inspects does not see what is hidden from others")
	}
}
