package main

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"strokebank/rules/alarm"
)

// falling is a table in which the level falls by 0.36 m in an hour and rises
// again, with nothing else happening; a step of the clock is none of a table.
func falling(t *testing.T) string {
	t.Helper()
	var b strings.Builder
	b.WriteString(wellHeader)
	at := time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)
	for i := range 720 {
		depth := float64(min(i, 720-i)) * 0.001
		fmt.Fprintf(&b, "%s,8.5,%.3f,0,0,0,0\n", at.Add(time.Duration(i)*10*time.Second).Format(time.RFC3339), 1.15-depth)
	}
	path := filepath.Join(t.TempDir(), "falling.csv")
	if err := os.WriteFile(path, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// changedSite is the example with one thing changed.
func changedSite(t *testing.T, from, to string) string {
	t.Helper()
	text, err := os.ReadFile(quillen)
	if err != nil {
		t.Fatal(err)
	}
	if strings.Count(string(text), from) != 1 {
		t.Fatalf("the example does not have %q once", from)
	}
	path := filepath.Join(t.TempDir(), "changed.yaml")
	if err := os.WriteFile(path, []byte(strings.Replace(string(text), from, to, 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func against(t *testing.T, other string, table string) string {
	t.Helper()
	out, said, code := replayOf(t, "-against", other, quillen, table)
	if code != exitOK {
		t.Fatalf("exit code %d\n%s", code, said)
	}
	return out
}

func TestReplayAgainstItself(t *testing.T) {
	out := against(t, quillen, falling(t))
	if !regexp.MustCompile(`^[1-9]\d* events are the same\.\n\nFigures`).MatchString(out) || strings.Contains(out, "*") {
		t.Errorf("against the same configuration:\n%s", out)
	}
}

// The level falls by 0.1 mm a second: a limit that is 0.05 m higher is met
// 500 s earlier, and the level comes back over it, with the dead band that is a
// part of it, that much more later.
func TestReplayAgainstAnotherLimit(t *testing.T) {
	d, ok := alarm.Find(alarm.LowLevel)
	if !ok {
		t.Fatal("no such alarm")
	}
	out := against(t, changedSite(t, "low_level: 0.90 m", "low_level: 0.95 m"), falling(t))
	for _, c := range []struct {
		change  string
		seconds float64
	}{{"normal → unacknowledged", -500}, {"unacknowledged → returned unacknowledged", 500 * (1 + d.Deadband)}} {
		m := regexp.MustCompile(`T\S+  ([+-]\d+) s  alarm low_level \(unit\): ` + c.change + `\n`).FindStringSubmatch(out)
		if m == nil {
			t.Errorf("%s has not moved in\n%s", c.change, out)
			continue
		}
		if s, _ := strconv.ParseFloat(m[1], 64); s < c.seconds-10 || s > c.seconds+10 {
			t.Errorf("%s moved by %v s, want %v", c.change, s, c.seconds)
		}
	}
}

// What only one of the two gives is listed on its side, and figures that
// differ are marked.
func TestReplayAgainstAnotherRequirement(t *testing.T) {
	table := falling(t)
	other := changedSite(t, "required_cycles: 6", "required_cycles: 2")
	out := against(t, other, table)
	if !strings.Contains(out, "Only without "+other) || strings.Contains(out, "Only with "+other) ||
		!strings.Contains(out, "alarm low_reserve (unit): normal → unacknowledged") {
		t.Errorf("fewer cycles are required:\n%s", out)
	}
	if !regexp.MustCompile(`(?m)^alarms raised +\d+ +\* \d+$`).MatchString(out) || regexp.MustCompile(`(?m)^pump1 .*\*`).MatchString(out) {
		t.Errorf("the marks are wrong:\n%s", out)
	}
	out, said, code := replayOf(t, "-against", quillen, other, table)
	if code != exitOK || !strings.Contains(out, "Only with "+quillen) || strings.Contains(out, "Only without") {
		t.Errorf("the other way round: exit code %d\n%s%s", code, out, said)
	}
}

func TestReplayUsage(t *testing.T) {
	empty := t.TempDir()
	for _, c := range []struct {
		name string
		args []string
		code int
		want string
	}{
		{"no recording", []string{quillen}, exitUsage, "wants a configuration FILE and a RECORDING"},
		{"no such unit", []string{"-unit", "AU-8", quillen, empty}, exitUsage, "no unit \"AU-8\", but AU-7"},
		{"no such file", []string{quillen, filepath.Join(empty, "nothing.csv")}, exitFailed, "no such file"},
		{"an empty directory", []string{quillen, empty}, exitFailed, "there is no recording of unit AU-7 in it"},
		{"wrong configuration", []string{falling(t), empty}, exitConfig, "problem(s)"},
		{"wrong second configuration", []string{"-against", falling(t), quillen, empty}, exitConfig, "problem(s)"},
		{"two tables", []string{quillen, falling(t), falling(t)}, exitFailed, "replay one at a time"},
		{"a table named as a recording", []string{quillen, renamed(t, falling(t), "x.recording")}, exitFailed, "not a gzip stream"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if _, said, code := replayOf(t, c.args...); code != c.code || !strings.Contains(said, c.want) {
				t.Errorf("exit code %d, want %d and %q in\n%s", code, c.code, c.want, said)
			}
		})
	}
}

func renamed(t *testing.T, path, name string) string {
	t.Helper()
	to := filepath.Join(filepath.Dir(path), name)
	if err := os.Rename(path, to); err != nil {
		t.Fatal(err)
	}
	return to
}
