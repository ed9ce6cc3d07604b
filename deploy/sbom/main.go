// Command sbom writes a bill of materials for built Go programs: what the
// linker put into each, read from the program itself, as CycloneDX 1.5 JSON
// beside it. The same program gives the same bytes.
//
// usage: sbom -version VERSION -commit COMMIT PROGRAM...
package main

import (
	"debug/buildinfo"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"runtime/debug"
	"strings"
)

// bom and component are the parts of CycloneDX 1.5 that are filled in.
type bom struct {
	Format     string      `json:"bomFormat"`
	Spec       string      `json:"specVersion"`
	Version    int         `json:"version"`
	Metadata   metadata    `json:"metadata"`
	Components []component `json:"components"`
}

type metadata struct {
	Component component `json:"component"`
}

type component struct {
	Type       string     `json:"type"`
	Ref        string     `json:"bom-ref"`
	Name       string     `json:"name"`
	Version    string     `json:"version"`
	URL        string     `json:"purl,omitempty"`
	Properties []property `json:"properties,omitempty"`
}

type property struct {
	Name  string `json:"name"`
	Value string `json:"value"`
}

func main() {
	// The linker was told these; with -trimpath a program does not say what its
	// linker was told.
	version := flag.String("version", "unknown", "the `version` of the programs")
	commit := flag.String("commit", "unknown", "the `commit` that they were made from")
	flag.Parse()
	for _, path := range flag.Args() {
		if err := write(path, *version, *commit); err != nil {
			fmt.Fprintln(os.Stderr, "sbom:", err)
			os.Exit(1)
		}
	}
}

func write(path, version, commit string) error {
	info, err := buildinfo.ReadFile(path)
	if err != nil {
		return err
	}
	text, err := json.MarshalIndent(materials(filepath.Base(path), version, commit, info), "", "  ")
	if err != nil {
		return err
	}
	return os.WriteFile(path+".cdx.json", append(text, '\n'), 0o644)
}

// materials lists the modules in a program, and the toolchain whose library is
// in it too.
func materials(name, version, commit string, info *debug.BuildInfo) bom {
	b := bom{Format: "CycloneDX", Spec: "1.5", Version: 1}
	b.Metadata.Component = component{Type: "application", Ref: info.Main.Path, Name: name, Version: version}
	for _, s := range info.Settings {
		if s.Key == "GOOS" || s.Key == "GOARCH" || s.Key == "GOARM" || s.Key == "CGO_ENABLED" {
			b.Metadata.Component.Properties = append(b.Metadata.Component.Properties, property{"go:" + s.Key, s.Value})
		}
	}
	b.Metadata.Component.Properties = append(b.Metadata.Component.Properties,
		property{"commit", commit})
	toolchain := strings.TrimPrefix(info.GoVersion, "go")
	b.Components = append(b.Components, component{Type: "library", Ref: "std", Name: "std", Version: toolchain, URL: "pkg:golang/std@" + toolchain})
	for _, m := range info.Deps {
		if m.Replace != nil {
			m = m.Replace
		}
		url := "pkg:golang/" + m.Path + "@" + m.Version
		c := component{Type: "library", Ref: url, Name: m.Path, Version: m.Version, URL: url}
		if m.Sum != "" {
			c.Properties = []property{{"go:sum", m.Sum}}
		}
		b.Components = append(b.Components, c)
	}
	return b
}
