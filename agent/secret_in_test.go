package main

import (
	"bytes"
	"path/filepath"
	"strings"
	"testing"

	"strokebank/agent/internal/authority"
)

// typed runs a command with something on its standard input.
func typed(t *testing.T, text string, args ...string) (code int, out string) {
	t.Helper()
	var said bytes.Buffer
	code = dispatch(t.Context(), shell{in: strings.NewReader(text), out: &said, err: &said}, args)
	return code, said.String()
}

// Where only the stored form of a secret is on the machine, and who may read
// the secret itself is not who runs the command, it comes by standard input.
func TestSecretByStandardInput(t *testing.T) {
	dir := t.TempDir()
	for name, secret := range map[string]string{"see": seeSecret, "act": actSecret} {
		stored, err := authority.Stored(secret)
		if err != nil {
			t.Fatal(err)
		}
		put(t, filepath.Join(dir, name), stored+"\n")
	}
	c := startChainWith(t, func(config string) string {
		return config + "\naccess: {see_secret_file: " + dir + "/see, act_secret_file: " + dir + "/act}\n"
	})
	c.hears.await("five cycles", 0, c.cycles(5))
	_, found := look(t, c.config)
	wants(t, found, "agent", notSeen, "only the stored form is here", "-secret-file - reads it from standard input")

	bundle := filepath.Join(dir, "service.tar.gz")
	if _, said := typed(t, seeSecret+"\nand no more\n", "inspect", "-secret-file", "-", "-bundle", bundle, c.config); !strings.Contains(said, "The agent runs, is of the same version") {
		t.Errorf("inspect says\n%s", said)
	}
	for name, text := range unpacked(t, bundle) {
		if strings.Contains(text, seeSecret) {
			t.Errorf("the secret stands in %s", name)
		}
	}
	note := []string{"act", "-at", at(c.http), "-unit", "AU-9", "-by", "A. Lindqvist", "-reason", "seen", "-secret-file"}
	if code, said := typed(t, actSecret, append(note, "-", "note")...); code != exitOK {
		t.Errorf("act: %d %s", code, said)
	}
	if code, said := typed(t, "", append(note, "-", "note")...); code != exitRefused {
		t.Errorf("act with nothing typed: %d %s", code, said)
	}
	for _, args := range [][]string{append(note, dir+"/none", "note"), {"inspect", "-secret-file", dir + "/none", c.config}} {
		if code, said := typed(t, "", args...); code != exitFailed || !strings.Contains(said, "secret: open "+dir+"/none") {
			t.Errorf("%s with a file that is not there: %d %s", args[0], code, said)
		}
	}
}
