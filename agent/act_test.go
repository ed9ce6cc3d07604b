package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"strokebank/rules"
)

const actSecret = "the secret of the acting shift"

// office is a chain at which people act.
type office struct {
	*chain
	t      *testing.T
	secret string // file
	sender mqtt.Client
	heard  int // answers read so far
}

func openOffice(t *testing.T) *office {
	t.Helper()
	o := &office{t: t, secret: filepath.Join(t.TempDir(), "act-secret")}
	if err := os.WriteFile(o.secret, []byte(actSecret+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	o.chain = startChainWith(t, func(config string) string {
		config = strings.Replace(config, "  live_period: 1 s\n", "  live_period: 1 s\n  commands: secret\n", 1)
		return config + "\naccess: {act_secret_file: " + o.secret + "}\n"
	})
	o.sender = mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + at(o.mqtt)).SetClientID("sender").SetProtocolVersion(4))
	if token := o.sender.Connect(); !token.WaitTimeout(patience) || token.Error() != nil {
		t.Fatal(token.Error())
	}
	t.Cleanup(func() { o.sender.Disconnect(100) })
	return o
}

// nonce is that of the agent's present session, other than a past one: of the
// newest status, as the agent may have had to connect more than once.
func (o *office) nonce(past string) string {
	o.t.Helper()
	var nonce string
	eventually(o.t, "the nonce of a new session is heard", func() bool {
		for _, h := range o.hears.all() {
			if strings.HasSuffix(h.topic, "/status") {
				nonce, _ = h.payload["nonce"].(string)
			}
		}
		return nonce != "" && nonce != past
	})
	return nonce
}

func (o *office) message(id, nonce, order, alarm, source string) string {
	o.t.Helper()
	text, err := json.Marshal(map[string]any{"id": id, "nonce": nonce, "secret": actSecret, "command": order, "alarm": alarm, "source": source, "by": "A. Lindqvist"})
	if err != nil {
		o.t.Fatal(err)
	}
	return string(text)
}

func (o *office) publish(text string, retained bool) {
	o.t.Helper()
	token := o.sender.Publish(o.unit+"command", 1, retained, text)
	if !token.WaitTimeout(patience) || token.Error() != nil {
		o.t.Fatal(token.Error())
	}
}

// answer is the next reply to a message.
func (o *office) answer() map[string]any {
	o.t.Helper()
	h, at := o.hears.await("an answer", o.heard, func(h heard) bool { return h.topic == o.unit+"reply" })
	o.heard = at + 1
	return h.payload
}

// post gives a command over HTTP.
func (o *office) post(secret string, command map[string]any) (int, rules.Outcome) {
	o.t.Helper()
	body, err := json.Marshal(command)
	if err != nil {
		o.t.Fatal(err)
	}
	r, err := http.NewRequestWithContext(o.t.Context(), http.MethodPost, fmt.Sprintf("http://%s/api/v1/commands", at(o.http)), bytes.NewReader(body))
	if err != nil {
		o.t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/json")
	if secret != "" {
		r.Header.Set("Authorization", "Bearer "+secret)
	}
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		o.t.Fatal(err)
	}
	defer answer.Body.Close()
	var out rules.Outcome
	text, err := io.ReadAll(answer.Body)
	if err != nil || json.Unmarshal(text, &out) != nil {
		o.t.Fatalf("%v: %s", err, text)
	}
	return answer.StatusCode, out
}

// cli runs the program's own command line.
func (o *office) cli(args ...string) (int, string) {
	o.t.Helper()
	cmd := exec.Command(o.strokebank, append([]string{"act", "-at", at(o.http), "-unit", "AU-9", "-by", "C. Mbeki"}, args...)...)
	out, err := cmd.CombinedOutput()
	if cmd.ProcessState == nil {
		o.t.Fatal(err)
	}
	return cmd.ProcessState.ExitCode(), string(out)
}

// state is where an alarm stands by the API.
func (o *office) state(name, source string) string {
	o.t.Helper()
	text, err := fetch(fmt.Sprintf("http://%s/api/v1/units/AU-9", at(o.http)))
	if err != nil {
		return err.Error() // not scanned yet
	}
	var a rules.Assessment
	if err := json.Unmarshal([]byte(text), &a); err != nil {
		o.t.Fatal(err)
	}
	for _, s := range a.Alarms {
		if s.Name == name && s.Source == source {
			return string(s.State)
		}
	}
	return "not there"
}

