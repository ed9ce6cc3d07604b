package uplink

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// patience is how long a test waits for something that must come.
const patience = 20 * time.Second

// broker is a real mosquitto on a port of its own.
type broker struct {
	port int
	conf string
	cmd  *exec.Cmd
}

// newBroker starts mosquitto with nothing stored; extra are lines of its
// configuration after the listener.
func newBroker(t testing.TB, extra ...string) *broker {
	t.Helper()
	b := &broker{port: freePort(t), conf: filepath.Join(t.TempDir(), "mosquitto.conf")}
	// A backlog comes faster than a subscriber with the default of 20 in
	// flight takes it: without a limit on its queue the broker drops.
	lines := append([]string{"user root", "persistence false", "max_queued_messages 0", "log_type all",
		"log_dest stderr", fmt.Sprintf("listener %d 127.0.0.1", b.port)}, extra...)
	if len(extra) == 0 {
		lines = append(lines, "allow_anonymous true")
	}
	write(t, b.conf, strings.Join(lines, "\n")+"\n")
	b.start(t)
	return b
}

func mosquitto(t testing.TB) string {
	t.Helper()
	path, err := exec.LookPath("mosquitto")
	if err != nil {
		if path, err = exec.LookPath("/usr/sbin/mosquitto"); err != nil {
			t.Fatal("install mosquitto: this test needs the real broker")
		}
	}
	return path
}

// start runs the broker and waits until it says that it runs.
func (b *broker) start(t testing.TB) {
	t.Helper()
	b.cmd = exec.Command(mosquitto(t), "-c", b.conf)
	out, err := b.cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := b.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	cmd := b.cmd
	t.Cleanup(func() { stop(cmd) })
	running := make(chan bool, 1)
	go func() {
		lines := bufio.NewScanner(out)
		for lines.Scan() {
			if strings.Contains(lines.Text(), " running") {
				running <- true
			}
		}
		running <- false
	}()
	select {
	case ok := <-running:
		if !ok {
			t.Fatalf("mosquitto ended at once, configuration %s", b.conf)
		}
	case <-time.After(patience):
		t.Fatal("mosquitto does not start")
	}
}

func stop(cmd *exec.Cmd) {
	if cmd.ProcessState == nil {
		cmd.Process.Signal(syscall.SIGCONT)
		cmd.Process.Kill()
		cmd.Wait()
	}
}

// kill ends the broker as a power cut would; it keeps nothing.
func (b *broker) kill() { stop(b.cmd) }

// freeze stops the broker's process without closing its connections.
func (b *broker) freeze(t testing.TB) {
	t.Helper()
	if err := b.cmd.Process.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
}

func (b *broker) url() string { return fmt.Sprintf("tcp://127.0.0.1:%d", b.port) }

func freePort(t testing.TB) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

func write(t testing.TB, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

// received is a message as a subscriber got it.
type received struct {
	topic    string
	qos      byte
	retained bool
	payload  []byte
}

// subscribe receives everything that matches, in the order of its arrival.
func subscribe(t testing.TB, url, filter string) <-chan received {
	t.Helper()
	got := make(chan received, 200_000)
	o := mqtt.NewClientOptions().AddBroker(url).SetClientID(fmt.Sprintf("reader-%d", time.Now().UnixNano())).
		SetAutoReconnect(false).SetProtocolVersion(4).SetWriteTimeout(5 * time.Second)
	c := mqtt.NewClient(o)
	finish(t, c.Connect())
	finish(t, c.Subscribe(filter, 1, func(_ mqtt.Client, m mqtt.Message) {
		got <- received{m.Topic(), m.Qos(), m.Retained(), m.Payload()}
	}))
	t.Cleanup(func() { c.Disconnect(0) })
	return got
}

func finish(t testing.TB, token mqtt.Token) {
	t.Helper()
	if !token.WaitTimeout(patience) {
		t.Fatal("the test's own client waits in vain")
	}
	if err := token.Error(); err != nil {
		t.Fatal(err)
	}
}

// until reads messages until one satisfies want, and returns it.
func until(t testing.TB, got <-chan received, what string, want func(received) bool) received {
	t.Helper()
	deadline := time.After(patience)
	for {
		select {
		case m := <-got:
			if want(m) {
				return m
			}
		case <-deadline:
			t.Fatalf("waited in vain for %s", what)
		}
	}
}

// eventually waits until what is asked about is so.
func eventually(t testing.TB, what string, so func() bool) {
	t.Helper()
	again := time.NewTicker(5 * time.Millisecond)
	defer again.Stop()
	for deadline := time.Now().Add(patience); !so(); <-again.C {
		if time.Now().After(deadline) {
			t.Fatalf("waited in vain until %s", what)
		}
	}
}

// proxy stands between the uplink and the broker and can cut the line.
type proxy struct {
	listener net.Listener
	target   string
	mu       sync.Mutex
	open     bool
	conns    []net.Conn
}

func newProxy(t testing.TB, url string) *proxy {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &proxy{listener: l, target: strings.TrimPrefix(url, "tcp://"), open: true}
	go p.accept()
	t.Cleanup(func() { l.Close(); p.cut() })
	return p
}

func (p *proxy) url() string { return "tcp://" + p.listener.Addr().String() }

func (p *proxy) accept() {
	for {
		in, err := p.listener.Accept()
		if err != nil {
			return
		}
		p.join(in)
	}
}

func (p *proxy) join(in net.Conn) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.open {
		in.Close()
		return
	}
	out, err := net.Dial("tcp", p.target)
	if err != nil {
		in.Close()
		return
	}
	p.conns = append(p.conns, in, out)
	relay := func(to, from net.Conn) { io.Copy(to, from); to.Close(); from.Close() }
	go relay(out, in)
	go relay(in, out)
}

// cut closes every connection and lets no new one through until mend.
func (p *proxy) cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.open = false
	for _, c := range p.conns {
		c.Close()
	}
	p.conns = nil
}

func (p *proxy) mend() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.open = true
}
