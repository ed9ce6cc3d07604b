package configs

import (
	"strings"
	"testing"
)

// What holds is remembered by path, defaults included, and differs in exactly
// the keys in which two files differ.
func TestEffective(t *testing.T) {
	text, err := Example("quillen-reach")
	if err != nil {
		t.Fatal(err)
	}
	parse := func(text string) map[string]string {
		t.Helper()
		c, err := Parse(strings.NewReader(text))
		if err != nil {
			t.Fatal(err)
		}
		return c.Effective
	}
	before := parse(string(text))
	if len(before) < 100 {
		t.Fatalf("only %d keys hold", len(before))
	}
	for path, want := range map[string]string{"http.listen": "127.0.0.1:8480", "units.AU-7.pumps.turns": "2", "history.keep_trends": "3650 d", "access.act_without_secret": "false"} {
		if before[path] == "" || (strings.HasPrefix(path, "history") || strings.HasPrefix(path, "access")) && before[path] != want {
			t.Errorf("%s is %q, want %q", path, before[path], want)
		}
	}
	after := parse(strings.Replace(string(text), "required_cycles: 6", "required_cycles: 4", 1) + "\naccess: {act_without_secret: true}\n")
	changed := 0
	for path, now := range after {
		if before[path] != now {
			changed++
		}
	}
	if changed != 2 || after["units.AU-7.reserve.required_cycles"] != "4" || after["access.act_without_secret"] != "true" {
		t.Errorf("%d keys changed", changed)
	}
}
