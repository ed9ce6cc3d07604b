package dashboard

import (
	"bufio"
	"context"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"regexp"
	"runtime"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"strokebank/rules"
	"strokebank/rules/alarm"
	"strokebank/sensors/signal"
)

// sink is a reader that takes everything, and takes deadlines.
type sink struct {
	mu   sync.Mutex
	head http.Header
	got  strings.Builder
}

func (s *sink) Header() http.Header              { return s.head }
func (s *sink) WriteHeader(int)                  {}
func (s *sink) Flush()                           {}
func (s *sink) SetWriteDeadline(time.Time) error { return nil }
func (s *sink) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.got.Write(p)
}

func (s *sink) text() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.got.String()
}

func (s *sink) count(event string) int { return strings.Count(s.text(), "event: "+event+"\n") }

// follow is a new stream, on a clock of its own, until it is stopped.
func follow(t *testing.T, h *handler) (out *sink, stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	out, done := &sink{head: http.Header{}}, make(chan struct{})
	go func() {
		h.live(out, httptest.NewRequest("GET", "/api/v1/live", nil).WithContext(ctx))
		close(done)
	}()
	synctest.Wait()
	return out, func() { cancel(); <-done }
}

// TestStreamInTime follows a stream on a clock of its own.
func TestStreamInTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBoard(stored(noon))
		h := newHandler(Options{Units: b, Events: journal(noon, 3), Version: "1.2"})
		out, stop := follow(t, h)
		if out.count("hello") != 1 || out.count("assessment") != 1 {
			t.Fatalf("a new stream began with %q", out.text())
		}
		time.Sleep(5100 * time.Millisecond)
		if n := out.count("beat"); n < 5 {
			t.Errorf("%d beats in five quiet seconds: the page needs one each second", n)
		}
		other := stored(noon)
		other.Unit = "AU-8"
		b.set(b.Latest()[0], other)
		synctest.Wait()
		if out.count("assessment") != 2 || strings.Count(out.text(), `"unit":"AU-7"`) != 1 {
			t.Error("a unit was sent again although only the other one had changed")
		}
		time.Sleep(time.Second)
		b.set(stored(noon.Add(time.Second)))
		synctest.Wait()
		if out.count("assessment") != 3 {
			t.Error("a change did not come at once")
		}
		for i := range 100 { // changes faster than a person reads
			b.set(stored(noon.Add(time.Duration(i+2) * time.Second)))
			time.Sleep(10 * time.Millisecond)
		}
		if n := out.count("assessment"); n < 3+4 || n > 3+6 {
			t.Errorf("%d assessments for one second of hundred changes", n-3)
		}
		time.Sleep(time.Second)
		if !strings.Contains(out.text(), noon.Add(101*time.Second).Format(time.RFC3339)) {
			t.Error("the last of many changes never came")
		}
		stop()
	})
}

// Whoever names the entry that it has had last gets those after it, in order,
// and every later one with its number as the id.
func TestStreamResumes(t *testing.T) {
	for _, c := range []struct {
		name, last string
		first      int // entry that comes first
	}{{"a new reader", "", 251}, {"from the beginning", "0", 1}, {"from the middle", "120", 121},
		{"up to date", "250", 251}, {"of another history", "9000", 251}, {"nonsense", "x", 251}} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := journal(noon, 250)
				h := newHandler(Options{Units: newBoard(stored(noon)), Events: b})
				ctx, stop := context.WithCancel(t.Context())
				out, done := &sink{head: http.Header{}}, make(chan struct{})
				r := httptest.NewRequest("GET", "/api/v1/live", nil).WithContext(ctx)
				if c.last != "" {
					r.Header.Set("Last-Event-ID", c.last)
				}
				go func() { h.live(out, r); close(done) }()
				time.Sleep(3 * time.Second)
				synctest.Wait()
				b.add(rules.Entry{Seq: 251, ID: "q7-251"})
				time.Sleep(time.Second)
				stop()
				<-done
				next := c.first
				for _, m := range regexp.MustCompile("(?m)^id: ([0-9]+)\nevent: entry\ndata: .*\"sequence\":([0-9]+)").FindAllStringSubmatch(out.text(), -1) {
					if m[1] != fmt.Sprint(next) || m[2] != m[1] {
						t.Fatalf("entry %s with id %s, want %d", m[2], m[1], next)
					}
					next++
				}
				if next != 252 {
					t.Errorf("the last entry was %d", next-1)
				}
			})
		})
	}
}

