package sensors

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"strings"
	"testing"
	"time"

	"strokebank/sensors/register"
	"strokebank/sensors/signal"
)

func TestPointsOfASource(t *testing.T) {
	p, err := New([]Link{linkTo("panel", "127.0.0.1:502"), linkTo("annex", "127.0.0.1:503")}, clockNow(), slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	level := word("level", "annex", 1, 1)
	level.Spec.Unit = signal.Metre
	s, err := p.Source("AU-7", []Point{level, word("pump1.start_counter", "panel", 1, 2), word("x", "annex", 2, 3)})
	if err != nil {
		t.Fatal(err)
	}
	want := "[{level m annex} {pump1.start_counter  panel} {x  annex} {link.annex  } {link.panel  }]"
	if got := fmt.Sprint(s.Points()); got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	if u := s.Points()[3].Unit; u != signal.Boolean {
		t.Errorf("link state has unit %d", u)
	}
}

func TestImpossibleLinks(t *testing.T) {
	ok := linkTo("panel", "127.0.0.1:502")
	change := func(f func(*Link)) []Link { l := ok; f(&l); return []Link{l} }
	tests := []struct {
		name  string
		links []Link
		want  string
	}{
		{"name twice", []Link{ok, ok}, "taken"},
		{"no name", change(func(l *Link) { l.Name = "" }), "name"},
		{"no port", change(func(l *Link) { l.Address = "127.0.0.1" }), "port"},
		{"no timeout", change(func(l *Link) { l.Timeout = 0 }), "timeout"},
		{"timeout as long as the scan", change(func(l *Link) { l.Timeout = l.Period }), "timeout"},
		{"negative gap", change(func(l *Link) { l.Gap = -1 }), "gap"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if _, err := New(tt.links, clockNow(), slog.New(slog.DiscardHandler)); err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("got %v, want an error about %q", err, tt.want)
			}
		})
	}
}

func TestImpossiblePoints(t *testing.T) {
	tests := []struct {
		name   string
		points []Point
		want   string
	}{
		{"none", nil, "no points"},
		{"unknown link", []Point{word("level", "nowhere", 1, 1)}, "nowhere"},
		{"name twice", []Point{word("level", "panel", 1, 1), word("level", "panel", 1, 2)}, "taken"},
		{"past the last address", []Point{at(register.HoldingRegisters, 65535, register.Int32)}, "past the last address"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			p, err := New([]Link{linkTo("panel", "127.0.0.1:502")}, clockNow(), slog.New(slog.DiscardHandler))
			if err != nil {
				t.Fatal(err)
			}
			if _, err := p.Source("AU-7", tt.points); err == nil || !strings.Contains(err.Error(), tt.want) || !strings.Contains(err.Error(), "AU-7") {
				t.Errorf("got %v, want an error about %q", err, tt.want)
			}
		})
	}
}

// A unit on one link is not touched by another link that is dead, hangs or is
// silent; a unit on both gets its scans in time, with what there is.
func TestDeadLinkDelaysNobody(t *testing.T) {
	server := serve(t, answering(same(before)))
	mute := serve(t, silent)
	links := []Link{linkTo("panel", server.address()), linkTo("mute", mute.address()), linkTo("dead", deadAddress(t))}
	for i := range links {
		links[i].Timeout, links[i].Period = 80*time.Millisecond, 100*time.Millisecond
	}
	r := start(t, links, clockNow(), map[string][]Point{
		"AU-7":  {word("level", "panel", 1, 1)},
		"ACC-2": {word("level", "panel", 1, 1), word("pressure", "mute", 1, 2), word("sump_level", "dead", 1, 3)},
	})
	r.await("ACC-2", "what there is", all(reads(0, before), isBad(1, signal.LinkLost), isBad(2, signal.LinkLost),
		reads(3, 1), reads(4, 0), reads(5, 0)), nil)
	// The scans of the unit that does not use the mute link do not wait for it:
	// of ten, some hold readings younger than its timeout.
	youngest := time.Hour
	for range 10 {
		s := r.next("AU-7")
		youngest = min(youngest, s.Time.Sub(s.Readings[0].Time))
	}
	if youngest > links[1].Timeout/2 {
		t.Errorf("readings of AU-7 are %v old at least", youngest)
	}
	for range 3 {
		r.await("ACC-2", "still what there is", all(reads(0, before), isBad(1, signal.LinkLost)), nil)
	}
	if stats := r.poller.Stats().Links; !stats[0].Up || stats[1].Up || stats[2].Up ||
		stats[1].Timeouts == 0 || stats[2].DialFailures == 0 || stats[0].Transactions < 6 {
		t.Errorf("stats %+v", stats)
	}
}

