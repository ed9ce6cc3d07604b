package main

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"strokebank/rules"
)

const seeSecret = "the secret of the seeing shift"

// guardedChain is a chain whose page is open to the network, with TLS and two
// secrets, one of them stored so that it cannot be read.
func guardedChain(t *testing.T) (*chain, *signer, *http.Client) {
	t.Helper()
	s := newSigner(t, "page")
	s.write(t, "see", seeSecret+"\n")
	path, err := program()
	if err != nil {
		t.Fatal(err)
	}
	make := exec.Command(path, "secret")
	make.Stdin = strings.NewReader(actSecret + "\n")
	stored, err := make.Output()
	if err != nil || bytes.Contains(stored, []byte(actSecret)) {
		t.Fatalf("%v %s", err, stored)
	}
	s.write(t, "act", string(stored))
	s.write(t, "act-plain", actSecret)
	c := startChainWith(t, func(config string) string {
		before, after, _ := strings.Cut(config, "http: {listen: \"127.0.0.1:")
		port, after, found := strings.Cut(after, "\"}")
		if !found {
			t.Fatal("no page in the configuration")
		}
		return before + fmt.Sprintf("http: {listen: \"0.0.0.0:%s\", certificate_file: %s, key_file: %s}\naccess: {see_secret_file: %s, act_secret_file: %s}",
			port, s.file("page.crt"), s.file("page.key"), s.file("see"), s.file("act")) + after
	})
	pool := x509.NewCertPool()
	pool.AddCert(s.cert)
	way := &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}, ForceAttemptHTTP2: true}
	t.Cleanup(way.CloseIdleConnections)
	return c, s, &http.Client{Transport: way}
}

