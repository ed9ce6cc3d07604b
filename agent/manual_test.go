package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"

	"strokebank/rules/alarm"
)

// manualPages are the manual in the order in which a site goes through it; so
// are their commands run. Those of its first page need the program installed.
var manualPages = []string{"safety", "install", "README", "wire", "registers", "commission", "tune", "service", "upgrade", "alarms"}

// onlyWithAnInit are the manual's commands that need the package manager or an
// init, and what stands for each of them in deploy/trial, which runs it for
// real. In here a stand-in starts, reloads and stops the agent for systemctl.
var onlyWithAnInit = map[string]string{
	"dpkg --install":               `package --install "$out"/old/strokebank_1.0.0_`,
	"dpkg --install (upgrade)":     `package --install "$out"/new/strokebank_1.1.0_`,
	"dpkg --remove":                "package --remove strokebank",
	"dpkg --purge":                 "package --purge strokebank",
	"systemctl start strokebank":   "launch",
	"systemctl stop strokebank":    "halt",
	"systemctl restart strokebank": "restart strokebank.service",
	"systemctl reload strokebank":  "$(line ExecReload 1)",
	"systemd-analyze security":     "systemd-analyze security",
	"journalctl":                   `"$out/agent.txt"`, // where the service's log goes there
}

// manualStep is one command of the manual with the output that is shown for
// it; shown is nil where none is.
type manualStep struct {
	page, command string
	shown         []string
	code          int
}

// manualSteps are the commands of a page: lines that begin with $ in blocks
// that are marked as a console's. "…" stands for anything in a line, and as a
// line of its own for any number of lines.
func manualSteps(t *testing.T, page string) (steps []manualStep) {
	t.Helper()
	text := readText(t, "../deploy/manual/"+page+".md")
	for _, block := range regexp.MustCompile("(?ms)^```console\n(.*?)^```$").FindAllStringSubmatch(text, -1) {
		for line := range strings.Lines(block[1]) {
			line = strings.TrimSuffix(line, "\n")
			command, is := strings.CutPrefix(line, "$ ")
			switch last := len(steps) - 1; {
			case is:
				steps = append(steps, manualStep{page: page, command: command})
			case last < 0:
				t.Fatalf("%s: output before the first command: %s", page, line)
			case strings.HasPrefix(line, "(exit code "):
				fmt.Sscanf(line, "(exit code %d)", &steps[last].code)
			default:
				steps[last].shown = append(steps[last].shown, line)
			}
		}
	}
	return steps
}

// manualMachine is a scratch folder in the place of a gateway: its paths and
// addresses stand for those that the manual names. With a technician it is
// this machine itself, and nothing stands for anything else.
type manualMachine struct {
	t     *testing.T
	dir   string            // in which the commands are run
	to    *strings.Replacer // from the manual's words to those of here
	back  *strings.Replacer
	run   func() *process // what systemctl start does: the service's command
	agent *process
	page  int
	who   *technician // nil: whoever runs the test
}