// A scan comes as soon as its links are done, not at the end of the period.
func TestScanComesAsSoonAsItCan(t *testing.T) {
	server, other := serve(t, answering(same(before))), serve(t, answering(same(after)))
	links := []Link{linkTo("panel", server.address()), linkTo("annex", other.address())}
	for i := range links {
		links[i].Timeout, links[i].Period = 5*time.Second, time.Hour
	}
	r := start(t, links, clockNow(), map[string][]Point{"AU-7": {word("level", "panel", 1, 1), word("pressure", "annex", 1, 1)}})
	if s := r.next("AU-7"); s.Number != 1 || !all(reads(0, before), reads(1, after), reads(2, 1), reads(3, 1))(s) {
		t.Errorf("got %+v", s)
	}
}

// Many links with many devices, shared by many units.
func TestManyLinksManyDevices(t *testing.T) {
	const links, devices, units = 6, 8, 4
	var every []Link
	for l := range links {
		server := serve(t, func(c net.Conn, r request) bool {
			return answering(func(addr uint16) uint16 { return uint16(l)*1000 + uint16(r.unit)*100 + addr })(c, r)
		})
		link := linkTo(fmt.Sprint("link", l), server.address())
		link.Period, link.Timeout = 8*testPeriod, 4*testPeriod
		every = append(every, link)
	}
	points := make(map[string][]Point)
	for u := range units {
		name := fmt.Sprint("unit", u)
		for l := range links {
			for d := range devices {
				points[name] = append(points[name], word(signal.ID(fmt.Sprint(l, d)), every[l].Name, uint8(d+1), uint16(u)))
			}
		}
	}
	r := start(t, every, clockNow(), points)
	for u := range units {
		var good []func(signal.Scan) bool
		for i := range links * devices {
			good = append(good, reads(i, float64(i/devices)*1000+float64(i%devices+1)*100+float64(u)))
		}
		r.await(fmt.Sprint("unit", u), "all good", all(good...), nil)
	}
	// Units share reads: one a device and scan, whatever the number of units
	// (twice that is allowed here for a busy machine, four times is not).
	for _, s := range r.poller.Stats().Links {
		if scans := r.poller.Stats().Units[0].Scans; s.Transactions > 2*(scans+1)*devices {
			t.Errorf("%d transactions in about %d scans of %d devices", s.Transactions, scans, devices)
		}
	}
}

func TestUntrustedClock(t *testing.T) {
	server := serve(t, answering(same(before)))
	clock := clockNow()
	clock.untrusted = true
	r := start(t, []Link{linkTo("panel", server.address())}, clock, map[string][]Point{"AU-7": {word("level", "panel", 1, 1)}})
	r.await("AU-7", "uncertain", func(s signal.Scan) bool {
		got := s.Readings[0]
		return got.Quality == signal.Uncertain && got.Reason == signal.ClockUntrusted && got.Value == before &&
			s.Readings[1].Reason == signal.ClockUntrusted && !s.ClockTrusted
	}, nil)
}