// The whole program with its page open to the network: who may see and act,
// what stands in the journal, what Prometheus needs, and a certificate that is
// renewed.
func TestPageForTheNetwork(t *testing.T) {
	c, s, client := guardedChain(t)
	c.hears.await("five cycles", 0, c.cycles(5))
	ask := func(method, path, body string, head ...string) (*http.Response, string) {
		t.Helper()
		r, err := http.NewRequestWithContext(t.Context(), method, "https://"+at(c.http)+path, strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Content-Type", "application/json")
		for i := 0; i+1 < len(head); i += 2 {
			r.Header.Set(head[i], head[i+1])
		}
		answer, err := client.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer answer.Body.Close()
		text, err := io.ReadAll(answer.Body)
		if err != nil {
			t.Fatal(err)
		}
		return answer, string(text)
	}
	for _, path := range []string{"/metrics", "/api/v1/units", "/api/v1/live"} {
		if r, text := ask("GET", path, ""); r.StatusCode != 401 || strings.Contains(text, "AU-9") {
			t.Errorf("%s without a secret: %d %s", path, r.StatusCode, text)
		}
	}
	if r, _ := ask("GET", "/api/v1/units", "", "Authorization", "Bearer "+seeSecret); r.StatusCode != 200 {
		t.Errorf("with the secret: %d", r.StatusCode)
	}
	ask("POST", "/api/v1/login", `{"by": "B. Haddad", "secret": "a guess"}`)
	r, text := ask("POST", "/api/v1/login", fmt.Sprintf(`{"by": "B. Haddad", "secret": %q}`, actSecret))
	if r.StatusCode != 200 || len(r.Cookies()) != 1 || !r.Cookies()[0].Secure || !strings.HasPrefix(r.Cookies()[0].Name, "__Host-") {
		t.Fatalf("log-in: %d %s %v", r.StatusCode, text, r.Cookies())
	}
	cookie := r.Cookies()[0].Name + "=" + r.Cookies()[0].Value
	note := `{"command": "note", "unit": "AU-9", "reason": "seen from afar", "by": "somebody else"}`
	if r, text := ask("POST", "/api/v1/commands", note, "Cookie", cookie, "Sec-Fetch-Site", "same-origin"); r.StatusCode != 200 {
		t.Errorf("note: %d %s", r.StatusCode, text)
	}
	ask("POST", "/api/v1/logout", "{}", "Cookie", cookie)
	var all string
	eventually(t, "the journal tells of who came, did, and left", func() bool {
		var in struct{ Events []rules.Entry }
		_, text := ask("GET", "/api/v1/journal?kind=note", "", "Authorization", "Bearer "+seeSecret)
		if err := json.Unmarshal([]byte(text), &in); err != nil {
			t.Fatalf("%v: %s", err, text)
		}
		all = ""
		for _, e := range in.Events {
			all = fmt.Sprintf("%s, %s, %s: %s\n", e.By, e.Role, e.Via, e.Reason) + all
		}
		return len(in.Events) >= 4
	})
	want := `B. Haddad, , log-in: log-in refused, from 127.0.0.1: the secret is wrong
B. Haddad, act, log-in: logged in to act, from 127.0.0.1
B. Haddad, act, page: seen from afar
B. Haddad, act, log-in: logged out, from 127.0.0.1
`
	if all != want {
		t.Errorf("journal:\n%s", all)
	}
	c.commandLine(t, s)
	c.scrapedOverTLS(t, s)
	c.renewedSecret(t, s, client, ask)
	s.issue(t, "page") // renewed
	client.CloseIdleConnections()
	eventually(t, "the renewed certificate is shown", func() bool {
		r, _ := ask("GET", "/healthz", "")
		client.CloseIdleConnections()
		return strings.Contains(c.agent.log.String(), "page certificate renewed") && r.TLS != nil
	})
	readReference(t).hold(t, c.hears.all())
}

// renewedSecret: a log-in lives on across a reload, and ends when the secret
// that it came by is changed.
func (c *chain) renewedSecret(t *testing.T, s *signer, client *http.Client, ask func(method, path, body string, head ...string) (*http.Response, string)) {
	t.Helper()
	r, text := ask("POST", "/api/v1/login", fmt.Sprintf(`{"by": "C. Mbeki", "secret": %q}`, actSecret))
	if r.StatusCode != 200 || len(r.Cookies()) != 1 {
		t.Fatalf("log-in: %d %s", r.StatusCode, text)
	}
	cookie := r.Cookies()[0].Name + "=" + r.Cookies()[0].Value
	note := func() int {
		r, _ := ask("POST", "/api/v1/commands", `{"command": "note", "unit": "AU-9", "reason": "still here"}`, "Cookie", cookie, "Sec-Fetch-Site", "same-origin")
		return r.StatusCode
	}
	c.reload(t, readText(t, c.config))
	eventually(t, "the reload", func() bool { return strings.Contains(c.agent.log.String(), `"msg":"reloaded"`) })
	client.CloseIdleConnections()
	if status := note(); status != 200 {
		t.Errorf("with a log-in from before the reload: %d", status)
	}
	s.write(t, "act", "a new secret of the acting shift\n")
	if status := note(); status != 401 {
		t.Errorf("with a log-in by the secret before: %d", status)
	}
	if _, text := ask("GET", "/metrics", "", "Authorization", "Bearer "+seeSecret); !strings.Contains(text, "\nstrokebank_page_secrets_refused_total 1\n") {
		t.Errorf("refused: %s", grep(text, "page_refused"))
	}
}

// grep is the lines with some words.
func grep(text, words string) string {
	var found strings.Builder
	for line := range strings.Lines(text) {
		if strings.Contains(line, words) {
			found.WriteString(line)
		}
	}
	return found.String()
}

// commandLine asks the agent on this machine over TLS, and no other.
func (c *chain) commandLine(t *testing.T, s *signer) {
	t.Helper()
	act := func(certificate string) string {
		out, _ := exec.Command(c.strokebank, "act", "-at", at(c.http), "-certificate", s.file(certificate), "-secret-file", s.file("act-plain"),
			"-unit", "AU-9", "-by", "C. Mbeki", "-reason", "by the way", "note").CombinedOutput()
		return string(out)
	}
	if out := act("page.crt"); !strings.Contains(out, "accepted: note") {
		t.Error(out)
	}
	if out := act("ca.crt"); !strings.Contains(out, "shows another certificate") {
		t.Error(out)
	}
}

// scrapedOverTLS lets a real Prometheus scrape as the reference says.
func (c *chain) scrapedOverTLS(t *testing.T, s *signer) {
	t.Helper()
	dir, port := t.TempDir(), freePort(t)
	conf := fmt.Sprintf(`global: {scrape_interval: 5s, scrape_timeout: 5s}
scrape_configs:
  - job_name: strokebank
    scheme: https
    tls_config: {ca_file: %s}
    authorization: {credentials_file: %s}
    static_configs: [{targets: ['%s']}]
`, s.file("ca.crt"), s.file("see"), at(c.http))
	file := filepath.Join(dir, "prometheus.yml")
	if err := os.WriteFile(file, []byte(conf), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(tool(t, "promtool", "prometheus"), "check", "config", file).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	start(t, tool(t, "prometheus", "prometheus"), "--config.file="+file, "--storage.tsdb.path="+filepath.Join(dir, "data"), "--web.listen-address="+at(port))
	listening(t, port)
	eventually(t, "Prometheus knows that it is up", func() bool {
		text, err := fetch("http://" + at(port) + "/api/v1/query?query=" + url.QueryEscape(`up{job="strokebank"} == 1`))
		return err == nil && strings.Contains(text, `"1"`)
	})
}

// check and run refuse what would be open to the network, with the line.
func TestOpenPageIsRefused(t *testing.T) {
	path, err := program()
	if err != nil {
		t.Fatal(err)
	}
	config := configuration(t, "chain.yaml", map[string]string{"PORT_MODBUS": "1", "PORT_MQTT": "1", "STORE": t.TempDir(),
		"127.0.0.1:PORT_HTTP": "0.0.0.0:8480"})
	line := 1 + strings.Count(strings.Split(readText(t, config), "http: {listen")[0], "\n")
	for _, command := range []string{"check", "run"} {
		out, err := exec.Command(path, command, config).CombinedOutput()
		var exit *exec.ExitError
		if e, ok := err.(*exec.ExitError); ok {
			exit = e
		}
		if exit == nil || exit.ExitCode() != exitConfig {
			t.Errorf("%s: %v", command, err)
		}
		for _, words := range []string{fmt.Sprintf("chain.yaml:%d:", line), "http.listen", "without TLS", "certificate_file and key_file", "see_secret_file", "behind_proxy: true", "127.0.0.1"} {
			if !strings.Contains(string(out), words) {
				t.Errorf("%s does not say %q:\n%s", command, words, out)
			}
		}
	}
}

func TestSecretCommand(t *testing.T) {
	for _, c := range []struct {
		name, in string
		args     []string
		code     int
		lines    int
	}{
		{"a given one", "a secret of the night shift\r\n", nil, exitOK, 1},
		{"without an end of line", "a secret of the night shift", nil, exitOK, 1},
		{"too short", "short\n", nil, exitUsage, 0},
		{"nothing", "", nil, exitUsage, 0},
		{"a new one", "", []string{"-new"}, exitOK, 2},
	} {
		t.Run(c.name, func(t *testing.T) {
			var out, errs bytes.Buffer
			code := secret(context.Background(), shell{strings.NewReader(c.in), &out, &errs}, c.args)
			if code != c.code || strings.Count(out.String(), "\n") != c.lines || code != exitOK && errs.Len() == 0 {
				t.Errorf("%d %q %q", code, out.String(), errs.String())
			}
			if c.in != "" && strings.Contains(out.String()+errs.String(), strings.TrimSpace(c.in)) {
				t.Error("it repeats the secret")
			}
		})
	}
}
