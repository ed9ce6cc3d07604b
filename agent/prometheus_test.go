package main

import (
	"encoding/json"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

const prometheusExample = "../deploy/prometheus"

// exampleFleet is a copy of the Prometheus example with the two secrets that it
// wants beside it.
func exampleFleet(t *testing.T, authority, secret string) string {
	t.Helper()
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS(prometheusExample)); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(filepath.Join(dir, "secrets"), 0o700); err != nil {
		t.Fatal(err)
	}
	put(t, filepath.Join(dir, "secrets", "ca.pem"), authority)
	put(t, filepath.Join(dir, "secrets", "see-secret"), secret)
	return dir
}

func put(t testing.TB, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

func promtool(t *testing.T, args ...string) (out string, right bool) {
	t.Helper()
	text, err := exec.Command(tool(t, "promtool", "prometheus"), args...).CombinedOutput()
	return string(text), err == nil
}

func glob(t *testing.T, pattern string) []string {
	t.Helper()
	files, err := filepath.Glob(pattern)
	if err != nil || len(files) == 0 {
		t.Fatalf("%s: %v, %v", pattern, files, err)
	}
	return files
}

// Prometheus' own tool finds nothing wrong in the example, and its tests hold.
func TestPrometheusExample(t *testing.T) {
	s := newSigner(t)
	dir := exampleFleet(t, readText(t, s.file("ca.crt")), "see-what-the-units-do")
	if out, right := promtool(t, "check", "config", filepath.Join(dir, "prometheus.yml")); !right || strings.Contains(out, "WARNING") {
		t.Error(out)
	}
	if out, right := promtool(t, append([]string{"check", "rules"}, glob(t, dir+"/rules/*.yml")...)...); !right {
		t.Error(out)
	}
	if out, right := promtool(t, append([]string{"test", "rules"}, glob(t, dir+"/tests/*.yml")...)...); !right {
		t.Error(out)
	}
}

// ruleExpression finds a rule's name and its expression: the rest of the line,
// or the lines indented under it.
var ruleExpression = regexp.MustCompile(`- (?:alert|record): (\S+)\n +expr: (>-\n(?: {10}.*\n)+|.*\n)`)

// Each rule is held by a test of promtool: one that can never be true, or is
// always, makes them fail.
func TestEveryRuleIsTested(t *testing.T) {
	dir := exampleFleet(t, "", "")
	tests := glob(t, dir+"/tests/*.yml")
	if out, holds := promtool(t, append([]string{"test", "rules"}, tests...)...); !holds {
		t.Fatal(out)
	}
	seen := 0
	for _, path := range glob(t, dir+"/rules/*.yml") {
		right := readText(t, path)
		for _, m := range ruleExpression.FindAllStringSubmatchIndex(right, -1) {
			name := right[m[2]:m[3]]
			seen++
			about := slices.DeleteFunc(slices.Clone(tests), func(path string) bool { return !strings.Contains(readText(t, path), name) })
			if len(about) == 0 {
				t.Errorf("no test names %s", name)
				continue
			}
			for _, wrong := range []string{"vector(1) < 0", "vector(1)"} {
				put(t, path, right[:m[4]]+wrong+"\n"+right[m[5]:])
				if _, holds := promtool(t, append([]string{"test", "rules"}, about...)...); holds {
					t.Errorf("no test notices that %s is %s", name, wrong)
				}
			}
		}
		put(t, path, right)
	}
	if want := 8 + 16; seen != want {
		t.Errorf("%d rules found, want %d: correct the number, or what finds them", seen, want)
	}
}

var seriesName = regexp.MustCompile(`(?:^|[^a-z0-9_:])(strokebank_[a-z0-9_]+)`)

// Every series that the example names is one of the reference, or of the
// agent's own statistics as the built program exposes them.
func TestPrometheusExampleNamesWhatThereIs(t *testing.T) {
	c := startChainWith(t, func(config string) string {
		return config + "\nmodbus_server: {listen: \"127.0.0.1:0\"}\n"
	})
	there := get(t, fmt.Sprintf("http://127.0.0.1:%d/metrics", c.http)) + readText(t, "internal/metrics/reference.md")
	files := append(glob(t, prometheusExample+"/rules/*.yml"), glob(t, prometheusExample+"/tests/*.yml")...)
	named := map[string]bool{}
	for _, path := range append(files, prometheusExample+"/prometheus.yml") {
		for _, m := range seriesName.FindAllStringSubmatch(readText(t, path), -1) {
			named[m[1]] = true
		}
	}
	for name := range named {
		if name == "strokebank_recording" || slices.Contains([]string{"strokebank_reserve", "strokebank_machines", "strokebank_agents"}, name) {
			continue // groups
		}
		if !strings.Contains(there, "\n"+name+"{") && !strings.Contains(there, "\n"+name+" ") && !strings.Contains(there, "`"+name+"`") {
			t.Errorf("there is no %s", name)
		}
	}
	if len(named) < 15 {
		t.Errorf("only %d names found", len(named))
	}
}

// The example as it stands watches the built program over TLS, with the
// secret, and finds a site whose file comes later.
func TestPrometheusExampleWatchesAnAgent(t *testing.T) {
	s := newSigner(t, "gateway-test")
	const secret = "see-what-the-units-do"
	s.write(t, "see", secret+"\n")
	dir := exampleFleet(t, readText(t, s.file("ca.crt")), secret)
	for _, path := range glob(t, dir+"/sites/*.yml") {
		if err := os.Remove(path); err != nil {
			t.Fatal(err)
		}
	}
	c := startChainWith(t, func(config string) string {
		return strings.Replace(config, "http: {", fmt.Sprintf("access: {see_secret_file: %s}\nhttp: {certificate_file: %s, key_file: %s, ",
			s.file("see"), s.file("gateway-test.crt"), s.file("gateway-test.key")), 1)
	})
	path := filepath.Join(dir, "prometheus.yml")
	put(t, path, strings.ReplaceAll(readText(t, path), "_interval: 15s", "_interval: 500ms"))
	port := freePort(t)
	start(t, tool(t, "prometheus", "prometheus"), "--config.file="+path, "--storage.tsdb.path="+dir+"/data", "--web.listen-address="+at(port))
	listening(t, port)
	query := func(q string) string { return askPrometheus(port, q) }
	eventually(t, "the rules are loaded and no agent is there", func() bool { return query(`absent(up{job="strokebank"})`) == "1" })
	put(t, filepath.Join(dir, "sites", "new.yml"), fmt.Sprintf("- targets: [\"%s\"]\n  labels: {gateway: gateway-test}\n", at(c.http)))
	eventually(t, "the new site is watched", func() bool {
		return query(`up{job="strokebank",gateway="gateway-test"}`) == "1" && query(`unit:strokebank_reserve_cycles:margin{site="quillen-reach",unit="AU-9"}`) == "2"
	})
	for q, want := range map[string]string{
		`job:up:ratio`: "1", `site:strokebank_reserve_known:ratio`: "1",
		`count(strokebank_alarm_state{state="normal"})`:            "", // dropped
		`count(strokebank_alarm_state{state="unknown"}) > bool 20`: "1",
		`count(unit_priority:strokebank_alarm_active:sum)`:         "3",
	} {
		// Each group of rules has its own moment.
		eventually(t, fmt.Sprintf("%s is %q", q, want), func() bool { return query(q) == want })
	}
}

// askPrometheus is the value of a query with one answer; empty where there is none.
func askPrometheus(port int, query string) string {
	text, err := fetch(fmt.Sprintf("http://127.0.0.1:%d/api/v1/query?query=%s", port, url.QueryEscape(query)))
	if err != nil { // it answers 503 while it starts
		return ""
	}
	var answer struct {
		Data struct{ Result []struct{ Value [2]any } }
	}
	if err := json.Unmarshal([]byte(text), &answer); err != nil || len(answer.Data.Result) != 1 {
		return ""
	}
	value, _ := answer.Data.Result[0].Value[1].(string)
	return value
}
