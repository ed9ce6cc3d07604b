package main

import (
	"debug/buildinfo"
	"encoding/json"
	"os"
	"path/filepath"
	"runtime/debug"
	"strings"
	"testing"
)

// Every module of a program is listed once, with the place that it comes from
// where it was replaced, and twice the same.
func TestMaterials(t *testing.T) {
	info := &debug.BuildInfo{GoVersion: "go1.26.8", Main: debug.Module{Path: "strokebank"},
		Settings: []debug.BuildSetting{{Key: "GOARCH", Value: "arm"}, {Key: "vcs", Value: "git"}},
		Deps: []*debug.Module{
			{Path: "example.org/a", Version: "v1.2.3", Sum: "h1:abc="},
			{Path: "example.org/b", Version: "v1.0.0", Replace: &debug.Module{Path: "example.org/c", Version: "v2.0.0"}},
		}}
	b := materials("agent", "1.1.0", "0123456789ab", info)
	var urls []string
	for _, c := range b.Components {
		urls = append(urls, c.URL)
	}
	if got, want := strings.Join(urls, " "), "pkg:golang/std@1.26.8 pkg:golang/example.org/a@v1.2.3 pkg:golang/example.org/c@v2.0.0"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	if c := b.Metadata.Component; c.Version != "1.1.0" || len(c.Properties) != 2 || c.Properties[1] != (property{"commit", "0123456789ab"}) {
		t.Errorf("the program is %+v", c)
	}
}

// The list of a real program, here this test, stands beside it.
func TestWriteBesideTheProgram(t *testing.T) {
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := buildinfo.ReadFile(self); err != nil {
		t.Fatal(err)
	}
	program := filepath.Join(t.TempDir(), "program")
	if err := os.Symlink(self, program); err != nil {
		t.Fatal(err)
	}
	if err := write(program, "1.1.0", "unknown"); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(program + ".cdx.json")
	if err != nil {
		t.Fatal(err)
	}
	var got bom
	if err := json.Unmarshal(text, &got); err != nil || got.Format != "CycloneDX" || len(got.Components) == 0 {
		t.Errorf("%v in %s", err, text)
	}
	if write(filepath.Join(t.TempDir(), "nothing"), "", "") == nil {
		t.Error("no error for a program that is not there")
	}
}
