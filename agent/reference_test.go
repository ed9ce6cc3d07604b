package main

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
)

// reference is what the reference of topics and payloads promises.
type reference []promise

type promise struct {
	name  string // the topic as it stands there
	topic *regexp.Regexp
	form  *jsonschema.Schema
}

var (
	topicRow    = regexp.MustCompile("(?m)^\\| `(strokebank/[^`]+)` \\|.*\\| `([^`]+)` \\|$")
	placeholder = regexp.MustCompile(`<[^>]+>`)
)

// readReference compiles the schemas strictly: a name that is published
// without standing in the reference is a mistake.
func readReference(tb testing.TB) reference {
	tb.Helper()
	const dir = "internal/uplink/reference/"
	compiler := jsonschema.NewCompiler()
	compiler.AssertFormat()
	files, err := filepath.Glob(dir + "*.schema.json")
	if err != nil || len(files) == 0 {
		tb.Fatalf("no schemas: %v", err)
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			tb.Fatal(err)
		}
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
		if err != nil {
			tb.Fatalf("%s: %v", file, err)
		}
		nothingElse(doc)
		if err := compiler.AddResource(filepath.Base(file), doc); err != nil {
			tb.Fatal(err)
		}
	}
	text, err := os.ReadFile(dir + "topics.md")
	if err != nil {
		tb.Fatal(err)
	}
	var all reference
	for _, m := range topicRow.FindAllStringSubmatch(string(text), -1) {
		form, err := compiler.Compile(m[2])
		if err != nil {
			tb.Fatal(err)
		}
		all = append(all, promise{m[1], regexp.MustCompile("^" + placeholder.ReplaceAllString(m[1], "[^/]+") + "$"), form})
	}
	if len(all) < 6 {
		tb.Fatalf("%d topics found in topics.md", len(all))
	}
	return all
}

// nothingElse forbids names that are not listed.
func nothingElse(node any) {
	switch n := node.(type) {
	case map[string]any:
		if n["type"] == "object" {
			n["additionalProperties"] = false
		}
		for _, v := range n {
			nothingElse(v)
		}
	case []any:
		for _, v := range n {
			nothingElse(v)
		}
	}
}

// hold checks messages against the reference and returns the topics of it
// that occurred.
func (r reference) hold(tb testing.TB, list []heard) map[string]bool {
	tb.Helper()
	seen, wrong := map[string]bool{}, 0
	for _, h := range list {
		if err := r.one(h, seen); err != "" && wrong < 5 {
			tb.Errorf("%s: %s\n%s", h.topic, err, h.raw)
			wrong++
		}
	}
	return seen
}

func (r reference) one(h heard, seen map[string]bool) string {
	found := false
	for _, p := range r {
		if !p.topic.MatchString(h.topic) {
			continue
		}
		found, seen[p.name] = true, true
		if len(h.raw) == 0 && strings.Contains(h.topic, "/alarm/") {
			return "" // an alarm that is no longer configured is cleared so
		}
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(h.raw))
		if err == nil {
			err = p.form.Validate(doc)
		}
		if err != nil {
			return err.Error()
		}
	}
	if !found {
		return "the topic is not in the reference"
	}
	return ""
}

// holdAll is hold, and every topic that the agent publishes of itself must
// have occurred.
func (r reference) holdAll(tb testing.TB, list []heard) {
	tb.Helper()
	seen := r.hold(tb, list)
	for _, p := range r {
		if !seen[p.name] && !strings.HasSuffix(p.name, "/command") && !strings.HasSuffix(p.name, "/reply") {
			tb.Errorf("%s never came", p.name)
		}
	}
}