// How a value that is not refreshed grows old, with a scan of a second.
func TestAge(t *testing.T) {
	taken := time.Date(2026, 11, 3, 0, 0, 0, 0, time.UTC)
	value := signal.Measured(5, signal.Metre, taken)
	tests := []struct {
		name    string
		cell    cell
		now     time.Duration // since the reading
		trusted bool
		quality signal.Quality
		why     signal.Reason
		value   float64
	}{
		{"fresh", cell{value, 0, true}, 0, true, signal.Good, signal.None, 5},
		{"one scan", cell{value, 0, true}, time.Second, true, signal.Good, signal.None, 5},
		{"older than one scan", cell{value, 0, true}, 1200 * time.Millisecond, true, signal.Uncertain, signal.Late, 5},
		{"three scans", cell{value, 0, true}, 3 * time.Second, true, signal.Uncertain, signal.Late, 5},
		{"older than three scans", cell{value, 0, true}, 3200 * time.Millisecond, true, signal.Bad, signal.Stale, 0},
		{"clock not trusted now", cell{value, 0, true}, 0, false, signal.Uncertain, signal.ClockUntrusted, 5},
		{"clock not trusted then", cell{value, 0, false}, 0, true, signal.Uncertain, signal.ClockUntrusted, 5},
		{"late and untrusted", cell{value, 0, false}, 2 * time.Second, true, signal.Uncertain, signal.Late, 5},
		{"a known cause stays", cell{signal.Missing(signal.Metre, signal.LinkLost, taken), 0, true}, time.Hour, true, signal.Bad, signal.LinkLost, 0},
		{"never read", cell{}, time.Hour, true, signal.Bad, signal.NeverRead, 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := tt.cell.at(tt.now, tt.trusted, time.Second)
			if r.Quality != tt.quality || r.Reason != tt.why || r.Value != tt.value {
				t.Errorf("got %+v", r)
			}
		})
	}
}

// slowClient is a link that hangs in the middle of a read.
type slowClient struct {
	readOnly
	hang chan struct{}
}

func (c slowClient) ReadCoils(uint16, uint16) ([]bool, error) {
	<-c.hang
	return []bool{true}, nil
}

func (slowClient) SetUnitId(uint8) error { return nil }
func (slowClient) Close() error          { return nil }

// A scan waits for a hanging link no longer than one period; what the link
// does not bring grows old.
func TestHangingLinkHoldsNoScan(t *testing.T) {
	link := linkTo("panel", "127.0.0.1:502")
	point := at(register.Coils, 1, register.Bit)
	point.Spec.Unit = signal.Boolean
	p, err := New([]Link{link}, clockNow(), slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	s, err := p.Source("AU-7", []Point{point})
	if err != nil {
		t.Fatal(err)
	}
	client := slowClient{hang: make(chan struct{}, 1)}
	client.hang <- struct{}{} // the first read gets through
	o := newOwner(link, p.links[0].points, p.links[0].board, p.clock, p.log)
	o.conn.open = func(Link, *slog.Logger) (asker, error) { return tcpAsker{client}, nil }
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	done := make(chan struct{}, 2)
	epoch := time.Now()
	go func() { o.run(ctx, epoch); done <- struct{}{} }()
	go func() { s.run(ctx, epoch); done <- struct{}{} }()
	r := &rig{t: t, ctx: ctx, sources: map[string]*Source{"AU-7": s}}
	r.await("AU-7", "stale", all(isBad(0, signal.Stale), isBad(1, signal.Stale)), nil)
	close(client.hang)
	r.await("AU-7", "good again", reads(0, 1), nil)
	if p.Stats().Links[0].MissedScans == 0 {
		t.Error("the missed scans are not counted")
	}
	cancel()
	<-done
	<-done
}

// The consumer that is slow gets the newest scan, and the loss is counted.
func TestSlowConsumerGetsTheNewest(t *testing.T) {
	s := &Source{unit: "AU-7", box: make(chan signal.Scan, 1), stopped: make(chan struct{})}
	for n := range uint64(3) {
		s.post(signal.Scan{Number: n + 1})
	}
	scan, err := s.Next(context.Background())
	if err != nil || scan.Number != 3 || s.stats.MissedScans != 2 {
		t.Errorf("scan %d, %v, missed %d", scan.Number, err, s.stats.MissedScans)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := s.Next(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
	close(s.stopped)
	if _, err := s.Next(context.Background()); err == nil {
		t.Error("no error after the end")
	}
}
