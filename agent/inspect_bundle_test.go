package main

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"strokebank/agent/internal/authority"
	"strokebank/agent/internal/history"
	"strokebank/rules"
)

// unpacked is a service file's parts by their names.
func unpacked(t *testing.T, path string) map[string]string {
	t.Helper()
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	if info.Mode().Perm() != 0o600 {
		t.Errorf("others may read it: %v", info.Mode())
	}
	file, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	zip, err := gzip.NewReader(bytes.NewReader(file))
	if err != nil {
		t.Fatal(err)
	}
	parts := map[string]string{}
	for in := tar.NewReader(zip); ; {
		h, err := in.Next()
		if err == io.EOF {
			return parts
		}
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(in)
		if err != nil {
			t.Fatal(err)
		}
		parts[strings.TrimPrefix(h.Name, "strokebank-service/")] = string(text)
	}
}

// Secrets of every kind are planted wherever one can stand: none of them, and
// no person's name or words, is in the service file, and no secret is said.
func TestServiceFileHasNoSecrets(t *testing.T) {
	s := newSigner(t, "gateway-test")
	stored, err := authority.Stored("stored-otter-under-the-bank-5")
	if err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{"password": "password-heron-\"<&>-61\n", "see": "see-wagtail-on-the-sill-62\n", "act": stored + "\n", "typed": "typed-grebe-in-the-reeds-63\n"} {
		s.write(t, name, text)
	}
	t.Setenv("STROKEBANK_TEST_ENV", "in-the-environment-64")
	dir := t.TempDir()
	config := configuration(t, "chain.yaml", map[string]string{"PORT_MODBUS": "1", "PORT_HTTP": "1", "STORE": dir,
		`address: "tcp://127.0.0.1:PORT_MQTT"`: fmt.Sprintf("address: tls://127.0.0.1:1 # comment-plover-65\n  ca_file: %s\n  certificate_file: %s\n  key_file: %s\n  user: user-dipper-66\n  password_file: %s",
			s.file("ca.crt"), s.file("gateway-test.crt"), s.file("gateway-test.key"), s.file("password")),
		`http: {`:       fmt.Sprintf("access: {see_secret_file: %s, act_secret_file: %s}\nhttp: {certificate_file: %s, key_file: %s, ", s.file("see"), s.file("act"), s.file("gateway-test.crt"), s.file("gateway-test.key")),
		`mains_lost: {`: "mains_lost: {note: note-curlew-67, "})
	store := storeWith(t, dir, time.Now())
	record(t, store, "AU-9",
		rules.Event{Kind: rules.NoteEvent, Source: "unit", Name: "note", Reason: "the pass word is typed-snipe-68", By: "person-lark-69", Command: "command-rail-70"},
		rules.Event{Kind: rules.CommandEvent, Source: "pump1", Name: "shelve", Reason: "words-crake-71", By: "person-lark-69"},
		rules.Event{Kind: rules.AlarmEvent, Source: "pressure", Name: "transmitter_failed", From: "normal", To: "unacknowledged", Reason: "failure signal low"},
		rules.Event{Kind: rules.AlarmEvent, Source: "pressure", Name: "transmitter_failed", From: "normal", To: "unacknowledged", Reason: "typed-grebe-in-the-reeds-63"},
		rules.Event{Kind: rules.AlarmEvent, Source: "unit", Name: "mains_lost", Reason: "shelved-coot-72", By: "person-lark-69"})
	record(t, store, "",
		rules.Event{Kind: rules.ConfigEvent, Source: "broker.user", Name: "changed", From: "old-user-teal-73", To: "user-dipper-66", By: "configuration file"},
		rules.Event{Kind: rules.ConfigEvent, Source: "broker.password_env", Name: "removed", From: "mistaken-knot-74"},
		rules.Event{Kind: rules.ConfigEvent, Source: "history.keep_events", Name: "changed", From: "100 d", To: "3650 d"})
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(t.TempDir(), "service.tar.gz")
	got, _ := look(t, "-bundle", out, "-secret-file", s.file("typed"), config)
	if got.code != exitFailed || got.err != "" {
		t.Errorf("exit code %d, %s", got.code, got.err)
	}
	parts := unpacked(t, out)
	planted := []string{"password-heron", "see-wagtail", stored, strings.Split(stored, "$")[3], "typed-grebe", "in-the-environment", "comment-plover", "user-dipper", "note-curlew",
		"typed-snipe", "person-lark", "command-rail", "words-crake", "shelved-coot", "old-user-teal", "mistaken-knot"}
	for _, key := range strings.Split(readText(t, s.file("gateway-test.key")), "\n") {
		if len(key) > 8 && !strings.HasPrefix(key, "-----") {
			planted = append(planted, key)
		}
	}
	for name, text := range parts {
		for _, secret := range planted {
			if strings.Contains(text, secret) {
				t.Errorf("%q stands in %s", secret, name)
			}
		}
	}
	for _, secret := range []string{"password-heron", "see-wagtail", stored, "typed-grebe", "in-the-environment"} {
		if strings.Contains(got.out+got.err, secret) {
			t.Errorf("%q is said", secret)
		}
	}
	for name, has := range map[string]string{
		"inspection.txt": "NEED", "inspection.json": `"findings"`, "system.txt": "kernel   Linux",
		"configuration.txt": "broker.user: (left out)", "events.jsonl": `"reason":"failure signal low"`,
	} {
		if !strings.Contains(strings.ReplaceAll(parts[name], "need somebody", "NEED"), has) {
			t.Errorf("%s has no %q:\n%.600s", name, has, parts[name])
		}
	}
	for _, has := range []string{"history.keep_events", `"from":"100 d","to":"3650 d"`} {
		if !strings.Contains(parts["events.jsonl"], has) {
			t.Errorf("no %q in\n%s", has, parts["events.jsonl"])
		}
	}
	if !strings.Contains(parts["configuration.txt"], "units.AU-9.set_points.pressure: 8 bar\n") {
		t.Errorf("no configuration in\n%.600s", parts["configuration.txt"])
	}

	var words bytes.Buffer
	code := inspectWith(t.Context(), shell{out: &words, err: &words}, []string{"-bundle", out, config}, senses{"/sys", rightTime})
	if code != exitFailed || !strings.Contains(words.String(), "file exists") {
		t.Errorf("a file that is there was not refused: exit code %d\n%s", code, words.String())
	}

	// To standard output: the file and nothing else.
	var piped, errs bytes.Buffer
	code = inspectWith(t.Context(), shell{out: &piped, err: &errs}, []string{"-bundle", "-", config}, senses{"/sys", rightTime})
	again := filepath.Join(t.TempDir(), "piped.tar.gz")
	put(t, again, piped.String())
	if parts := unpacked(t, again); code != exitFailed || errs.Len() > 0 || len(parts) != 5 || !strings.Contains(parts["events.jsonl"], "failure signal low") {
		t.Errorf("exit code %d, %d parts, %s", code, len(parts), errs.String())
	}
}