// journal is what the API finds.
func (o *office) journal(query string) []rules.Entry {
	o.t.Helper()
	var in struct{ Events []rules.Entry }
	if err := json.Unmarshal([]byte(get(o.t, fmt.Sprintf("http://%s/api/v1/journal?%s", at(o.http), query))), &in); err != nil {
		o.t.Fatal(err)
	}
	return in.Events
}

// TestPeopleActThreeWays: an alarm is acknowledged by message, over HTTP and by
// the command line; what is copied, kept or foreign is refused; and a kill
// between them takes nothing of it back.
func TestPeopleActThreeWays(t *testing.T) {
	o := openOffice(t)
	o.hears.await("the first reserve", 0, o.cycles(5))
	nonce := o.nonce("")
	o.image.set("input", 20, 1<<3)
	o.image.set("input", 0, 9800) // 5.8 bar
	for _, a := range [][2]string{{"overload", "pump1"}, {"low_pressure", "unit"}, {"low_reserve", "unit"}} {
		o.hears.await(a[0]+" raised", 0, o.change(a[0], a[1], "unacknowledged"))
	}

	by := o.message("m1", nonce, "acknowledge", "low_pressure", "unit")
	o.publish(by, false)
	if r := o.answer(); r["accepted"] != true || r["durable"] != true || r["id"] != "m1" {
		t.Errorf("by message: %v", r)
	}
	h, _ := o.hears.await("low_pressure acknowledged", 0, o.change("low_pressure", "unit", "acknowledged"))
	if h.payload["by"] != "A. Lindqvist" || h.payload["role"] != "act" || h.payload["via"] != "message" || h.payload["command"] != "m1" {
		t.Errorf("the event does not say who and how: %v", h.payload)
	}
	o.refusals(by, nonce)

	ack := map[string]any{"command": "acknowledge", "unit": "AU-9", "alarm": "low_reserve", "by": "B. Haddad"}
	if status, out := o.post(actSecret, ack); status != http.StatusOK || !out.Accepted || !out.Durable || len(out.Events) != 1 {
		t.Errorf("over HTTP: %d %+v", status, out)
	}
	if status, out := o.post(actSecret, ack); status != http.StatusConflict || !strings.Contains(out.Why, "nothing to acknowledge") {
		t.Errorf("over HTTP again: %d %+v", status, out)
	}
	if status, _ := o.post("", ack); status != http.StatusForbidden {
		t.Errorf("without a secret: %d", status)
	}
	if status, _ := o.post("a wrong secret, a long one", ack); status != http.StatusUnauthorized {
		t.Errorf("with a wrong secret: %d", status)
	}

	overload := []string{"-alarm", "overload", "-source", "pump1"}
	if code, said := o.cli(append(overload, "acknowledge")...); code != exitRefused {
		t.Errorf("the command line without a secret: %d %s", code, said)
	}
	if code, said := o.cli(append(overload, "-secret-file", o.secret, "acknowledge")...); code != exitOK || !strings.Contains(said, "accepted") {
		t.Errorf("by the command line: %d %s", code, said)
	}
	if code, said := o.cli(append(overload, "-secret-file", o.secret, "-for", "1h", "-reason", "winding is being rewound", "shelve")...); code != exitOK {
		t.Errorf("shelved by the command line: %d %s", code, said)
	}
	o.killed(by, nonce)
	o.written()
}

// refusals: a copy, one of another session and a plain wrong one do nothing.
func (o *office) refusals(given, nonce string) {
	o.t.Helper()
	for name, c := range map[string]struct{ text, says string }{
		"the same again":     {given, "given before"},
		"of another session": {o.message("m2", "a-nonce-of-yesterday", "acknowledge", "low_reserve", "unit"), "present session"},
		"a wrong secret":     {strings.Replace(o.message("m3", nonce, "acknowledge", "low_reserve", "unit"), actSecret, "some other words", 1), "secret is wrong"},
		"to open a valve":    {o.message("m4", nonce, "open", "", "valve.XV-1"), "no command"},
	} {
		o.publish(c.text, false)
		if r := o.answer(); r["accepted"] != false || !strings.Contains(fmt.Sprint(r["reason"]), c.says) {
			o.t.Errorf("%s: %v", name, r)
		}
	}
	if got := o.state("low_reserve", "unit"); got != "unacknowledged" {
		o.t.Errorf("low_reserve is %s after what was refused", got)
	}
}

