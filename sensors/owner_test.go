package sensors

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"sync/atomic"
	"testing"
	"time"

	"strokebank/sensors/signal"
)

// A device that has holes in its map refuses the merged read; from then on it
// is read in its islands, and a value that does not exist spoils no other.
func TestIslands(t *testing.T) {
	exists := func(addr uint16) bool { return addr != 13 && addr != 21 && addr != 22 }
	good := answering(func(addr uint16) uint16 { return addr })
	server := serve(t, func(c net.Conn, r request) bool {
		for a := r.addr; a < r.addr+r.count; a++ {
			if !exists(a) {
				return except(2)(c, r)
			}
		}
		return good(c, r)
	})
	var points []Point
	addresses := []uint16{10, 11, 12, 14, 15, 18, 19, 20, 21, 23, 24} // 21 does not exist
	for _, a := range addresses {
		points = append(points, word(signal.ID(fmt.Sprint("p", a)), "panel", 1, a))
	}
	o := lone(t, server, points...)
	check := func(s signal.Scan) bool {
		for i, a := range addresses {
			if a == 21 && !isBad(i, signal.Exception)(s) || a != 21 && !reads(i, float64(a))(s) {
				return false
			}
		}
		return reads(len(addresses), 1)(s) // the link is up
	}
	if s := scanOnce(t, o); !check(s) {
		t.Fatalf("first scan: %+v", s.Readings)
	}
	learned := len(server.seen())
	for range 8 {
		if s := scanOnce(t, o); !check(s) {
			t.Fatalf("later scan: %+v", s.Readings)
		}
	}
	missing := 0
	for _, req := range server.seen()[learned:] {
		if req.addr <= 21 && req.addr+req.count > 21 {
			missing++
			if req.count != 1 {
				t.Errorf("the merged read is asked again: %d registers at %d", req.count, req.addr)
			}
		}
	}
	if missing > 2 {
		t.Errorf("the missing register is asked for %d times in 8 scans, want growing intervals", missing)
	}
	if got, want := len(server.seen())-learned-missing, 8*5; got != want {
		t.Errorf("%d reads in 8 scans, want %d: islands 10-12, 14-15, 18-19, 20, 23-24", got, want)
	}
	if n := o.board.stats.Exceptions; n == 0 {
		t.Error("exceptions not counted")
	}
}

// A device that closes after each exception still gets read in its islands.
func TestIslandsOfADeviceThatHangsUp(t *testing.T) {
	good := answering(func(addr uint16) uint16 { return addr })
	server := serve(t, func(c net.Conn, r request) bool {
		if r.count > 1 {
			except(2)(c, r)
			return false
		}
		return good(c, r)
	})
	r := start(t, []Link{linkTo("panel", server.address())}, clockNow(),
		map[string][]Point{"AU-7": {word("level", "panel", 1, 5), word("pressure", "panel", 1, 7)}})
	r.await("AU-7", "good", all(reads(0, 5), reads(1, 7)), nil)
}

// One device of a link does not answer: the others are read in every scan, it
// is asked at growing intervals, and found again when it comes back.
func TestSilentDeviceStarvesNobody(t *testing.T) {
	good := answering(same(before))
	var quiet atomic.Bool
	server := serve(t, func(c net.Conn, r request) bool {
		return r.unit == 2 && quiet.Load() || good(c, r)
	})
	quiet.Store(true)
	o := lone(t, server, word("a", "panel", 2, 1), word("b", "panel", 1, 1), word("c", "panel", 3, 1))
	state := all(isBad(0, signal.NoAnswer), reads(1, before), reads(2, before), reads(3, 1))
	const scans = 12
	for n := range scans {
		if s := scanOnce(t, o); !state(s) {
			t.Fatalf("scan %d: %+v", n+1, s.Readings)
		}
	}
	asked := make(map[byte]int)
	for _, req := range server.seen() {
		asked[req.unit]++
	}
	if asked[1] != scans || asked[3] != scans {
		t.Errorf("the others are asked %d and %d times in %d scans", asked[1], asked[3], scans)
	}
	if asked[2] < 2 || asked[2] > 4 {
		t.Errorf("the silent device is asked %d times in %d scans, want twice and then at growing intervals", asked[2], scans)
	}
	quiet.Store(false)
	o.devices[1].retry.next = time.Now() // its next try has come
	if s := scanOnce(t, o); !all(reads(0, before), reads(1, before), reads(2, before))(s) {
		t.Errorf("afterwards: %+v", s.Readings)
	}
}

func TestTheLongestSilentIsTriedFirst(t *testing.T) {
	now := time.Date(2026, 11, 3, 0, 0, 0, 0, time.UTC)
	ago := func(d time.Duration) backoff { return backoff{failures: 3, next: now.Add(-d)} }
	devices := []*device{
		{id: 1, retry: ago(time.Hour)}, // answers
		{id: 2, silent: true, retry: ago(time.Second)},
		{id: 3, silent: true, retry: ago(2 * time.Second)},
		{id: 4, silent: true, retry: ago(-time.Second)}, // not due
		{id: 5, silent: true, retry: ago(time.Second)},
	}
	if d := longestOverdue(devices, now); d == nil || d.id != 3 {
		t.Errorf("got %+v, want device 3", d)
	}
	if d := longestOverdue(devices[3:4], now); d != nil {
		t.Errorf("got %+v, want none", d)
	}
}

