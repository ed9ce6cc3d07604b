package main

import (
	"bytes"
	"encoding/json"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"strokebank/agent/internal/history"
	"strokebank/agent/internal/watch"
	"strokebank/rules"
	"strokebank/sensors/signal"
)

// rightTime is a kernel whose clock is kept right, whatever the test's is.
func rightTime() timeKept { return timeKept{known: true, synchronised: true, within: time.Millisecond} }

// look inspects in this process and returns the findings by their name.
func look(t *testing.T, args ...string) (said, map[string]finding) {
	t.Helper()
	var out, errs bytes.Buffer
	code := inspectWith(t.Context(), shell{out: &out, err: &errs}, append([]string{"-json"}, args...), senses{"/sys", rightTime})
	var in inspection
	if err := json.Unmarshal(out.Bytes(), &in); err != nil {
		t.Fatalf("%v\n%s%s", err, out.String(), errs.String())
	}
	found := map[string]finding{}
	for _, f := range in.Findings {
		if found[f.What].What != "" {
			t.Errorf("%s is said twice", f.What)
		}
		if f.Says == "" || !strings.HasSuffix(f.Says, ".") || (f.State == isWell) != (f.Do == "") {
			t.Errorf("not one plain sentence, with what to do where something is wrong: %+v", f)
		}
		found[f.What] = f
	}
	if in.Well != (code == exitOK) {
		t.Errorf("well %t and exit code %d", in.Well, code)
	}
	return said{code, out.String(), errs.String()}, found
}

// wants holds one finding.
func wants(t *testing.T, found map[string]finding, what, state, says, do string) {
	t.Helper()
	f := found[what]
	all := f.Says + "\n" + strings.Join(f.Details, "\n")
	if f.State != state || !strings.Contains(all, says) || !strings.Contains(f.Do, do) {
		t.Errorf("%s: want %s, %q, do %q; got %+v", what, state, says, do, f)
	}
}

// tap passes connections on and counts them.
func tap(t *testing.T, to int) (port int, connections *atomic.Int32) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	connections = new(atomic.Int32)
	go func() {
		for {
			near, err := l.Accept()
			if err != nil {
				return
			}
			connections.Add(1)
			far, err := net.Dial("tcp", at(to))
			if err != nil {
				near.Close()
				continue
			}
			go func() { io.Copy(far, near); far.Close() }()
			go func() { io.Copy(near, far); near.Close() }()
		}
	}()
	return l.Addr().(*net.TCPAddr).Port, connections
}

// The whole of it beside a running agent on real parts: all is well; then a
// wire breaks, and it says which point, why, and what to do. The device sees
// no connection but the agent's own.
func TestInspectBesideTheRunningAgent(t *testing.T) {
	var connections *atomic.Int32
	c := startChainWith(t, func(config string) string {
		_, rest, _ := strings.Cut(config, "tcp://127.0.0.1:")
		port, _, _ := strings.Cut(rest, `"`)
		to, err := strconv.Atoi(port)
		if err != nil {
			t.Fatal(err)
		}
		var through int
		through, connections = tap(t, to)
		return strings.NewReplacer("127.0.0.1:"+port, at(through), "scan: 200 ms", "scan: 1 s", "timeout: 190 ms", "timeout: 900 ms").Replace(config)
	})
	c.hears.await("five cycles", 0, c.cycles(5))
	got, found := look(t, c.config)
	if got.code != exitOK {
		t.Errorf("exit code %d\n%s%s", got.code, got.out, got.err)
	}
	wants(t, found, "agent", isWell, "runs, is of the same version", "")
	wants(t, found, "device panel/3", isWell, "every one of its 11 points reads well", "")
	wants(t, found, "history", isWell, "installation gateway-test-", "")
	wants(t, found, "broker", isWell, "without TLS, lets the agent in, and took a message", "")
	wants(t, found, "broker, running agent", isWell, "is connected", "")
	wants(t, found, "certificates", isWell, "No certificate", "")
	wants(t, found, "proof AU-9", isWell, "pumps: the standby takes over: not proven yet, due ", "")
	wants(t, found, "service AU-9", isWell, "Nothing of ", "")
	wants(t, found, "alarms AU-9", isWell, "No alarm stands", "")
	wants(t, found, "clock", isWell, "within 1ms", "")
	wants(t, found, "disk writes", isWell, "synced write", "")

	from := len(c.hears.all())
	c.image.set("input", 0, 3500) // 3.5 mA
	c.hears.await("transmitter_failed", from, c.change("transmitter_failed", "pressure", "unacknowledged"))
	got, found = look(t, c.config)
	if got.code != exitFailed {
		t.Errorf("exit code %d with a broken wire", got.code)
	}
	wants(t, found, "device panel/3", attention, "pressure: bad, failure signal low", "broken wire")
	wants(t, found, "alarms AU-9", attention, "Measurement failed (pressure)", "acknowledge")
	eventually(t, "the device has seen no connection but the agent's", func() bool {
		own := regexp.MustCompile(`strokebank_link_reconnects_total\{link="panel"\} (\d+)`).FindStringSubmatch(get(t, "http://"+at(c.http)+"/metrics"))
		return own != nil && own[1] == strconv.Itoa(int(connections.Load())-1)
	})
	if h, _ := c.hears.await("the message of the inspection", 0, func(h heard) bool { return strings.HasSuffix(h.topic, "/gateway-test/inspect") }); h.retained || h.payload["version"] != release {
		t.Errorf("it has published %+v", h)
	}
	c.agent.kill()
	_, found = look(t, c.config)
	wants(t, found, "agent", attention, "seems to run", "If it was stopped just now")
	wants(t, found, "device panel/3", attention, "pressure: bad, failure signal low (input register 0, raw 3500)", "broken wire")
}