func TestHeadOfStreamEnds(t *testing.T) {
	h := newHandler(Options{Units: newBoard(), Events: &book{}})
	r := serve(t, h.routes(), "HEAD", "/api/v1/live", nil)
	if r.StatusCode != 200 || !strings.HasPrefix(r.Header.Get("Content-Type"), "text/event-stream") || len(h.streams) != 0 {
		t.Errorf("%d %s, %d streams open", r.StatusCode, r.Header.Get("Content-Type"), len(h.streams))
	}
}

func listening(t testing.TB, h http.Handler) *Server {
	t.Helper()
	return listeningAt(t, "127.0.0.1:0", h)
}

func listeningAt(t testing.TB, address string, h http.Handler) *Server {
	t.Helper()
	s, err := Listen(Listening{Address: address}, h)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// run serves s until the test ends or stop is called.
func run(t testing.TB, s *Server) (stop context.CancelFunc, done <-chan error) {
	t.Helper()
	ctx, stop := context.WithCancel(context.Background())
	result, ended := make(chan error, 1), make(chan struct{})
	go func() { result <- s.Run(ctx); close(ended) }()
	t.Cleanup(func() { stop(); <-ended })
	return stop, result
}

// open is a live stream whose first event has been read.
func open(t testing.TB, s *Server) (net.Conn, *bufio.Reader) {
	t.Helper()
	c, err := net.Dial("tcp", s.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close() })
	_ = c.(*net.TCPConn).SetReadBuffer(4 << 10)
	if _, err := fmt.Fprintf(c, "GET /api/v1/live HTTP/1.1\r\nHost: %s\r\n\r\n", s.Addr()); err != nil {
		t.Fatal(err)
	}
	in := bufio.NewReader(c)
	for {
		line, err := in.ReadString('\n')
		if err != nil {
			t.Fatal(err)
		}
		if strings.HasPrefix(line, "event: hello") {
			return c, in
		}
	}
}

func TestStreamsAreBounded(t *testing.T) {
	h := newHandler(Options{Units: newBoard(stored(noon)), Events: &book{}, MaxStreams: 2})
	s := listening(t, h.routes())
	run(t, s)
	open(t, s)
	open(t, s)
	r, err := http.Get("http://" + s.Addr().String() + "/api/v1/live")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = r.Body.Close() }()
	if r.StatusCode != 503 || r.Header.Get("Retry-After") == "" {
		t.Errorf("third stream of two got %d", r.StatusCode)
	}
}

// Twenty readers that read nothing, and changes without end: the streams are
// ended, and until then what they hold does not grow.
func TestSlowReadersAreDropped(t *testing.T) {
	b := newBoard(stored(noon))
	h := newHandler(Options{Units: b, Events: &book{}})
	h.patience, h.gap = 200*time.Millisecond, time.Millisecond
	s := listening(t, h.routes())
	run(t, s)
	for range 20 {
		open(t, s)
	}
	if len(h.streams) != 20 {
		t.Fatalf("%d streams open", len(h.streams))
	}
	before := heap()
	deadline := time.After(30 * time.Second)
	for i, most := 1, uint64(0); len(h.streams) > 0; i++ {
		b.set(stored(noon.Add(time.Duration(i) * time.Second)))
		if i%50 == 0 {
			if now := heap(); now > before {
				most = max(most, now-before)
			}
		}
		if most > 8<<20 {
			t.Fatalf("heap grew by %d bytes", most)
		}
		select {
		case <-deadline:
			t.Fatalf("%d readers that read nothing are still served", len(h.streams))
		default:
			runtime.Gosched()
		}
	}
}

func heap() uint64 {
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}

func TestOneEncodingForAllStreams(t *testing.T) {
	var f frames
	a, next := stored(noon), stored(noon.Add(time.Second))
	first, err := f.of(a)
	if err != nil {
		t.Fatal(err)
	}
	again, _ := f.of(a)
	other, _ := f.of(next)
	if &first.body[0] != &again.body[0] || &first.body[0] == &other.body[0] {
		t.Error("an assessment is encoded once, and a new one anew")
	}
	if len(f.last) != 1 {
		t.Errorf("%d frames kept for one unit", len(f.last))
	}
}