func TestMissedTicksAreNotCaughtUp(t *testing.T) {
	tick := time.Date(2026, 11, 3, 0, 0, 0, 0, time.UTC)
	for _, tt := range []struct{ after, newest, passed int }{{0, 0, 0}, {999, 0, 0}, {1000, 1000, 1}, {4700, 4000, 4}, {-5, 0, 0}} {
		newest, passed := newestTick(tick, tick.Add(time.Duration(tt.after)*time.Millisecond), time.Second)
		if newest.Sub(tick) != time.Duration(tt.newest)*time.Millisecond || passed != uint64(tt.passed) {
			t.Errorf("%d ms: got %v and %d, want %d ms and %d", tt.after, newest.Sub(tick), passed, tt.newest, tt.passed)
		}
	}
}

// A link that cannot be opened is dialled again at once and then at growing
// intervals; when it comes back everything is read in the same scan.
func TestDeadLinkIsDialledAtGrowingIntervals(t *testing.T) {
	server := serve(t, answering(same(before)))
	o := lone(t, server, word("level", "panel", 1, 1), word("pressure", "panel", 2, 1))
	dials, dead := 0, true
	o.conn.open = func(l Link, log *slog.Logger) (asker, error) {
		if dials++; dead {
			return nil, errors.New("connection refused")
		}
		return open(l, log)
	}
	lost := all(isBad(0, signal.LinkLost), isBad(1, signal.LinkLost), reads(2, 0))
	for n := range 10 {
		if s := scanOnce(t, o); !lost(s) {
			t.Fatalf("scan %d: %+v", n+1, s.Readings)
		}
	}
	if dials != 2 {
		t.Errorf("dialled %d times in ten scans at once, want twice", dials)
	}
	if n := o.board.stats.DialFailures; n != uint64(dials) {
		t.Errorf("%d failures counted", n)
	}
	dead = false
	o.retry.next = time.Now() // its next try has come
	if s := scanOnce(t, o); !all(reads(0, before), reads(1, before), reads(2, 1))(s) {
		t.Errorf("afterwards: %+v", s.Readings)
	}
}

// A dial that hangs holds up neither scans nor the end; the client that it
// brings afterwards is closed.
func TestDialThatHangs(t *testing.T) {
	release := make(chan struct{})
	closed := make(chan struct{})
	o := newOwner(linkTo("panel", "127.0.0.1:502"), []Point{word("level", "panel", 1, 1)},
		&board{cells: make([]cell, 1)}, clockNow(), slog.New(slog.DiscardHandler))
	o.conn.open = func(Link, *slog.Logger) (asker, error) {
		<-release
		return closing{closed: closed}, nil
	}
	ctx, cancel := context.WithCancel(context.Background())
	o.scan(ctx, time.Now())
	o.link.Timeout = time.Hour // a dial under way is not waited for again
	for range 3 {
		o.scan(ctx, time.Now())
	}
	if r := o.board.cells[0].reading; r.Known() || r.Reason != signal.LinkLost {
		t.Errorf("reading %+v", r)
	}
	if o.board.stats.DialFailures != 0 {
		t.Error("a dial under way is counted as failed")
	}
	cancel()
	o.run(ctx, time.Now()) // returns although the dial has not
	close(release)
	<-closed
}

type closing struct {
	asker
	closed chan struct{}
}

func (c closing) Close() error { close(c.closed); return nil }

func TestRunEndsWithItsContext(t *testing.T) {
	mute := serve(t, silent)
	p, err := New([]Link{linkTo("panel", mute.address())}, clockNow(), slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	s, err := p.Source("AU-7", []Point{word("level", "panel", 1, 1)})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error)
	go func() { ended <- p.Run(ctx) }()
	if _, err := s.Next(ctx); err != nil {
		t.Fatal(err)
	}
	cancel()
	if err := <-ended; !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
	if err := p.Run(context.Background()); err == nil {
		t.Error("a second run is allowed")
	}
	if _, err := p.Source("ACC-2", []Point{word("level", "panel", 1, 1)}); err == nil {
		t.Error("a unit is added after the start")
	}
}

func TestBackoff(t *testing.T) {
	o := newOwner(linkTo("panel", "127.0.0.1:502"), nil, &board{}, clockNow(), nil)
	var b backoff
	now := time.Date(2026, 11, 3, 0, 0, 0, 0, time.UTC)
	for i, longest := range []time.Duration{0, 1, 2, 4, 8, 16, 30, 30, 30} {
		longest *= time.Second
		b.fail(now, time.Second, o.random)
		if wait := b.next.Sub(now); wait > longest || wait < longest/2 {
			t.Errorf("failure %d: wait %v, want %v to %v", i+1, wait, longest/2, longest)
		}
		if b.due(b.next.Add(-1)) || !b.due(b.next) {
			t.Errorf("failure %d: not due at its moment", i+1)
		}
	}
	for range 100 {
		b.fail(now, time.Second, o.random)
	}
	if wait := b.next.Sub(now); wait > 30*time.Second || wait < 15*time.Second {
		t.Errorf("after many failures: wait %v", wait)
	}
	b.reset()
	if b.fail(now, time.Second, o.random); !b.due(now) {
		t.Error("not due at once after a success")
	}
}

func BenchmarkScan(b *testing.B) {
	server := serve(b, answering(func(addr uint16) uint16 { return addr }))
	points := sixty("panel")
	link := linkTo("panel", server.address())
	link.Timeout = time.Second
	o := newOwner(link, points, &board{cells: make([]cell, len(points))}, clockNow(), slog.New(slog.DiscardHandler))
	ctx := context.Background()
	b.Run("points=60", func(b *testing.B) {
		b.ReportAllocs()
		before := o.board.stats.Transactions
		for b.Loop() {
			o.scan(ctx, time.Now())
		}
		b.ReportMetric(float64(o.board.stats.Transactions-before)/float64(b.N), "transactions/op")
		server.mu.Lock()
		server.requests = nil
		server.mu.Unlock()
	})
	o.conn.drop()
}