// Without an agent the devices are read here, each point once; a serial line
// only where no heartbeat says that somebody owns it.
func TestInspectReadsTheDevicesItself(t *testing.T) {
	_, port := peer(t, "chain-image.json")
	words := map[string]string{"PORT_MODBUS": strconv.Itoa(port), "PORT_MQTT": strconv.Itoa(freePort(t)), "PORT_HTTP": strconv.Itoa(freePort(t)), "STORE": filepath.Join(t.TempDir(), "none"),
		"scan: 200 ms": "scan: 10 s", "timeout: 190 ms": "timeout: 1 s"} // the machine may be busy
	_, found := look(t, configuration(t, "chain.yaml", words))
	wants(t, found, "device panel/3", isWell, "every one of its 11 points", "")
	wants(t, found, "agent", attention, "does not run", "systemctl start")
	wants(t, found, "history", attention, "no store", "Start the agent")
	wants(t, found, "broker", attention, "not reached", "firewall")

	words["device: 3"] = "device: 4"
	_, found = look(t, configuration(t, "chain.yaml", words))
	wants(t, found, "device panel/4", attention, "does not answer", "device number")

	words["device: 3"], words["level: {at: holding 10"] = "device: 3", "level: {at: holding 500"
	_, found = look(t, configuration(t, "chain.yaml", words))
	wants(t, found, "device panel/3", attention, "level: bad, device answered with an exception", "no such place")

	delete(words, "level: {at: holding 10")
	words["PORT_MODBUS"] = strconv.Itoa(freePort(t))
	_, found = look(t, configuration(t, "chain.yaml", words))
	wants(t, found, "device panel/3", attention, "link lost", "power and network")

	delete(words, "PORT_MODBUS")
	words["tcp://127.0.0.1:PORT_MODBUS"] = "rtu://" + filepath.Join(t.TempDir(), "ttyS9")
	_, found = look(t, configuration(t, "chain.yaml", words))
	wants(t, found, "device panel/3", attention, "link lost", "dialout")
	store := storeWith(t, words["STORE"], time.Now())
	if err := store.Beat("AU-9", []byte("{}")); err != nil {
		t.Fatal(err)
	}
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
	_, found = look(t, configuration(t, "chain.yaml", words))
	wants(t, found, "link panel", notSeen, "an agent seems to own it", "inspect again")
	if _, read := found["device panel/3"]; read {
		t.Error("the line of a living agent was read")
	}
}

// Secrets with which the agent would not start are known before it is started.
func TestInspectedAccess(t *testing.T) {
	s := &signer{dir: t.TempDir()}
	s.write(t, "short", "too-short-77\n")
	s.write(t, "act", actSecret+"\n")
	for _, c := range []struct{ name, access, state, says string }{
		{"nothing said", "", isWell, "may see, and nobody may act"},
		{"a secret", "access: {act_secret_file: " + s.file("act") + "}", isWell, "who wants to act needs a secret"},
		{"too short", "access: {act_secret_file: " + s.file("short") + "}", attention, "at least 16 are needed"},
		{"not there", "access: {see_secret_file: " + s.file("none") + "}", attention, "no such file"},
		{"one for both", "access: {see_secret_file: " + s.file("act") + ", act_secret_file: " + s.file("act") + "}", attention, "the same secret"},
		{"none wanted", "access: {act_without_secret: true}", isWell, "and act, without a secret"},
	} {
		t.Run(c.name, func(t *testing.T) {
			config := configuration(t, "chain.yaml", map[string]string{"PORT_MODBUS": "1", "PORT_MQTT": "1", "PORT_HTTP": "1", "STORE": t.TempDir(), "log: {": c.access + "\nlog: {"})
			got, found := look(t, config)
			wants(t, found, "access", c.state, c.says, "")
			if strings.Contains(got.out, actSecret) || strings.Contains(got.out, "too-short-77") {
				t.Error("a secret is said")
			}
		})
	}
}

