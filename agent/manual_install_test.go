package main

import "testing"

// What is typed for the broker is what systemd hands over.
func TestManualInstalls(t *testing.T) {
	m := newManualMachine(t)
	for _, s := range manualSteps(t, "install") {
		if !m.standIn(s) {
			m.do(s)
		}
	}
	if got := readText(t, m.to.Replace("/etc/credstore/strokebank.broker-password")); got != brokerPassword+"\n" {
		t.Errorf("handed over is %q", got)
	}
}