func newManualMachine(t *testing.T) *manualMachine {
	t.Helper()
	program, err := program()
	if err != nil {
		t.Fatal(err)
	}
	m := &manualMachine{t: t, dir: t.TempDir(), page: freePort(t)}
	m.run = func() *process { return start(t, program, "run", m.dir+"/etc/strokebank.yaml") }
	panel := panelAt(t, "127.0.0.1:0")
	words := []string{
		"/usr/share/doc/strokebank", m.dir + "/doc", "/etc/strokebank", m.dir + "/etc", "/var/lib/strokebank", m.dir + "/lib", "/etc/credstore", m.dir + "/credstore",
		"/mnt/stick", m.dir + "/stick", "/tmp/tables", m.dir + "/tables", "127.0.0.1:8480", at(m.page), "127.0.0.1:18830", at(brokerOfTheManual(t, freePort(t))), "127.0.0.1:15020", panel,
		"127.0.0.1:28480", at(freePort(t)), "127.0.0.1:28830", at(freePort(t)), "127.0.0.1:25020", at(freePort(t)), // of the demo
	}
	var back []string
	for i := 0; i < len(words); i += 2 {
		back = append(back, words[i+1], words[i])
	}
	m.back = strings.NewReplacer(back...)
	// No other user is here, and the agent is asked where it listens here.
	words = append(words, "sudo -u strokebank ", "", "sudo ", "", " -g strokebank", "", " -o strokebank", "", "strokebank act ", "strokebank act -at "+at(m.page)+" ")
	m.to = strings.NewReplacer(words...)
	for _, d := range []string{"doc/examples", "etc", "lib", "stick", "bin"} {
		if err := os.MkdirAll(filepath.Join(m.dir, d), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	// The stick is a folder here; in deploy/trial something is mounted there.
	mountpoint := []byte("#!/bin/sh\ntest -d \"$1\" && echo \"$1 is a mountpoint\"\n")
	if err := errors.Join(os.Symlink(program, m.dir+"/bin/strokebank"), os.WriteFile(m.dir+"/bin/mountpoint", mountpoint, 0o755)); err != nil {
		t.Fatal(err)
	}
	files, err := filepath.Glob("../configs/*.yaml")
	if err != nil || len(files) < 3 {
		t.Fatalf("%v, %v", files, err)
	}
	for _, f := range files {
		m.write("doc/examples/"+filepath.Base(f), m.to.Replace(readText(t, f)))
	}
	t.Cleanup(m.stop)
	return m
}

func (m *manualMachine) write(name, text string) {
	m.t.Helper()
	if err := os.WriteFile(filepath.Join(m.dir, name), []byte(text), 0o600); err != nil {
		m.t.Fatal(err)
	}
}

func (m *manualMachine) start() {
	m.t.Helper()
	m.agent = m.run()
	listening(m.t, m.page)
	eventually(m.t, "the agent has judged a scan", func() bool {
		text, err := fetch("http://" + at(m.page) + "/healthz")
		return err == nil && strings.Contains(text, `"fresh"`)
	})
}

func (m *manualMachine) stop() {
	if m.agent != nil {
		m.agent.stop()
		m.agent = nil
	}
}

// reload is what systemctl reload does; it ends when the agent has the file.
func (m *manualMachine) reload() {
	m.t.Helper()
	before := strings.Count(m.agent.log.String(), "msg=reloaded")
	if err := m.agent.cmd.Process.Signal(syscall.SIGHUP); err != nil {
		m.t.Fatal(err)
	}
	eventually(m.t, "the agent has read its file anew", func() bool { return strings.Count(m.agent.log.String(), "msg=reloaded") > before })
	eventually(m.t, "the agent has judged a scan", func() bool {
		text, err := fetch("http://" + at(m.page) + "/healthz")
		return err == nil && strings.Contains(text, `"fresh"`)
	})
}

// standIn carries a command out that needs an init; false: it is none.
func (m *manualMachine) standIn(s manualStep) bool {
	command := strings.TrimPrefix(s.command, "sudo ")
	known := ""
	for begin := range onlyWithAnInit {
		if strings.HasPrefix(command, begin) {
			known = begin
		}
	}
	if m.who != nil && strings.HasPrefix(known, "dpkg ") {
		return false
	}
	switch known {
	case "":
		return false
	case "systemctl start strokebank":
		m.start()
	case "systemctl stop strokebank":
		m.stop()
	case "systemctl restart strokebank":
		m.stop()
		m.start()
	case "systemctl reload strokebank":
		m.reload()
	}
	return true
}

// do runs a command in the scratch folder and gives what it says.
func (m *manualMachine) do(s manualStep) (out string, code int) {
	m.t.Helper()
	ctx, cancel := context.WithTimeout(m.t.Context(), 3*patience)
	defer cancel()
	c := exec.CommandContext(ctx, "sh", "-c", m.to.Replace(s.command))
	c.Dir, c.Env = m.dir, append(os.Environ(), "PATH="+m.dir+"/bin:"+os.Getenv("PATH"), "USER=", "SUDO_USER=")
	if m.who != nil {
		m.who.dress(c)
	}
	var said bytes.Buffer
	c.Stdout, c.Stderr = &said, &said
	if strings.Contains(s.command, "cat >") {
		c.Stdin = strings.NewReader(brokerPassword + "\n") // as typed
	}
	if err := c.Run(); err != nil && c.ProcessState == nil {
		m.t.Fatalf("%s: %v", s.command, err)
	}
	return m.back.Replace(said.String()), c.ProcessState.ExitCode()
}

// fits compares what was said with what the manual shows.
func fits(shown []string, out string) bool {
	var form strings.Builder
	for _, line := range shown {
		if line == "…" {
			form.WriteString(`(?:.*\n)*?`)
			continue
		}
		form.WriteString(strings.ReplaceAll(regexp.QuoteMeta(line), "…", ".*") + `\n`)
	}
	return regexp.MustCompile(`^` + form.String() + `$`).MatchString(out)
}

// Every command of the manual is run, in the order of its pages, on a scratch
// machine beside a simulated unit and a real broker, and says what is shown.
// With -technician it is run to the letter, as deploy/trial does.
func TestManual(t *testing.T) {
	t.Parallel() // it waits for the agent's next scan most of the time
	machine := newManualMachine
	if *technicianName != "" {
		machine = technicianMachine
	}
	m := machine(t)
	used := map[string]bool{}
	words := regexp.MustCompile(`\bstrokebank ([a-z]+)\b`)
	for _, page := range manualPages {
		for _, s := range manualSteps(t, page) {
			for _, w := range words.FindAllStringSubmatch(strings.ReplaceAll(s.command, "-u strokebank ", ""), -1) {
				used[w[1]] = true
			}
			if m.standIn(s) {
				continue
			}
			out, code := m.do(s)
			if testing.Verbose() { // to be copied into a page
				t.Logf("%s: $ %s\n%s", s.page, s.command, out)
			}
			if code != s.code || s.shown != nil && !fits(s.shown, out) {
				t.Errorf("%s: %s\nends with exit code %d, want %d, and says\n%s\nthe manual shows\n%s", s.page, s.command, code, s.code, out, strings.Join(s.shown, "\n"))
			}
		}
	}
	for _, c := range append(commands(), command{name: "help"}) {
		if !used[c.name] {
			t.Errorf("the manual does not use the command %s", c.name)
		}
	}
}

// What the manual tells and only a machine with an init can show is run by
// deploy/trial.
func TestManualOfTheService(t *testing.T) {
	trial := readText(t, "../deploy/trial")
	for command, there := range onlyWithAnInit {
		if !strings.Contains(trial, there) {
			t.Errorf("deploy/trial does not run %q, which stands for %q in the manual", there, command)
		}
	}
	named := false
	for _, page := range manualPages {
		for _, s := range manualSteps(t, page) {
			first, _, _ := strings.Cut(strings.TrimPrefix(s.command, "sudo "), " ")
			if !slices.Contains([]string{"dpkg", "systemctl", "systemd-analyze", "journalctl", "apt", "apt-get"}, first) {
				continue
			}
			named = true
			if !slices.ContainsFunc(keys(onlyWithAnInit), func(k string) bool { return strings.HasPrefix(strings.TrimPrefix(s.command, "sudo "), k) }) {
				t.Errorf("%s: nobody runs %s", page, s.command)
			}
		}
	}
	if !named {
		t.Error("the manual has no command of the service: the test looks in the wrong place")
	}
}

func keys(m map[string]string) (all []string) {
	for k := range m {
		all = append(all, k)
	}
	return all
}

// Every page is in the list above and every link leads somewhere.
func TestManualIsWhole(t *testing.T) {
	files, err := filepath.Glob("../deploy/manual/*.md")
	if err != nil || len(files) != len(manualPages) {
		t.Errorf("%d pages, %d are run: %v", len(files), len(manualPages), err)
	}
	index := readText(t, "../deploy/manual/README.md")
	for _, page := range manualPages {
		text := readText(t, "../deploy/manual/"+page+".md")
		if page != "README" && !strings.Contains(index, "("+page+".md)") {
			t.Errorf("the first page does not lead to %s", page)
		}
		for _, link := range regexp.MustCompile(`\]\(([^)#:]+)\)`).FindAllStringSubmatch(text, -1) {
			if _, err := os.Stat(filepath.Join("../deploy/manual", link[1])); err != nil {
				t.Errorf("%s links to %s, which is not there", page, link[1])
			}
		}
		if command := regexp.MustCompile(`(?m)^\$ .*(echo|printf)[^|]*password.*`).FindString(text); command != "" {
			t.Errorf("%s: a password stays in the shell's history: %s", page, command)
		}
		if strings.Count(text, "\n$ ") != len(manualSteps(t, page)) {
			t.Errorf("%s: a command stands outside of a block that is run", page)
		}
	}
}

// The list of the alarms is the catalogue's; -update writes it anew.
func TestManualHasEveryAlarm(t *testing.T) {
	var b strings.Builder
	b.WriteString(`# The alarms

Made from the program's catalogue: do not edit by hand, run ` + "`go test ./agent -run TestManualHasEveryAlarm -update`" + `.
What a site has changed of them, with its limits and sources, prints ` + "`strokebank alarms FILE`" + `.
"Explains" names the alarms that are suppressed while this one stands, because they follow from it.
`)
	for _, d := range alarm.Catalogue() {
		fmt.Fprintf(&b, "\n## %s\n\n`%s`, %s priority, respond within %s. %s\n\n* Likely causes: %s.\n* **Do:** %s\n* Raised after %s, cleared after %s",
			d.Title, d.Name, d.Priority, span(d.Respond), d.Meaning, strings.Join(d.Causes, "; "), d.Action, span(d.OnDelay), span(d.OffDelay))
		if d.Acknowledge {
			b.WriteString(", and then to be acknowledged")
		}
		b.WriteString(".\n")
		if d.Code != "" {
			fmt.Fprintf(&b, "* Opens a failure, mode %s of ISO 14224.\n", d.Code)
		}
		if len(d.Explains) > 0 {
			fmt.Fprintf(&b, "* Explains `%s`.\n", strings.Join(d.Explains, "`, `"))
		}
	}
	const path = "../deploy/manual/alarms.md"
	if *update {
		if err := os.WriteFile(path, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if readText(t, path) != b.String() {
		t.Errorf("%s is not the catalogue: run this test with -update and read the difference", path)
	}
	if n := len(alarm.Catalogue()); n < 20 {
		t.Errorf("only %d alarms", n)
	}
}

// A shown output stands for what it says and no more.
func TestShownOutput(t *testing.T) {
	for _, c := range []struct {
		name  string
		shown []string
		out   string
		want  bool
	}{
		{"the same", []string{"a", "b"}, "a\nb\n", true},
		{"a word", []string{"a … c"}, "a bb c\n", true},
		{"lines", []string{"a", "…", "z"}, "a\nb\nc\nz\n", true},
		{"no line", []string{"a", "…", "z"}, "a\nz\n", true},
		{"a line more", []string{"a"}, "a\nb\n", false},
		{"another", []string{"a"}, "b\n", false},
		{"a word is no line", []string{"a…z"}, "a\nz\n", false},
	} {
		if got := fits(c.shown, c.out); got != c.want {
			t.Errorf("%s: %t", c.name, got)
		}
	}
}
