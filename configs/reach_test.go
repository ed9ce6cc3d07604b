package configs

import (
	"reflect"
	"testing"
)

// inside are the fields that no site has a reason to set.
var inside = map[string]string{
	"Rules.ReserveEvery": "how the work is spread over time; a simulation that counts its own seconds sets it",
}

// reach notes every field under v, and those that are not zero; a pointer that
// is not nil counts.
func reach(path string, v reflect.Value, all, set map[string]bool) {
	switch v.Kind() {
	case reflect.Struct:
		if v.Type().PkgPath() == "time" {
			break
		}
		for i := range v.NumField() {
			if f := v.Type().Field(i); f.IsExported() {
				reach(path+"."+f.Name, v.Field(i), all, set)
			}
		}
		return
	case reflect.Slice, reflect.Array:
		for i := range v.Len() {
			reach(path, v.Index(i), all, set)
		}
		return
	case reflect.Map:
		for _, k := range v.MapKeys() {
			reach(path, v.MapIndex(k), all, set)
		}
		return
	}
	all[path] = true
	if !v.IsZero() {
		set[path] = true
	}
}

// Every field of what the rules take of a unit is set by some key: one that
// none reached would be a limit that no site can change.
func TestEveryFieldIsReached(t *testing.T) {
	text, err := Example("every-key")
	if err != nil {
		t.Fatal(err)
	}
	c, problems := parseString(string(text))
	if c == nil {
		t.Fatal(problems)
	}
	all, set := map[string]bool{}, map[string]bool{}
	for i := range c.Units {
		reach("Rules", reflect.ValueOf(c.Units[i].Rules), all, set)
	}
	if len(all) < 70 {
		t.Fatalf("only %d fields found: %v", len(all), all)
	}
	for path := range all {
		if inside[path] == "" && !set[path] {
			t.Errorf("%s is set by nothing in every-key.yaml", path)
		}
	}
}
