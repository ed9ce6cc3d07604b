package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"strokebank/rules"
)

// TestPeopleJudgeFailuresThreeWays: a failure is recorded by the command line,
// corrected by message and closed over HTTP, with a kill between them; the
// broker hears of each, and the export of the running agent's history has it.
func TestPeopleJudgeFailuresThreeWays(t *testing.T) {
	o := openOffice(t)
	o.hears.await("the first reserve", 0, o.cycles(5))
	told := func(name string) func(heard) bool {
		return func(h heard) bool {
			return h.topic == o.unit+"event" && h.payload["kind"] == "failure" && h.payload["name"] == name
		}
	}
	record := []string{"-secret-file", o.secret, "-source", "compressor2", "-reason", "hose weeps"}
	if code, said := o.cli(append(record, "-mode", "XYZ", "record_failure")...); code != exitRefused || !strings.Contains(said, "there is no failure mode") {
		t.Errorf("a mode of no list: %d %s", code, said)
	}
	if code, said := o.cli(append(record, "-mode", "ELP", "record_failure")...); code != exitOK {
		t.Fatalf("by the command line: %d %s", code, said)
	}
	h, _ := o.hears.await("the failure", 0, told("recorded"))
	failure := h.payload["failure"].(map[string]any)
	id := failure["id"].(string)
	if failure["position"] != "compressor2" || failure["state"] != "confirmed" || h.payload["by"] != "C. Mbeki" || h.payload["via"] != "command line" {
		t.Errorf("%v", h.payload)
	}

	before := o.nonce("")
	o.agent.kill()
	o.agent = start(t, o.strokebank, "run", o.config)
	listening(t, o.http)
	text, err := json.Marshal(map[string]any{"id": "m1", "nonce": o.nonce(before), "secret": actSecret, "command": "correct_failure",
		"failure": id, "failure_mode": "BRD", "reason": "hose burst", "by": "A. Lindqvist"})
	if err != nil {
		t.Fatal(err)
	}
	o.publish(string(text), false)
	if r := o.answer(); r["accepted"] != true || r["durable"] != true {
		t.Errorf("by message: %v", r)
	}
	o.hears.await("the correction", 0, told("corrected"))

	repair := map[string]any{"command": "close_failure", "unit": "AU-9", "failure": id, "by": "B. Haddad", "reason": "=hose replaced"}
	if status, out := o.post("", repair); status != http.StatusForbidden {
		t.Errorf("closed by nobody: %d %+v", status, out)
	}
	if status, out := o.post(actSecret, repair); status != http.StatusOK || !out.Accepted || len(out.Events) != 1 {
		t.Errorf("over HTTP: %d %+v", status, out)
	}
	o.hears.await("the repair", 0, told("closed"))
	if status, out := o.post(actSecret, repair); status != http.StatusConflict || !strings.Contains(out.Why, "closed already") {
		t.Errorf("twice: %d %+v", status, out)
	}

	var unit struct{ Failures []rules.Failure }
	if err := json.Unmarshal([]byte(get(t, fmt.Sprintf("http://%s/api/v1/units/AU-9", at(o.http)))), &unit); err != nil || len(unit.Failures) != 1 {
		t.Fatalf("%+v, %v", unit, err)
	}
	if f := unit.Failures[0]; f.ID != id || f.Mode() != "BRD" || f.Said.By != "A. Lindqvist" || f.Repair == nil || f.Repair.By != "B. Haddad" {
		t.Errorf("%+v", f)
	}
	o.exported(id)
}

// exported: the history of the running agent has the failure as it stands.
func (o *office) exported(id string) {
	o.t.Helper()
	said, code := atShell(o.t, "export", o.config, "failures")
	lines, err := csv.NewReader(strings.NewReader(said)).ReadAll()
	if code != exitOK || err != nil || len(lines) != 2 {
		o.t.Fatalf("exit code %d, %v: %s", code, err, said)
	}
	row := map[string]string{}
	for i, name := range lines[0] {
		row[name] = lines[1][i]
	}
	for name, want := range map[string]string{"failure": id, "failure_mode": "BRD", "failure_cause": "hose burst", "state": "confirmed",
		"seen_time": "", "detection_method": "casual observation", "repair": "'=hose replaced", "maintenance_category": "corrective"} {
		if row[name] != want {
			o.t.Errorf("%s is %q, want %q", name, row[name], want)
		}
	}
	if row["down_time_seconds"] == "" || row["operating_time_seconds"] == "" {
		o.t.Errorf("%v", row)
	}
}
