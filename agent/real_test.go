package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// patience is how long the tests wait for another process. It is long because
// the machines are slow at times; what it waits for usually takes a second.
const patience = 60 * time.Second

// builtIn is the folder of the built program; empty until a test needs it.
var builtIn string

// program is the built program, made once for all tests.
var program = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "strokebank-test-")
	if err != nil {
		return "", err
	}
	builtIn = dir
	path := filepath.Join(dir, "strokebank")
	out, err := exec.Command("go", "build", "-race", "-o", path, ".").CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("go build: %w\n%s", err, out)
	}
	return path, nil
})

func TestMain(m *testing.M) {
	if way := os.Getenv(loopOf); way != "" {
		os.Exit(loop(way, os.Args[1]))
	}
	if file := os.Getenv(agentClock); file != "" {
		os.Exit(agentOn(file))
	}
	code := m.Run()
	if builtIn != "" {
		os.RemoveAll(builtIn)
	}
	os.Exit(code)
}

// tool is the path of a real tool of Debian; one that is missing fails.
func tool(tb testing.TB, name, pkg string) string {
	tb.Helper()
	for _, dir := range []string{"", "/usr/sbin/", "/usr/bin/"} {
		if path, err := exec.LookPath(dir + name); err == nil {
			return path
		}
	}
	tb.Fatalf("%s is missing: apt-get install %s", name, pkg)
	return ""
}

// freePort is a port of the loopback interface that was free a moment ago.
func freePort(tb testing.TB) int {
	tb.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		tb.Fatal(err)
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

// process is a child of the test.
type process struct {
	tb   testing.TB
	cmd  *exec.Cmd
	log  *safeBuffer
	done chan struct{}
}

// start runs a program until the test ends.
func start(tb testing.TB, name string, args ...string) *process {
	tb.Helper()
	return startIn(tb, nil, name, args...)
}

// startIn is start with more variables in its environment.
func startIn(tb testing.TB, environment []string, name string, args ...string) *process {
	tb.Helper()
	p := &process{tb: tb, cmd: exec.Command(name, args...), log: new(safeBuffer), done: make(chan struct{})}
	p.cmd.Env = append(os.Environ(), environment...)
	p.cmd.Stdout, p.cmd.Stderr = p.log, p.log
	if err := p.cmd.Start(); err != nil {
		tb.Fatalf("%s: %v", name, err)
	}
	go func() {
		_ = p.cmd.Wait()
		close(p.done)
	}()
	tb.Cleanup(func() {
		p.kill()
		if tb.Failed() {
			tb.Logf("%s said:\n%s", filepath.Base(name), p.log.tail())
		}
	})
	return p
}

// kill ends the process at once, as a power cut would.
func (p *process) kill() {
	_ = p.cmd.Process.Kill()
	<-p.done
}

// stop asks the process to end and returns its exit code.
func (p *process) stop() int {
	p.tb.Helper()
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		p.tb.Fatal(err)
	}
	select {
	case <-p.done:
	case <-time.After(patience):
		p.tb.Fatal("the program does not stop")
	}
	return p.cmd.ProcessState.ExitCode()
}

// safeBuffer is a log that several goroutines use.
type safeBuffer struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (b *safeBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.buf.Write(p)
}

func (b *safeBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.buf.String()
}

// tail is the end of the log, which is where the cause stands.
func (b *safeBuffer) tail() string {
	s := b.String()
	return s[max(0, len(s)-4000):]
}

// eventually waits until what holds, asking often.
func eventually(tb testing.TB, what string, holds func() bool) {
	tb.Helper()
	deadline := time.NewTimer(patience)
	defer deadline.Stop()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for !holds() {
		select {
		case <-tick.C:
		case <-deadline.C:
			tb.Fatalf("after %v still not: %s", patience, what)
		}
	}
}

// listening waits until somebody listens on a port.
func listening(tb testing.TB, port int) {
	tb.Helper()
	eventually(tb, fmt.Sprintf("somebody listens on port %d", port), func() bool {
		c, err := net.Dial("tcp", at(port))
		if err == nil {
			c.Close()
		}
		return err == nil
	})
}

func at(port int) string { return "127.0.0.1:" + strconv.Itoa(port) }

// image is the register image that the Modbus peer serves, in a file.
type image struct {
	tb   testing.TB
	path string
	regs map[string]any
}

// peer runs the independent Modbus server on an image of testdata.
func peer(tb testing.TB, name string) (*image, int) {
	tb.Helper()
	python := "/usr/bin/python3" // Debian's, which has Debian's modules
	if out, err := exec.Command(python, "-c", "import pymodbus.server").CombinedOutput(); err != nil {
		tb.Fatalf("pymodbus is missing: apt-get install python3-pymodbus python3-serial python3-serial-asyncio python3-six\n%s", out)
	}
	text, err := os.ReadFile("../testdata/" + name)
	if err != nil {
		tb.Fatal(err)
	}
	im := &image{tb: tb, path: filepath.Join(tb.TempDir(), name)}
	if err := json.Unmarshal(text, &im.regs); err != nil {
		tb.Fatal(err)
	}
	im.write()
	port := freePort(tb)
	start(tb, python, "../testdata/modbus_peer.py", im.path, strconv.Itoa(port))
	listening(tb, port)
	return im, port
}