// storeWith is a new store whose clock says now.
func storeWith(t *testing.T, dir string, now time.Time) *history.Store {
	t.Helper()
	store, err := history.Open(t.Context(), history.Options{Dir: dir, Agent: "gateway-test", Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	return store
}

// What the record tells of a unit that nobody has looked after for 400 days,
// and of a clock that was set.
func TestInspectTellsWhatIsOverdue(t *testing.T) {
	dir, then := t.TempDir(), time.Now().Add(-400*24*time.Hour)
	config := configuration(t, "chain.yaml", map[string]string{"PORT_MODBUS": "1", "PORT_MQTT": "1", "PORT_HTTP": "1", "STORE": dir})
	cfg, err := read(config)
	if err != nil {
		t.Fatal(err)
	}
	points, err := pointsOf(cfg, cfg.Units[0], watch.NewClock(watch.SystemClock, time.Time{}, false))
	if err != nil {
		t.Fatal(err)
	}
	unit, err := rules.New(cfg.Units[0].Rules, points, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	scan := signal.Scan{Number: 1, Time: then, ClockTrusted: true}
	for _, p := range points {
		scan.Readings = append(scan.Readings, signal.Missing(p.Unit, signal.NeverRead, then))
	}
	unit.Step(scan)
	state, err := unit.Save()
	if err != nil {
		t.Fatal(err)
	}
	store := storeWith(t, dir, then)
	step := func(name string, at time.Time, trusted bool, shift float64) rules.Event {
		return rules.Event{Kind: rules.ClockEvent, Time: at, ClockTrusted: trusted, Site: "quillen-reach", Unit: "AU-9", Source: "clock", Name: name,
			Values: []rules.Value{{Name: "shift", Value: signal.Number(shift), Unit: "s"}}}
	}
	events := []rules.Event{step("trusted", then, true, 0), step("corrected", then, true, 9000)}
	for i := range mostSteps + 1 {
		events = append(events, step("corrected", time.Now().Add(-time.Duration(i)*time.Hour), true, float64(-3-i)))
	}
	if _, err := store.Record(t.Context(), "AU-9", events, nil, state); err != nil {
		t.Fatal(err)
	}
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
	_, found := look(t, config)
	wants(t, found, "proof AU-9", attention, "OVERDUE since ", "announce_test")
	wants(t, found, "service AU-9", attention, "unit, Have the relief valve tested: 110 % of its interval used", "service_done")
	wants(t, found, "clock", attention, "11 steps in 30 days, the widest of -13.0 s", "two time services")
	wants(t, found, "agent", attention, "does not run", "systemctl")

	spoil(t, filepath.Join(dir, "history.db"))
	_, found = look(t, config)
	wants(t, found, "history", attention, "", "Copy ")
}

// A disk that is full, as a small one of its own.
func TestInspectOnAFullDisk(t *testing.T) {
	path, err := program()
	if err != nil {
		t.Fatal(err)
	}
	disk := t.TempDir()
	config := configuration(t, "chain.yaml", map[string]string{"PORT_MODBUS": "1", "PORT_MQTT": "1", "PORT_HTTP": "1", "STORE": filepath.Join(disk, "history")})
	script := `mount -t tmpfs -o size=1m tmpfs "$1" && ! head -c 2000000 /dev/zero 2>/dev/null >"$1/other" || true; shift; exec "$@"`
	out, _ := exec.Command(tool(t, "unshare", "util-linux"), "-rm", "sh", "-c", script, "sh", disk, path, "inspect", "-json", config).Output()
	var in inspection
	if err := json.Unmarshal(out, &in); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	found := map[string]finding{}
	for _, f := range in.Findings {
		found[f.What] = f
	}
	wants(t, found, "disk", attention, "0.0 MB of 1.0 MB are free", "Make room")
	wants(t, found, "disk writes", attention, "no space left on device", "Make room")
}

// What an eMMC says of itself (JEDEC JESD84-B51), as the kernel shows it.
func TestFlashWear(t *testing.T) {
	for _, c := range []struct{ name, life, spare, state, says string }{
		{"new", "0x01 0x01", "0x01", isWell, "0 to 10 % of its life is spent, and its spare blocks are plenty"},
		{"the worse of two kinds counts", "0x02 0x05", "0x01", isWell, "40 to 50 %"},
		{"nearly spent", "0x09 0x01", "0x01", attention, "80 to 90 %"},
		{"spent", "0x0b 0x0b", "0x03", attention, "more than its whole life"},
		{"spare blocks go", "0x01 0x01", "0x02", attention, "80 % used"},
		{"not told", "0x00 0x00", "0x00", isWell, "tells nothing"},
		{"no such device", "", "", isWell, "tells nothing"},
		{"a word that is no number", "none", "0x01", isWell, "tells nothing"},
	} {
		t.Run(c.name, func(t *testing.T) {
			sys, dir := t.TempDir(), t.TempDir()
			block := filepath.Join(sys, "devices/mmcblk0")
			place, ok := blockOf(dir)
			if !ok {
				t.Fatal("the folder has no device")
			}
			for _, d := range []string{block + "/device", block + "/mmcblk0p2", sys + "/dev/block"} {
				if err := os.MkdirAll(d, 0o755); err != nil {
					t.Fatal(err)
				}
			}
			if err := os.Symlink(block+"/mmcblk0p2", sys+"/dev/block/"+place); err != nil {
				t.Fatal(err)
			}
			if c.life != "" {
				for name, text := range map[string]string{"life_time": c.life, "pre_eol_info": c.spare} {
					if err := os.WriteFile(filepath.Join(block, "device", name), []byte(text+"\n"), 0o644); err != nil {
						t.Fatal(err)
					}
				}
			}
			in := &inspection{senses: senses{sysfs: sys}}
			in.wear(dir)
			if f := in.Findings[0]; f.State != c.state || !strings.Contains(f.Says, c.says) {
				t.Errorf("want %s, %q; got %+v", c.state, c.says, f)
			}
		})
	}
}

// What is said of the clock.
func TestInspectedClock(t *testing.T) {
	for _, c := range []struct {
		name   string
		kept   timeKept
		strict bool
		newest time.Duration // of the record, from now
		state  string
		says   string
	}{
		{"kept right", rightTime(), true, 0, isWell, "trusted: the kernel says that it is synchronised"},
		{"runs free", timeKept{known: true}, false, 0, attention, "trusted: the kernel says that nothing keeps it right"},
		{"behind the record", timeKept{known: true}, false, time.Hour, attention, "not trusted, it is behind"},
		{"must be synchronised", timeKept{known: true}, true, 0, attention, "not trusted: "},
		{"cannot be asked", timeKept{}, false, 0, isWell, "cannot be asked"},
	} {
		t.Run(c.name, func(t *testing.T) {
			cfg, err := read("../configs/quillen-reach.yaml")
			if err != nil {
				t.Fatal(err)
			}
			cfg.Clock.RequireSync = c.strict
			in := &inspection{cfg: cfg, Time: time.Now(), senses: senses{kept: func() timeKept { return c.kept }}}
			in.clockNow = in.clockBehind(time.Now().Add(c.newest))
			in.clock(&pastEvents{})
			if f := in.Findings[0]; f.State != c.state || !strings.Contains(f.Says, c.says) {
				t.Errorf("want %s, %q; got %+v", c.state, c.says, f)
			}
		})
	}
}

// The exit codes, and a file that is wrong.
func TestInspectCommandLine(t *testing.T) {
	if got := try(t, "inspect"); got.code != exitUsage {
		t.Errorf("without a file: exit code %d", got.code)
	}
	bad := filepath.Join(t.TempDir(), "bad.yaml")
	if err := os.WriteFile(bad, []byte("site: quillen-reach\nagnet: gateway-1\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	got := try(t, "inspect", bad)
	for _, has := range []string{"ATTENTION  configuration", bad + ":2:1", "do: Correct", "1 of 2 findings need somebody"} {
		if got.code != exitFailed || !strings.Contains(got.out, has) {
			t.Errorf("exit code %d, nothing like %q in\n%s", got.code, has, got.out)
		}
	}
	if got := try(t, "inspect", "/nowhere.yaml"); got.code != exitFailed || !strings.Contains(got.out, "no such file") {
		t.Errorf("a file that is not there: exit code %d\n%s", got.code, got.out)
	}
}

// Ages in words.
func TestAgo(t *testing.T) {
	now := time.Now()
	for d, want := range map[time.Duration]string{-time.Second: "0 s ago", 5 * time.Second: "5 s ago", 3 * time.Minute: "3 min ago", 5 * time.Hour: "5 h ago", 72 * time.Hour: "3 days ago"} {
		if got := ago(now, now.Add(-d)); got != want {
			t.Errorf("%v: %q, want %q", d, got, want)
		}
	}
}