// A reader of one unit gets it whole at every scan, and of the others what is
// urgent, once, and again when that changes, but not whenever a value moves.
func TestStreamOfOneUnit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		at := noon
		scan := func(change func(other *rules.Assessment)) []*rules.Assessment {
			at = at.Add(time.Second)
			other := short(at)
			other.Unit = "AU-8"
			for i := range other.Alarms {
				other.Alarms[i].Since, other.Alarms[i].Value = noon, signal.Number(at.Unix())
			}
			change(other)
			return []*rules.Assessment{stored(at), other}
		}
		same := func(*rules.Assessment) {}
		b := newBoard(scan(same)...)
		h := newHandler(Options{Units: b, Events: &book{}})
		ctx, stop := context.WithCancel(t.Context())
		defer stop()
		open := func(query string) *sink {
			out := &sink{head: http.Header{}}
			go h.live(out, httptest.NewRequest("GET", "/api/v1/live"+query, nil).WithContext(ctx))
			synctest.Wait()
			return out
		}
		next := func(change func(other *rules.Assessment)) {
			time.Sleep(time.Second)
			b.set(scan(change)...)
			synctest.Wait()
		}
		one, none := open("?unit=AU-7"), open("?unit=")
		expect := func(what string, assessments, glances, glancesOfAll int) {
			t.Helper()
			if one.count("assessment") != assessments || one.count("glance") != glances || none.count("assessment") != 0 || none.count("glance") != glancesOfAll {
				t.Errorf("%s: %d assessments and %d glances of one unit, %d and %d of none", what,
					one.count("assessment"), one.count("glance"), none.count("assessment"), none.count("glance"))
			}
		}
		expect("at first", 1, 1, 2)
		next(same)
		expect("nothing new", 2, 1, 2)
		next(func(other *rules.Assessment) { other.Alarms[0].State = alarm.Acknowledged })
		expect("an alarm is acknowledged", 3, 2, 3)
		if !strings.Contains(none.text(), `"state":"acknowledged"`) {
			t.Error("an alarm that stands is left out once it is acknowledged")
		}
		next(func(other *rules.Assessment) {
			other.Alarms[0].State, other.PowerLost = alarm.Acknowledged, !other.PowerLost
		})
		expect("mains come or go", 4, 3, 4)
		if strings.Contains(one.text(), `"unit":"AU-8","time"`) || !strings.Contains(one.text(), `"unit":"AU-8","power_lost"`) {
			t.Error("the other unit came whole")
		}

		// Who looks at none has the list each second, as it stands.
		if lists := none.count("units"); lists < 4 || lists > 5 || one.count("units") != 0 {
			t.Errorf("in four seconds %d lists came, and %d to who looks at one", lists, one.count("units"))
		}
		if list := none.text()[strings.LastIndex(none.text(), "event: units"):]; !strings.Contains(list, `"unit":"AU-8"`) || !strings.Contains(list, `"unit":"AU-7"`) {
			t.Errorf("the list has not every unit: %s", list)
		}

		b.set(stored(at))
		synctest.Wait()
		if only := open("?unit="); only.count("assessment") != 1 || only.count("glance") != 0 || only.count("units") != 0 {
			t.Errorf("of the only unit came %q", only.text())
		}
		h.Names = []string{"AU-7", "AU-8"} // the second has not been read yet
		if first := open("?unit="); first.count("assessment") != 0 || first.count("units") != 1 || !strings.Contains(first.text(), `"units":["AU-7","AU-8"]`) {
			t.Errorf("of the first of two came %q", first.text())
		}
		if strange := open("?unit=AU-99"); strange.count("assessment") != 0 || strange.count("glance") != 1 {
			t.Errorf("of an unknown unit came %q", strange.text())
		}
	})
}

// BenchmarkFrame/unit=1 is what one scan costs however many streams are open.
func BenchmarkFrame(b *testing.B) {
	b.Run("unit=1", func(b *testing.B) {
		var f frames
		two := [2]*rules.Assessment{stored(noon), short(noon)}
		b.ReportAllocs()
		for i := range b.N {
			got, err := f.of(two[i%2])
			if err != nil {
				b.Fatal(err)
			}
			b.SetBytes(int64(len(got.body)))
		}
	})
}

// A record that was unreadable counts from far above; when it comes back its
// own numbers go on, and so does every stream.
func TestStreamOfARecordThatComesBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := journal(noon, 250)
		h := newHandler(Options{Units: newBoard(stored(noon)), Events: b})
		out, stop := follow(t, h)
		b.mu.Lock()
		b.entries = b.entries[:5]
		b.mu.Unlock()
		time.Sleep(time.Second)
		b.add(rules.Entry{Seq: 6, ID: "q7-again"})
		time.Sleep(time.Second)
		stop()
		if !strings.Contains(out.text(), "id: 6\n") {
			t.Error("what came after the record was back never came")
		}
	})
}
