package main

import (
	"context"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"strokebank/sensors/signal"
)

// manager is what a service manager hears (sd_notify(3): datagrams of lines).
type manager struct {
	mu    sync.Mutex
	lines []string
}

// listenAsManager puts a manager's socket into the environment of the
// programs that the test starts.
func listenAsManager(t *testing.T, watchdog time.Duration) *manager {
	t.Helper()
	path := filepath.Join(t.TempDir(), "notify")
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	t.Setenv("NOTIFY_SOCKET", path)
	t.Setenv("WATCHDOG_USEC", strconv.FormatInt(watchdog.Microseconds(), 10))
	m := new(manager)
	go func() {
		text := make([]byte, 4096)
		for {
			n, err := conn.Read(text)
			if err != nil {
				return
			}
			m.mu.Lock()
			m.lines = append(m.lines, strings.Split(string(text[:n]), "\n")...)
			m.mu.Unlock()
		}
	}()
	return m
}

func (m *manager) count(line string) (n int) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, l := range m.lines {
		if strings.HasPrefix(l, line) {
			n++
		}
	}
	return n
}

// order is what was said, without the watchdog.
func (m *manager) order() []string {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.DeleteFunc(slices.Clone(m.lines), func(l string) bool {
		return l == "WATCHDOG=1" || strings.HasPrefix(l, "STATUS=")
	})
}

// A reload with a wrong file changes nothing and says all that is wrong; one
// with a right file takes effect, and the run under way loses nothing but the
// moment of the change.
func TestReloadChain(t *testing.T) {
	m := listenAsManager(t, 600*time.Millisecond)
	c := startChain(t)
	c.hears.await("the first reserve", 0, c.cycles(5))
	pid := c.agent.cmd.Process.Pid
	began := time.Now()
	c.image.set("discrete_inputs", 0, 1) // pump1 runs from here on
	pause(t, 2*time.Second)

	right, err := os.ReadFile(c.config)
	if err != nil {
		t.Fatal(err)
	}
	wrong := strings.NewReplacer("scan: 200 ms", "scan: soon", "mounting: strapped", "mounting: hanging").Replace(string(right))
	c.reload(t, wrong)
	eventually(t, "all problems in the log", func() bool {
		log := c.agent.log.String()
		return strings.Contains(log, "soon") && strings.Contains(log, "hanging") && m.count("STATUS=reload refused") == 1
	})
	if m.count("RELOADING=1") != 0 {
		t.Error("a wrong file made it reload")
	}

	changed := strings.NewReplacer("minimum_pressure: 5 bar", "minimum_pressure: 5.8 bar", "      pump1.overload: input 20 bit 3\n", "").Replace(string(right))
	c.reload(t, changed)
	eventually(t, "the reload", func() bool { return m.count("READY=1") == 2 })
	c.hears.await("that the broker forgets an alarm that is gone", 0, func(h heard) bool {
		return h.topic == c.unit+"alarm/pump1/overload" && len(h.raw) == 0
	})
	pause(t, 2*time.Second)
	ran := time.Since(began)
	c.image.set("discrete_inputs", 0, 0)
	pause(t, time.Second)
	if c.agent.cmd.Process.Pid != pid || !c.agent.running() {
		t.Error("the reload ended the process")
	}
	if m.count("WATCHDOG=1") < 5 {
		t.Errorf("the watchdog was fed %d times", m.count("WATCHDOG=1"))
	}
	if code := c.agent.stop(); code != exitOK {
		t.Errorf("stopped with exit code %d", code)
	}
	if got, want := fmt.Sprint(m.order()), "[READY=1 RELOADING=1 READY=1 STOPPING=1]"; got != want {
		t.Errorf("the manager heard %s, want %s", got, want)
	}
	c.runsAre(t, ran)
}

