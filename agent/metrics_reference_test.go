package main

import (
	"fmt"
	"os"
	"strings"
	"testing"

	"strokebank/agent/internal/registers"
	"strokebank/agent/internal/uplink"
)

// Every figure of the agent's own parts stands in the reference of metrics,
// and nothing else stands in that part of it.
func TestReferenceOfTheAgentsFigures(t *testing.T) {
	const path, begins = "internal/metrics/reference.md", "\n## The agent\n"
	var want strings.Builder
	want.WriteString("\nHow the agent itself is. What concerns the broker or the Modbus server is there where it is configured.\n\n| name | kind | labels | meaning |\n| --- | --- | --- | --- |\n")
	for _, f := range (&station{uplink: new(uplink.Uplink), server: new(registers.Server)}).figures() {
		kind := "gauge"
		if f.Counter {
			kind = "counter"
		}
		fmt.Fprintf(&want, "| `strokebank_%s` | %s | %s | %s |\n", f.Name, kind, strings.Join(f.Labels, ", "), f.Help)
	}
	units, agent, _ := strings.Cut(readText(t, path), begins)
	if *update {
		if err := os.WriteFile(path, []byte(units+begins+want.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	} else if agent != want.String() {
		t.Error(path + " does not say what figures.go does: go test ./agent -run ReferenceOfTheAgents -update")
	}
}
