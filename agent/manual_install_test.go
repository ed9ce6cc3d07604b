package main

import (
	"slices"
	"strings"
	"testing"
)

// Installed, changed and installed once more a gateway keeps what the site made
// of its configuration. What is typed for the broker is what systemd hands over.
func TestManualInstallsAgain(t *testing.T) {
	m := newManualMachine(t)
	install := func() {
		for _, s := range manualSteps(t, "install") {
			if m.standIn(s) {
				continue
			}
			if out, code := m.do(s); code != 0 {
				t.Errorf("%s ends with exit code %d: %s", s.command, code, out)
			}
		}
	}
	install()
	config := m.to.Replace("/etc/strokebank/strokebank.yaml")
	changed := readText(t, config) + "# of the site\n"
	put(t, config, changed)
	install()
	if got := readText(t, config); got != changed {
		t.Errorf("the site's configuration became\n%s", got)
	}
	if got := readText(t, m.to.Replace("/etc/credstore/strokebank.broker-password")); got != brokerPassword+"\n" {
		t.Errorf("handed over is %q", got)
	}
}

// A backup leaves the gateway in an order in which it is never lost: a stick is
// there, the copy is on it and sound, and only then the first one goes.
func TestManualBackupOnAStick(t *testing.T) {
	order := []string{"mountpoint /mnt/stick", "backup -replace", "cp /var/lib/strokebank/copy.db /mnt/stick/", "sync -f /mnt/stick/", "verify -backup /mnt/stick/", "rm /var/lib/strokebank/copy.db"}
	for _, page := range []string{"service", "upgrade"} {
		steps := manualSteps(t, page)
		first := slices.IndexFunc(steps, func(s manualStep) bool { return strings.Contains(s.command, order[0]) })
		for i, want := range order {
			if first < 0 || first+i >= len(steps) || !strings.Contains(steps[first+i].command, want) {
				t.Errorf("%s: step %d of a backup is not %q", page, i+1, want)
			}
		}
	}
}