// record puts events into a store, of now.
func record(t *testing.T, store *history.Store, unit string, events ...rules.Event) {
	t.Helper()
	for i := range events {
		events[i].Time, events[i].ClockTrusted, events[i].Site, events[i].Unit = time.Now(), true, "quillen-reach", unit
	}
	if _, err := store.Record(t.Context(), unit, events, nil, []byte("{}")); err != nil {
		t.Fatal(err)
	}
}

// Secrets that the program can read are replaced wherever they have come to,
// also as JSON writes them: the last line behind the lists.
func TestSecretsAreReplaced(t *testing.T) {
	s := &signer{dir: t.TempDir()}
	s.write(t, "password", "heron \"at\" <the> weir\n")
	s.write(t, "short", "abc\n")
	t.Setenv("STROKEBANK_TEST_ENV", "in-the-environment-64")
	cfg, err := read("../configs/quillen-reach.yaml")
	if err != nil {
		t.Fatal(err)
	}
	cfg.Broker.PasswordFile, cfg.Access.SeeEnv, cfg.Access.ActFile = s.file("password"), "STROKEBANK_TEST_ENV", s.file("short")
	in := &inspection{cfg: cfg}
	got := in.secrets().Replace(`heron "at" <the> weir, {"x":"heron \"at\" \u003cthe\u003e weir"}, in-the-environment-64, STROKEBANK_TEST_ENV, ` + s.file("password") + `, abc`)
	if want := `(left out), {"x":"(left out)"}, (left out), (left out), (left out), abc`; got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

// A file that is wrong is told by its places, not by what stands there: some
// write the password itself into it.
func TestServiceFileOfAWrongConfiguration(t *testing.T) {
	dir := t.TempDir()
	bad, out := filepath.Join(dir, "bad.yaml"), filepath.Join(dir, "out.tar.gz")
	text := readText(t, "../configs/quillen-reach.yaml")
	text = strings.Replace(text, "  address: tcp://127.0.0.1:18830", "  address: ftp://planted-smew-1.example\n  password: planted-smew-2\n  commands: planted-smew-3\n  user: 'planted: smew-4'\n  live_period2: planted-smew-5", 1)
	if err := os.WriteFile(bad, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	got, _ := look(t, "-bundle", out, bad)
	if got.code != exitFailed {
		t.Errorf("exit code %d", got.code)
	}
	parts := unpacked(t, out)
	if !strings.Contains(parts["inspection.txt"], "broker.password") {
		t.Errorf("the place is not said:\n%s", parts["inspection.txt"])
	}
	for name, text := range parts {
		if strings.Contains(text, "smew") {
			t.Errorf("%s says what stands in the file:\n%s", name, text)
		}
	}
}

// A service file stays small enough to be sent, and has the newest.
func TestServiceFileIsBounded(t *testing.T) {
	dir, out := t.TempDir(), filepath.Join(t.TempDir(), "out.tar.gz")
	config := configuration(t, "chain.yaml", map[string]string{"PORT_MODBUS": "1", "PORT_MQTT": "1", "PORT_HTTP": "1", "STORE": dir})
	store := storeWith(t, dir, time.Now())
	events := make([]rules.Event, 3*mostSent)
	for i := range events {
		events[i] = rules.Event{Kind: rules.PanelEvent, Source: "unit", Name: fmt.Sprint("switch ", i), Reason: strings.Repeat("x", 600)}
	}
	record(t, store, "AU-9", events...)
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
	look(t, "-bundle", out, config)
	text := unpacked(t, out)["events.jsonl"]
	newest := fmt.Sprintf(`"name":"switch %d"`, len(events)-1)
	if n := strings.Count(text, "\n"); len(text) > mostSentBytes || n < 500 || n > mostSent || !strings.Contains(text[len(text)-1000:], newest) {
		t.Errorf("%d events in %d bytes, ending with %.200s", n, len(text), text[len(text)-300:])
	}
}
