package main

import (
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// line stands between the agent and its broker. It can be cut, and it can be
// slow.
type line struct {
	tb       testing.TB
	listener net.Listener
	to       string

	mu    sync.Mutex
	open  map[net.Conn]bool
	isCut bool
	pause time.Duration // between two portions of at most 512 bytes
}

func newLine(tb testing.TB, port int) *line {
	tb.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		tb.Fatal(err)
	}
	n := &line{tb: tb, listener: l, to: at(port), open: map[net.Conn]bool{}}
	tb.Cleanup(func() {
		l.Close()
		n.cut(true)
	})
	go func() {
		for {
			in, err := l.Accept()
			if err != nil {
				return
			}
			go n.join(in)
		}
	}()
	return n
}

func (n *line) port() int { return n.listener.Addr().(*net.TCPAddr).Port }

// cut closes every connection and lets no new one through, or lets them again.
func (n *line) cut(yes bool) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.isCut = yes
	for c := range n.open {
		if yes {
			c.Close()
		}
	}
}

func (n *line) slow(pause time.Duration) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.pause = pause
}

func (n *line) join(in net.Conn) {
	defer in.Close()
	out, err := net.Dial("tcp", n.to)
	if err != nil {
		return
	}
	defer out.Close()
	n.mu.Lock()
	cut := n.isCut
	n.open[in] = true
	n.mu.Unlock()
	if cut {
		return
	}
	var both sync.WaitGroup
	for _, way := range [][2]net.Conn{{in, out}, {out, in}} {
		both.Go(func() {
			n.carry(way[0], way[1])
			in.Close()
			out.Close()
		})
	}
	both.Wait()
	n.mu.Lock()
	delete(n.open, in)
	n.mu.Unlock()
}

func (n *line) carry(from, to net.Conn) {
	portion := make([]byte, 512)
	for {
		k, err := from.Read(portion)
		if err != nil {
			return
		}
		n.mu.Lock()
		pause := n.pause
		n.mu.Unlock()
		time.Sleep(pause) // the slowness of the line itself
		if _, err := to.Write(portion[:k]); err != nil {
			return
		}
	}
}

// troubled is the whole agent with a broker that fails in every way.
type troubled struct {
	*chain
	t      *testing.T
	line   *line
	dir    string // of the broker's configuration and its store
	broker *process
	heard  []heard // by earlier subscribers
}

// start runs the broker with some lines of configuration, and a subscriber at
// it, before the agent is let through.
func (x *troubled) start(lines string) {
	x.t.Helper()
	conf := fmt.Sprintf("user %s\nlistener %d 127.0.0.1\nmax_queued_messages 0\n%s\n", ownName(x.t), x.mqtt, lines)
	if err := os.WriteFile(filepath.Join(x.dir, "mosquitto.conf"), []byte(conf), 0o600); err != nil {
		x.t.Fatal(err)
	}
	x.broker = start(x.t, tool(x.t, "mosquitto", "mosquitto"), "-c", filepath.Join(x.dir, "mosquitto.conf"))
	listening(x.t, x.mqtt)
}

// welcome is start for a broker that lets everybody in.
func (x *troubled) welcome(lines string) {
	x.t.Helper()
	x.start("allow_anonymous true\n" + lines)
	x.hears = subscribe(x.t, x.mqtt, "strokebank/#")
	x.line.cut(false)
}

// down cuts the line and then ends the broker, so that no subscriber misses
// what the broker had taken.
func (x *troubled) down(kill bool) {
	x.t.Helper()
	x.line.cut(true)
	x.heard = append(x.heard, x.hears.all()...)
	if kill {
		x.broker.kill()
	} else {
		x.broker.stop()
	}
}

// happen lets an alarm come and go while nobody can be told.
func (x *troubled) happen() {
	x.t.Helper()
	newest := func() float64 {
		return metric(x.t, x.http, "strokebank_history_newest_sequence")
	}
	before := newest()
	x.image.set("input", 0, 9800)
	eventually(x.t, "the alarm is recorded", func() bool { return newest() > before })
	between := newest()
	x.image.set("input", 0, 12000)
	eventually(x.t, "its end is recorded", func() bool { return newest() > between })
}

