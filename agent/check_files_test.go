package main

import (
	"fmt"
	"io/fs"
	"path/filepath"
	"strings"
	"testing"
)

// A start that would fail for a file fails here first, with every file named;
// what only the service gets is no reason.
func TestCheckTriesTheFiles(t *testing.T) {
	dir := t.TempDir()
	text := readText(t, "../configs/quillen-reach.yaml")
	put(t, filepath.Join(dir, "secret"), "a secret of enough letters\n")
	put(t, filepath.Join(dir, "short"), "short\n")
	put(t, filepath.Join(dir, "page.pem"), "no certificate")
	for _, c := range []struct {
		name, lines string
		code        int
		says        []string
	}{
		{"all is there", "access: {act_secret_file: DIR/secret}", exitOK, nil},
		{"missing, and too short", "access: {see_secret_file: DIR/none, act_secret_file: DIR/short}", exitConfig,
			[]string{"would not start: secret of the role see: open DIR/none", "would not start: secret of the role act: it has 5 characters"}},
		{"systemd hands it over", "access: {act_secret_file: /run/credentials/strokebank.service/strokebank.act-secret}", exitOK,
			[]string{"not tried, as only the service may read it", "strokebank.act-secret"}},
		{"no certificate in it", "http: {listen: \"127.0.0.1:8480\", certificate_file: DIR/page.pem, key_file: DIR/page.pem}", exitConfig, []string{"would not start: page certificate"}},
		{"broker's files", "broker: {address: \"tls://127.0.0.1:8883\", user: gateway, password_file: DIR/nowhere, ca_file: DIR/page.pem}", exitConfig,
			[]string{"would not start: password file: open DIR/nowhere", "would not start: certificate authority DIR/page.pem: no PEM certificate"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			key, _, _ := strings.Cut(c.lines, ":")
			var kept []string // what the example says of the same
			skip := false
			for line := range strings.Lines(text) {
				if !strings.HasPrefix(line, " ") {
					skip = strings.HasPrefix(line, key+":")
				}
				if !skip {
					kept = append(kept, line)
				}
			}
			file := filepath.Join(dir, "x.yaml")
			put(t, file, strings.Join(kept, "")+strings.ReplaceAll(c.lines, "DIR", dir)+"\n")
			got := try(t, "check", file)
			if got.code != c.code {
				t.Errorf("exit code %d, want %d\n%s%s", got.code, c.code, got.out, got.err)
			}
			for _, want := range c.says {
				if want = strings.ReplaceAll(want, "DIR", dir); !strings.Contains(got.out, want) {
					t.Errorf("does not say %q:\n%s", want, got.out)
				}
			}
		})
	}
}

// Who asks for the service may be kept from its files; the service may not.
func TestClosedFiles(t *testing.T) {
	own, others := t.TempDir(), filepath.Join(t.TempDir(), "none")
	refused := fmt.Errorf("secret: %w", &fs.PathError{Op: "open", Path: "/etc/strokebank/act-secret", Err: fs.ErrPermission})
	handed := func(err error) error {
		return fmt.Errorf("secret: %w", &fs.PathError{Op: "open", Path: credentials + "strokebank.service/strokebank.act-secret", Err: err})
	}
	for _, c := range []struct {
		name, store, handed string
		err                 error
		want                bool
	}{
		{"refused to somebody else", others, "", refused, true},
		{"refused to who owns the store", own, "", refused, false},
		{"handed over by systemd, outside of the service", own, "", handed(fs.ErrNotExist), true},
		{"handed over by systemd, within, and not there", own, "/run/credentials/strokebank.service", handed(fs.ErrNotExist), false},
		{"handed over by systemd, at a reload", own, "/run/credentials/strokebank.service", handed(fs.ErrPermission), true},
		{"not there", others, "", &fs.PathError{Op: "open", Path: "/etc/strokebank/act-secret", Err: fs.ErrNotExist}, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Setenv(handedToThis, c.handed)
			if got := closed(c.err, c.store); got != c.want {
				t.Errorf("closed is %t", got)
			}
		})
	}
}