// killed: a kill, and what was acknowledged and shelved still is; a command
// that the broker kept from before does nothing.
func (o *office) killed(given, nonce string) {
	o.t.Helper()
	o.agent.kill()
	o.publish(given, true)
	o.agent = start(o.t, o.strokebank, "run", o.config)
	listening(o.t, o.http)
	fresh := o.nonce(nonce)
	if r := o.answer(); r["accepted"] != false || !strings.Contains(fmt.Sprint(r["reason"]), "retained") {
		o.t.Errorf("what the broker kept: %v", r)
	}
	for _, a := range []struct{ name, source, want string }{
		{"low_pressure", "unit", "acknowledged"}, {"low_reserve", "unit", "acknowledged"}, {"overload", "pump1", "shelved"},
	} {
		eventually(o.t, a.name+" is "+a.want+" after the kill", func() bool { return o.state(a.name, a.source) == a.want })
	}
	o.publish(o.message("m1", fresh, "unshelve", "overload", "pump1"), false)
	if r := o.answer(); r["accepted"] != true {
		o.t.Errorf("in the new session: %v", r)
	}
	o.hears.await("overload off the shelf", 0, o.change("overload", "pump1", "unacknowledged"))
}

// written: all of it stands in the journal, and so does a change of the
// configuration with old and new.
func (o *office) written() {
	o.t.Helper()
	if code, said := o.cli("-secret-file", o.secret, "-reason", "the oil is due for a change", "note"); code != exitOK {
		o.t.Errorf("note: %d %s", code, said)
	}
	if code := o.agent.stop(); code != exitOK {
		o.t.Errorf("stopped with exit code %d", code)
	}
	o.rewrite(o.t, func(config string) string {
		return strings.Replace(config, "required_cycles: 3", "required_cycles: 4", 1)
	})
	o.agent = start(o.t, o.strokebank, "run", o.config)
	listening(o.t, o.http)
	// A wrong secret stands there too, as a note of its own.
	notes := slices.DeleteFunc(o.journal("unit=AU-9&kind=note"), func(e rules.Entry) bool { return e.Via == rules.LogIn })
	if len(notes) != 1 || notes[0].By != "C. Mbeki" || notes[0].Reason != "the oil is due for a change" || notes[0].Via != "command line" {
		o.t.Errorf("notes %+v", notes)
	}
	changed := o.journal("kind=configuration")
	if len(changed) != 1 || changed[0].Source != "reserve.required_cycles" || changed[0].Unit != "AU-9" || changed[0].From != "3" || changed[0].To != "4" {
		o.t.Errorf("changes of the configuration %+v", changed)
	}
	if code, said := o.cli("-secret-file", o.secret, "-source", "unit", "-task", "condensate", "-reason", "half a litre", "service_done"); code != exitOK {
		o.t.Errorf("service done: %d %s", code, said)
	}
	for path, want := range map[string]string{"runs?machine=pump1&": `"runs":[`, "output?machine=pump1&": `"limit_ratio":0.7`, "duty?": `"position":"compressor2"`, "faults?": `"alarm":"overload"`} {
		if got := get(o.t, fmt.Sprintf("http://%s/api/v1/%sunit=AU-9", at(o.http), path)); !strings.Contains(got, want) {
			o.t.Errorf("%s gives %.300s", path, got)
		}
	}
	acts := map[string]int{}
	for _, e := range o.journal("unit=AU-9&kind=alarm&limit=500") {
		if e.By != "" {
			acts[e.By+" "+e.Via+" "+e.Name+" "+e.To]++
		}
	}
	for _, want := range []string{"A. Lindqvist message low_pressure acknowledged", "B. Haddad interface low_reserve acknowledged",
		"C. Mbeki command line overload acknowledged", "C. Mbeki command line overload shelved", "A. Lindqvist message overload unacknowledged"} {
		if acts[want] != 1 {
			o.t.Errorf("%q stands %d times in the journal: %v", want, acts[want], acts)
		}
	}
	if log := o.agent.log.String(); strings.Contains(log, actSecret) {
		o.t.Error("the secret stands in the log")
	}
}
