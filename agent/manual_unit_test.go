package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// The service unit with what the manual adds to it is right by systemd's own
// judge, which finds an addition without its empty line wrong.
func TestManualRecordsInTheService(t *testing.T) {
	page := readText(t, "../deploy/manual/tune.md")
	shown := regexp.MustCompile("(?ms)^```ini\n(.*?)^```$").FindStringSubmatch(page)
	if shown == nil {
		t.Fatal("the manual shows no addition to the unit")
	}
	path, err := program()
	if err != nil {
		t.Fatal(err)
	}
	judged := func(addition string) string {
		dir := t.TempDir()
		if err := os.Mkdir(filepath.Join(dir, "strokebank.service.d"), 0o755); err != nil {
			t.Fatal(err)
		}
		here := strings.NewReplacer("/usr/bin/strokebank", path, "file:///usr", "file://"+dir) // as if it were installed
		put(t, filepath.Join(dir, "strokebank.service"), here.Replace(readText(t, "../deploy/strokebank.service")))
		put(t, filepath.Join(dir, "strokebank.service.d", "override.conf"), here.Replace(addition))
		said, err := exec.Command(tool(t, "systemd-analyze", "systemd"), "verify", filepath.Join(dir, "strokebank.service")).CombinedOutput()
		if err != nil {
			return string(said) + err.Error()
		}
		return string(said)
	}
	if said := judged(shown[1]); said != "" {
		t.Errorf("systemd says of the addition:\n%s", said)
	}
	if said := judged(strings.Replace(shown[1], "ExecStart=\n", "", 1)); !strings.Contains(said, "more than one ExecStart=") {
		t.Errorf("systemd says of it without the empty line:\n%s", said)
	}
	// The command is the unit's own, with the flags that the manual tries by hand.
	_, command, _ := strings.Cut(shown[1], "ExecStart=/usr/bin/")
	command = strings.TrimSpace(command)
	if flags := regexp.MustCompile(` -record.*"`).FindString(command); flags == "" ||
		!strings.Contains(readText(t, "../deploy/strokebank.service"), "/usr/bin/"+strings.Replace(command, flags, "", 1)+"\n") ||
		!strings.Contains(page, "-log-level error"+strings.TrimPrefix(command, "strokebank run")+"\n") {
		t.Errorf("the addition runs %s", command)
	}
}

// After a power failure the network may be minutes away: the service waits for
// nobody who brings it up.
func TestServiceWaitsForNoNetwork(t *testing.T) {
	unit := readText(t, "../deploy/strokebank.service")
	if line := regexp.MustCompile(`(?m)^(After|Wants|Requires|BindsTo)=.*network.*$`).FindString(unit); line != "" || !strings.Contains(unit, "\nAfter=") {
		t.Errorf("the unit waits: %q", line)
	}
}
