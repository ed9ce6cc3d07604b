package configs

import (
	"bytes"
	"flag"
	"os"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write the golden files anew")

// tablesUnder lists a table and all that stand under it.
func tablesUnder(t *table) []*table {
	list := []*table{t}
	for i := range t.keys {
		if t.keys[i].in != nil {
			list = append(list, tablesUnder(t.keys[i].in)...)
		}
	}
	return list
}

// Every key of the decoder's tables stands in every-key.yaml, and the decoder
// has looked for every one of them.
func TestEveryKey(t *testing.T) {
	text, err := Example("every-key")
	if err != nil {
		t.Fatal(err)
	}
	d := &decoder{asked: map[*key]bool{}, given: map[*key]bool{}}
	if _, err := d.parse(bytes.NewReader(text)); err != nil {
		t.Fatalf("every-key.yaml:\n%v", err)
	}
	// Keys that exclude one that is there; they stand as a comment.
	commented := map[string]bool{"password_env": true, "see_secret_env": true, "act_secret_env": true}
	for _, table := range tablesUnder(fileKeys) {
		for i := range table.keys {
			k := &table.keys[i]
			if !d.asked[k] {
				t.Errorf("%s: the decoder never asks for %s", table.name, k.name)
			}
			if !d.given[k] && !(commented[k.name] && bytes.Contains(text, []byte("# "+k.name+": "))) {
				t.Errorf("every-key.yaml does not have %s of %s", k.name, table.name)
			}
		}
	}
}

// The tables are sound: names once, documented, defaults and bounds readable.
func TestTables(t *testing.T) {
	for _, table := range tablesUnder(fileKeys) {
		seen := map[string]bool{}
		for i := range table.keys {
			k := &table.keys[i]
			if seen[k.name] || k.doc == "" || !strings.HasSuffix(k.doc, ".") {
				t.Errorf("%s.%s: stands twice, or its meaning is missing or no sentence", table.name, k.name)
			}
			seen[k.name] = true
			if k.required && k.def != "" {
				t.Errorf("%s.%s: required and with a default", table.name, k.name)
			}
			if (k.kind == aBlock || k.kind == aMap) != (k.in != nil) || (k.kind == aWord) != (len(k.words) > 0) {
				t.Errorf("%s.%s: kind does not fit the table or the words", table.name, k.name)
			}
			if k.kind != aQuantity {
				continue
			}
			limits := k.limits() // panics on an unreadable bound
			if def := k.fallback(false); def < limits.least || def > limits.most {
				t.Errorf("%s.%s: default %s is outside its own bounds", table.name, k.name, k.def)
			}
		}
	}
}

// reference.md is what the tables say.
func TestReference(t *testing.T) {
	if *update {
		if err := os.WriteFile("reference.md", []byte(Reference()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile("reference.md")
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != Reference() {
		t.Error("reference.md differs from the tables: run go test ./configs -update")
	}
	for _, table := range tablesUnder(fileKeys) {
		for i := range table.keys {
			if !strings.Contains(string(got), "| `"+table.keys[i].name+"` |") {
				t.Errorf("reference.md lacks %s of %s", table.keys[i].name, table.name)
			}
		}
	}
}
