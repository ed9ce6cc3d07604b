package main

import (
	"bytes"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// said is what a command wrote and how it ended.
type said struct {
	code     int
	out, err string
}

func try(t *testing.T, args ...string) said {
	t.Helper()
	var out, err bytes.Buffer
	code := dispatch(t.Context(), shell{out: &out, err: &err}, args)
	return said{code, out.String(), err.String()}
}

func TestCommandLine(t *testing.T) {
	empty := filepath.Join(t.TempDir(), "empty.yaml")
	if err := os.WriteFile(empty, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name string
		args []string
		code int
		says string // on either stream
	}{
		{"nothing", nil, exitUsage, "usage: strokebank"},
		{"help", []string{"help"}, exitOK, "exit codes"},
		{"help of a command", []string{"run", "-h"}, exitOK, "usage: strokebank run"},
		{"a word that is no command", []string{"rnu"}, exitUsage, `no command "rnu"`},
		{"a flag that is none", []string{"check", "-device", "x.yaml"}, exitUsage, "-device"},
		{"a file missing", []string{"run"}, exitUsage, "wants 1 file"},
		{"a file too many", []string{"check", "a", "b"}, exitUsage, "got 2"},
		{"a file that is not there", []string{"check", "/nowhere/at/all.yaml"}, exitConfig, "no such file"},
		{"an empty file", []string{"check", empty}, exitConfig, "empty.yaml"},
		{"a wrong log format", []string{"run", "-log", "xml", "../configs/quillen-reach.yaml"}, exitUsage, "text or json"},
		{"a wrong log level", []string{"run", "-log-level", "loud", "../configs/quillen-reach.yaml"}, exitUsage, "debug, info, warn or error"},
		{"version", []string{"version"}, exitOK, "strokebank " + release},
		{"metric example", []string{"check", "../configs/quillen-reach.yaml"}, exitOK, "configuration is right"},
		{"US example", []string{"check", "../configs/dunmorrow-flats.yaml"}, exitOK, "psi for the valves"},
		{"every key", []string{"check", "../configs/every-key.yaml"}, exitConfig, "configuration is right"}, // its files are not there
	} {
		t.Run(c.name, func(t *testing.T) {
			got := try(t, c.args...)
			if got.code != c.code || !strings.Contains(got.out+got.err, c.says) {
				t.Errorf("exit code %d, want %d; wants to hear %q\n%s%s", got.code, c.code, c.says, got.out, got.err)
			}
		})
	}
}

func TestCheckSaysAllThatIsWrongAtOnce(t *testing.T) {
	text, err := os.ReadFile("../configs/quillen-reach.yaml")
	if err != nil {
		t.Fatal(err)
	}
	bad := string(text)
	for _, change := range [][2]string{
		{"diameter: 1 m", "diameter: 1"},                       // a unit is missing
		{"required_cycles: 6", "required_cycle: 6"},            // no such key
		{"minimum_pressure: 5 bar", "minimum_pressure: 9 bar"}, // above the set point
	} {
		if !strings.Contains(bad, change[0]) {
			t.Fatalf("the example no longer has %q", change[0])
		}
		bad = strings.Replace(bad, change[0], change[1], 1)
	}
	path := filepath.Join(t.TempDir(), "bad.yaml")
	if err := os.WriteFile(path, []byte(bad), 0o600); err != nil {
		t.Fatal(err)
	}
	got := try(t, "check", path)
	if got.code != exitConfig {
		t.Errorf("exit code %d, want %d", got.code, exitConfig)
	}
	for _, what := range []string{`diameter.*unit`, `required_cycle\b`, `minimum_pressure`} {
		if !regexp.MustCompile(regexp.QuoteMeta(path) + `:\d+:\d+: .*` + what).MatchString(got.err) {
			t.Errorf("nothing like %q with file, line and column in\n%s", what, got.err)
		}
	}
}

// check -devices on the independent Modbus server: raw beside value, and a
// point that the device does not have is told apart from one that reads well.
func TestCheckReadsTheDevices(t *testing.T) {
	im, port := peer(t, "chain-image.json")
	file := configuration(t, "chain.yaml", map[string]string{
		"PORT_MODBUS": strconv.Itoa(port), "PORT_MQTT": "1883", "PORT_HTTP": "8480", "STORE": t.TempDir()})
	got := try(t, "check", "-devices", file)
	if got.code != exitOK {
		t.Errorf("exit code %d\n%s%s", got.code, got.out, got.err)
	}
	for _, row := range []string{
		`pressure +3 +input register 0 +0x2EE0 +12000 +8\.00 bar +good`,
		`level +3 +holding registers 10 to 11 +0x4000 0x0000 +2 +2\.000 m +good`,
		`wall_temperature +3 +input register 2 +0x00C8 +200 +20\.0 °C +good`,
		`mains +3 +coil 7 +1 +1 +on +good`,
		`pump1\.start_counter +3 +holding registers 40 to 41 +0x04D2 0x0000 +1234 +1234 +good`,
	} {
		if !regexp.MustCompile(row).MatchString(got.out) {
			t.Errorf("no row like %s in\n%s", row, got.out)
		}
	}
	im.set("input", 0, 3500) // 3.5 mA
	eventually(t, "the peer shows the failure", func() bool {
		got = try(t, "check", "-devices", file)
		return got.code == exitDevice
	})
	if !regexp.MustCompile(`pressure .* unknown +bad: failure signal low`).MatchString(got.out) || !strings.Contains(got.out, "1 point(s) do not read well") {
		t.Errorf("a failed transmitter reads\n%s", got.out)
	}
	nobody := configuration(t, "chain.yaml", map[string]string{
		"PORT_MODBUS": strconv.Itoa(freePort(t)), "PORT_MQTT": "1883", "PORT_HTTP": "8480", "STORE": t.TempDir()})
	if got := try(t, "check", "-devices", nobody); got.code != exitDevice || !strings.Contains(got.out, "link lost") {
		t.Errorf("with nobody there: exit code %d\n%s%s", got.code, got.out, got.err)
	}
}

func TestTakenPortIsSaidAtTheStart(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	free := func() string { return at(freePort(t)) }
	got := try(t, "demo", "-page", l.Addr().String(), "-broker", free(), "-modbus", free(), "-for", "1s")
	if got.code != exitFailed || !strings.Contains(got.err, "address already in use") {
		t.Errorf("exit code %d\n%s", got.code, got.err)
	}
}

// startDemo runs the demo until the test ends; page is the port of its page.
func startDemo(t *testing.T) (p *process, page int) {
	t.Helper()
	path, err := program()
	if err != nil {
		t.Fatal(err)
	}
	page = freePort(t)
	p = start(t, path, "demo", "-page", at(page), "-broker", at(freePort(t)), "-modbus", at(freePort(t)))
	listening(t, page)
	return p, page
}

// The demo as a stranger would start it: it ends by itself, in order, and its
// story was heard at the broker.
func TestDemoTellsItsStory(t *testing.T) {
	p, page := startDemo(t)
	eventually(t, "the demo says its reserve", func() bool { return strings.Contains(p.log.String(), "at least 9 cycles") })
	for path, has := range map[string]string{"/": "<html", "/metrics": "strokebank_reserve_cycles{", "/api/v1/units": "AU-7"} {
		if body := get(t, "http://"+at(page)+path); !strings.Contains(body, has) {
			t.Errorf("%s has no %q", path, has)
		}
	}
	last := 0
	for _, line := range []string{ // in this order: the shutdown lowers the reserve, the pump restores it
		"agent started", "the mains fail", "the panel shuts the plant down", "ALARM    Fewer shutdown cycles than required",
		"the mains are back", "pump1 started", "cleared  Fewer shutdown cycles than required", "the level transmitter's wire breaks",
		"ALARM    Reserve cannot be computed",
	} {
		eventually(t, fmt.Sprintf("the demo says %q", line), func() bool { return strings.Contains(p.log.String(), line) })
		at := strings.Index(p.log.String(), line)
		if at < last {
			t.Errorf("%q came too early in\n%s", line, p.log.String())
		}
		last = at
	}
	// Live values come at a rate of their own, so before or after an alarm.
	for _, line := range []string{"ALARM    Mains lost", "cleared  Mains lost", "reserve unknown"} {
		eventually(t, fmt.Sprintf("the demo says %q", line), func() bool { return strings.Contains(p.log.String(), line) })
	}
	if code := p.stop(); code != exitOK {
		t.Errorf("ended with exit code %d\n%s", code, p.log.tail())
	}
}

// What tells a process and its group, as timeout(1) does, tells it twice: that
// is one wish, and the agent still says goodbye.
func TestToldTwiceItStopsInOrder(t *testing.T) {
	p, _ := startDemo(t)
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	for end := time.After(500 * time.Millisecond); ; {
		_ = p.cmd.Process.Signal(syscall.SIGTERM) // it may have ended
		select {
		case <-tick.C:
			continue
		case <-p.done:
		case <-end:
		}
		break
	}
	select {
	case <-p.done:
	case <-time.After(patience):
		t.Fatal("it does not stop")
	}
	if code := p.cmd.ProcessState.ExitCode(); code != exitOK {
		t.Errorf("ended with exit code %d\n%s", code, p.log.tail())
	}
}
