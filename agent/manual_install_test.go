package main

import "testing"

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