// set changes one value of the image.
func (im *image) set(table string, address, value int) {
	im.tb.Helper()
	im.regs[table].(map[string]any)[strconv.Itoa(address)] = value
	im.write()
}

// write replaces the file in one step, so that the peer never reads half.
func (im *image) write() {
	im.tb.Helper()
	text, err := json.Marshal(im.regs)
	if err == nil {
		err = os.WriteFile(im.path+".new", text, 0o600)
	}
	if err == nil {
		err = os.Rename(im.path+".new", im.path)
	}
	if err != nil {
		im.tb.Fatal(err)
	}
}

// broker runs a real broker.
func broker(tb testing.TB) int {
	tb.Helper()
	port := freePort(tb)
	brokerAt(tb, port)
	return port
}

func brokerAt(tb testing.TB, port int) {
	tb.Helper()
	conf := filepath.Join(tb.TempDir(), "mosquitto.conf")
	text := fmt.Sprintf("listener %d 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\n", port)
	if err := os.WriteFile(conf, []byte(text), 0o644); err != nil {
		tb.Fatal(err)
	}
	start(tb, tool(tb, "mosquitto", "mosquitto"), "-c", conf)
	listening(tb, port)
}

// heard is one message at a subscriber.
type heard struct {
	topic    string
	retained bool
	raw      []byte
	payload  map[string]any
}

// subscriber hears everything under a topic filter.
type subscriber struct {
	tb   testing.TB
	mu   sync.Mutex
	list []heard
}

func subscribe(tb testing.TB, port int, filter string) *subscriber {
	tb.Helper()
	s := &subscriber{tb: tb}
	options := mqtt.NewClientOptions().AddBroker("tcp://" + at(port)).SetClientID(fmt.Sprint("subscriber-", port, time.Now().UnixNano())).SetProtocolVersion(4)
	client := mqtt.NewClient(options)
	if token := client.Connect(); !token.WaitTimeout(patience) || token.Error() != nil {
		tb.Fatalf("subscriber: %v", token.Error())
	}
	tb.Cleanup(func() { client.Disconnect(100) })
	token := client.Subscribe(filter, 1, func(_ mqtt.Client, m mqtt.Message) {
		h := heard{topic: m.Topic(), retained: m.Retained(), raw: m.Payload()}
		if err := json.Unmarshal(m.Payload(), &h.payload); err != nil && len(h.raw) > 0 {
			tb.Errorf("%s: %v: %s", m.Topic(), err, m.Payload())
		}
		s.mu.Lock()
		defer s.mu.Unlock()
		s.list = append(s.list, h)
	})
	if !token.WaitTimeout(patience) || token.Error() != nil {
		tb.Fatalf("subscriber: %v", token.Error())
	}
	return s
}

// all is what was heard so far.
func (s *subscriber) all() []heard {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]heard(nil), s.list...)
}

// find is the first message, from a place on, that fits; -1 where none does.
func (s *subscriber) find(from int, fits func(heard) bool) int {
	for i, h := range s.all() {
		if i >= from && fits(h) {
			return i
		}
	}
	return -1
}

// await waits for a message that fits and returns it with its place.
func (s *subscriber) await(what string, from int, fits func(heard) bool) (heard, int) {
	s.tb.Helper()
	at := -1
	eventually(s.tb, "the subscriber hears "+what, func() bool {
		at = s.find(from, fits)
		return at >= 0
	})
	return s.all()[at], at
}

// get fetches a page that must be there.
func get(tb testing.TB, url string) string {
	tb.Helper()
	body, err := fetch(url)
	if err != nil {
		tb.Fatal(err)
	}
	return body
}

// fetch fetches a page; anything but 200 is an error.
func fetch(url string) (string, error) {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		return "", err
	}
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		return "", err
	}
	defer response.Body.Close()
	body, err := io.ReadAll(response.Body)
	if err == nil && response.StatusCode != http.StatusOK {
		err = fmt.Errorf("%s: %s\n%s", url, response.Status, body)
	}
	return string(body), err
}

// configuration is a file of testdata with the words of a test put in.
func configuration(tb testing.TB, name string, words map[string]string) string {
	tb.Helper()
	text, err := os.ReadFile("../testdata/" + name)
	if err != nil {
		tb.Fatal(err)
	}
	out := string(text)
	for word, value := range words {
		out = strings.ReplaceAll(out, word, value)
	}
	path := filepath.Join(tb.TempDir(), name)
	if err := os.WriteFile(path, []byte(out), 0o600); err != nil {
		tb.Fatal(err)
	}
	return path
}