// caughtUp waits until the broker has acknowledged everything.
func (x *troubled) caughtUp(what string) {
	x.t.Helper()
	eventually(x.t, what+": everything is acknowledged", func() bool {
		return metric(x.t, x.http, "strokebank_uplink_events_waiting") == 0 && metric(x.t, x.http, "strokebank_uplink_connected") == 1
	})
}

// metric is the present value of a series without labels.
func metric(tb testing.TB, port int, name string) float64 {
	tb.Helper()
	for text := range strings.Lines(get(tb, fmt.Sprintf("http://%s/metrics", at(port)))) {
		text = strings.TrimSpace(text)
		if len(text) > len(name) && text[:len(name)] == name && text[len(name)] == ' ' {
			v, err := strconv.ParseFloat(text[len(name)+1:], 64)
			if err != nil {
				tb.Fatal(err)
			}
			return v
		}
	}
	tb.Fatalf("no series %s", name)
	return 0
}

// A broker that is stopped, killed and started empty, stands still, is slow,
// cannot write its own store, and refuses the login: afterwards every event
// has come, in order.
func TestBrokerInEveryTrouble(t *testing.T) {
	t.Parallel() // it waits for the next connection most of the time
	x := &troubled{chain: &chain{mqtt: freePort(t), http: freePort(t), unit: "strokebank/quillen-reach/AU-9/"}, t: t, dir: t.TempDir()}
	x.line = newLine(t, x.mqtt)
	x.image, x.modbus = peer(t, "chain-image.json")
	x.store = filepath.Join(t.TempDir(), "history")
	x.config = configuration(t, "chain.yaml", map[string]string{
		"PORT_MODBUS": strconv.Itoa(x.modbus), "PORT_MQTT": strconv.Itoa(x.line.port()),
		"PORT_HTTP": strconv.Itoa(x.http), "STORE": x.store,
	})
	path, err := program()
	if err != nil {
		t.Fatal(err)
	}
	stored := filepath.Join(x.dir, "stored")
	persistent := "persistence true\npersistence_location " + stored + "/\nautosave_interval 1\n"
	if err := os.Mkdir(stored, 0o700); err != nil {
		t.Fatal(err)
	}
	x.welcome(persistent)
	x.agent = start(t, path, "run", x.config)
	listening(t, x.http)
	x.hears.await("five cycles", 0, x.cycles(5))

	x.down(false)
	x.happen()
	x.welcome(persistent)
	x.caughtUp("stopped")

	x.down(true)
	if err := os.RemoveAll(stored); err != nil {
		t.Fatal(err)
	}
	x.happen()
	x.welcome(persistent) // its store is gone, and it cannot make one
	x.happen()
	x.signal(syscall.SIGUSR1) // asks it to save
	x.caughtUp("killed, empty and unable to write")
	x.hears.await("the state of each alarm again", 0, func(h heard) bool { return h.topic == x.unit+"alarm/unit/low_reserve" })

	x.signal(syscall.SIGSTOP)
	x.happen()
	x.signal(syscall.SIGCONT)
	x.caughtUp("stood still")

	x.line.slow(20 * time.Millisecond)
	x.happen()
	x.line.slow(0)
	x.caughtUp("slow")

	x.down(false)
	x.start("allow_anonymous false\n")
	x.line.cut(false)
	x.happen()
	eventually(t, "the refused login is counted", func() bool { return metric(t, x.http, "strokebank_uplink_connected") == 0 })
	x.line.cut(true)
	x.broker.stop()
	x.welcome("")
	x.caughtUp("refused the login")

	if code := x.agent.stop(); code != exitOK {
		t.Errorf("stopped with exit code %d", code)
	}
	entries, _ := x.history(t)
	last := entries[len(entries)-1].ID
	x.hears.await("the last event", 0, func(h heard) bool { return h.payload["id"] == last })
	x.hears.mu.Lock()
	x.hears.list = append(x.heard, x.hears.list...)
	x.hears.mu.Unlock()
	x.agree(t, entries)
}

func (x *troubled) signal(s syscall.Signal) {
	x.t.Helper()
	if err := x.broker.cmd.Process.Signal(s); err != nil {
		x.t.Fatal(err)
	}
}