// reload writes the file anew and sends the signal.
func (c *chain) reload(t *testing.T, text string) {
	t.Helper()
	if err := os.WriteFile(c.config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := c.agent.cmd.Process.Signal(syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
}

func (p *process) running() bool {
	select {
	case <-p.done:
		return false
	default:
		return true
	}
}

// runsAre holds the run seconds of pump1 in history against the truth: at most
// the scans at its ends more, and less only by the moment of the reload and
// the time that the peer takes to see its file.
func (c *chain) runsAre(t *testing.T, truth time.Duration) {
	t.Helper()
	_, runs := c.history(t)
	var ran, doubt float64
	for _, r := range runs {
		ran += r.Seconds
		doubt += r.Doubt
	}
	t.Logf("ran %.2f s by history, doubt %.2f s, %.2f s in truth, %d run(s)", ran, doubt, truth.Seconds(), len(runs))
	if ran > truth.Seconds()+1 || ran+doubt < truth.Seconds()-1.5 {
		t.Errorf("pump1 ran %.2f s by history with a doubt of %.2f s, %.2f s in truth", ran, doubt, truth.Seconds())
	}
}

// With device and broker dead the watchdog is fed all the same.
func TestDeadPlantFeedsTheWatchdog(t *testing.T) {
	m := listenAsManager(t, 300*time.Millisecond)
	path, err := program()
	if err != nil {
		t.Fatal(err)
	}
	port := func() string { return strconv.Itoa(freePort(t)) }
	file := configuration(t, "chain.yaml", map[string]string{"PORT_MODBUS": port(), "PORT_MQTT": port(),
		"PORT_HTTP": port(), "STORE": filepath.Join(t.TempDir(), "history")})
	p := start(t, path, "run", file)
	eventually(t, "readiness", func() bool { return m.count("READY=1") == 1 })
	fed := m.count("WATCHDOG=1")
	eventually(t, "ten feedings", func() bool { return m.count("WATCHDOG=1") >= fed+10 })
	p.stop()
}

// endless gives a scan a second until it is told to hang.
type endless struct{ hang chan struct{} }

func (e endless) Next(ctx context.Context) (signal.Scan, error) {
	select {
	case <-time.After(time.Second):
		return signal.Scan{}, nil
	case <-e.hang:
		<-ctx.Done()
		return signal.Scan{}, ctx.Err()
	case <-ctx.Done():
		return signal.Scan{}, ctx.Err()
	}
}

// One unit of two that does not go round any more starves the watchdog within
// its limit, and is named once.
func TestStuckUnitStarvesTheWatchdog(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		var h heart
		h.restart([]string{"AU-7", "ACC-2"}, time.Second)
		hang := make(chan struct{})
		for unit, source := range map[string]scans{"AU-7": endless{}, "ACC-2": endless{hang}} {
			go func() {
				for b := (beating{source, &h, unit}); ; {
					if _, err := b.Next(ctx); err != nil {
						return
					}
				}
			}()
		}
		var mu sync.Mutex // sleeping orders nothing for the race detector
		var fed int
		var reports []string
		say := func() { mu.Lock(); defer mu.Unlock(); fed++ }
		report := func(units []string) { mu.Lock(); defer mu.Unlock(); reports = append(reports, units...) }
		heard := func() (int, string) {
			synctest.Wait()
			mu.Lock()
			defer mu.Unlock()
			n := fed
			fed = 0
			return n, fmt.Sprint(reports)
		}
		go h.feed(ctx, 10*time.Second, say, report)
		time.Sleep(time.Hour)
		if n, units := heard(); n < 359 || units != "[]" {
			t.Errorf("fed %d times in an hour, %v reported", n, units)
		}
		close(hang)
		time.Sleep(20 * time.Second)
		heard()
		time.Sleep(time.Hour)
		if n, units := heard(); n != 0 || units != "[ACC-2]" {
			t.Errorf("fed %d times while a unit was stuck; reported %v", n, units)
		}
		cancel()
	})
}

func TestNotifierFromEnvironment(t *testing.T) {
	self := strconv.Itoa(os.Getpid())
	for _, tt := range []struct {
		name, us, pid string
		want          time.Duration
	}{
		{"no watchdog", "", "", 0}, {"one", "60000000", "", time.Minute}, {"mine", "60000000", self, time.Minute},
		{"another process's", "60000000", "1", 0}, {"rubbish", "soon", self, 0},
	} {
		t.Run(tt.name, func(t *testing.T) {
			n := newNotifier(func(name string) string {
				return map[string]string{"WATCHDOG_USEC": tt.us, "WATCHDOG_PID": tt.pid}[name]
			})
			if n.watchdog != tt.want || n.say("READY=1") != nil {
				t.Errorf("got %+v", n)
			}
		})
	}
	if err := (notifier{socket: "@strokebank-nobody"}).say("READY=1"); err == nil {
		t.Error("nobody listens, and no error")
	}
}
