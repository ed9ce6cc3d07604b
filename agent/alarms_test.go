package main

import (
	"bytes"
	"encoding/csv"
	"strings"
	"testing"
	"time"

	"strokebank/rules/alarm"
)

// invoke runs one command of the program in this process.
func invoke(t *testing.T, args ...string) (code int, out, errs string) {
	t.Helper()
	var o, e bytes.Buffer
	code = dispatch(t.Context(), shell{strings.NewReader(""), &o, &e}, args)
	return code, o.String(), e.String()
}

// The site's list has every alarm that the unit can raise, with the site's own
// limits and words, in the site's units.
func TestAlarmListOfASite(t *testing.T) {
	code, out, errs := invoke(t, "alarms", "../configs/every-key.yaml")
	if code != exitOK {
		t.Fatalf("%d %s", code, errs)
	}
	for _, words := range []string{
		"Alarms of unit AU-8", "Alarms of unit AU-9", "[reserve_lost, high priority, respond within 10m]",
		"unit (limit 6.90 bar)", "the gauge is on the north side of the tank", "changed   limit, on-delay, off-delay, deadband, priority, acknowledge, latch, note",
		"unit (limit 95.0 psi)", "wants acknowledgement once its cause is gone", "wants nothing once its cause is gone",
		"explains  low_reserve (same source)", "link.panel, link.skid", "[clock_untrusted",
	} {
		if !strings.Contains(out, words) {
			t.Errorf("the list does not say %q", words)
		}
	}
	for _, line := range strings.Split(out, "\n") {
		if n := len([]rune(line)); n > 140 && !strings.HasPrefix(line, "  at") && !strings.HasPrefix(line, "  causes") {
			t.Errorf("a line of %d letters: %s", n, line)
		}
	}
}

func TestAlarmListAsTable(t *testing.T) {
	code, out, errs := invoke(t, "alarms", "-csv", "../configs/quillen-reach.yaml")
	if code != exitOK {
		t.Fatalf("%d %s", code, errs)
	}
	rows, err := csv.NewReader(strings.NewReader(out)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]bool{}
	for _, row := range rows[1:] {
		d, ok := alarm.Find(row[1])
		if !ok || row[0] != "AU-7" || row[2] == "" || row[3] != d.Title || row[12] != d.Meaning || row[14] != d.Action || row[4] == "" {
			t.Errorf("%q", row)
		}
		if key := row[1] + " " + row[2]; seen[key] {
			t.Errorf("%s stands twice", key)
		} else {
			seen[key] = true
		}
	}
	for _, want := range []string{"low_reserve unit", "overload pump2", "link_lost link.panel", "transmitter_failed pressure", "history_failing agent"} {
		if !seen[want] {
			t.Errorf("%s is missing", want)
		}
	}
}

func TestActWantsToBeUnderstood(t *testing.T) {
	for _, c := range []struct {
		name string
		args []string
		code int
		says string
	}{
		{"no command", nil, exitUsage, "acknowledge, shelve"},
		{"one that nobody knows", []string{"open_valve"}, exitUsage, "wants one command"},
		{"two", []string{"note", "reset"}, exitUsage, "wants one command"},
		{"two ends", []string{"-for", "1h", "-until", "2026-11-25T10:00:00Z", "shelve"}, exitUsage, "not both"},
		{"an end that is no time", []string{"-until", "tomorrow", "shelve"}, exitUsage, "not a time"},
		{"a negative length", []string{"-for", "-1h", "shelve"}, exitUsage, "no length"},
		{"an agent on another machine", []string{"-at", "192.0.2.1:8480", "note"}, exitUsage, "this machine"},
		{"a secret that is not there", []string{"-secret-file", "/nowhere/secret", "note"}, exitFailed, "secret"},
		{"nobody there", []string{"-at", "127.0.0.1:1", "note"}, exitFailed, "cannot be asked"},
	} {
		t.Run(c.name, func(t *testing.T) {
			code, _, errs := invoke(t, append([]string{"act"}, c.args...)...)
			if code != c.code || !strings.Contains(errs, c.says) {
				t.Errorf("%d %s; want %d and %q", code, errs, c.code, c.says)
			}
		})
	}
}

func TestSpanInWords(t *testing.T) {
	for d, want := range map[time.Duration]string{15 * time.Second: "15s", time.Minute: "1m", 90 * time.Minute: "1h30m", 8 * time.Hour: "8h", 72 * time.Hour: "3 d", 0: "0s"} {
		if got := span(d); got != want {
			t.Errorf("%v is %q, want %q", d, got, want)
		}
	}
}
