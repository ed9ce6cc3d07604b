package uplink

import (
	"fmt"
	"net"
	"strings"
	"syscall"
	"testing"
	"time"

	"strokebank/rules"
	"strokebank/sensors/signal"
)

func TestWhatIsDue(t *testing.T) {
	tests := []struct {
		name   string
		change func(*rules.Assessment)
		after  time.Duration // since the first assessment
		want   string        // last levels of the topics, in order
	}{
		{"nothing new", func(*rules.Assessment) {}, time.Second, ""},
		{"live at its rate", func(*rules.Assessment) {}, 10 * time.Second, "live"},
		{"no live from a scan that stands still", func(a *rules.Assessment) { a.Scan = 1 }, time.Minute, ""},
		{"reserve after its period", func(a *rules.Assessment) { a.Scan = 1 }, 10 * time.Minute, "reserve"},
		{"a cycle less", func(a *rules.Assessment) { a.Reserve.AtLeast = 2 }, time.Second, "reserve"},
		{"expected moves a little", func(a *rules.Assessment) { a.Reserve.Expected += 0.05 }, time.Second, ""},
		{"expected moves a tenth", func(a *rules.Assessment) { a.Reserve.Expected -= 0.11 }, time.Second, "reserve"},
		{"expected becomes unknown", func(a *rules.Assessment) { a.Reserve.Expected = signal.Unknown() }, time.Second, "reserve"},
		{"quality falls", func(a *rules.Assessment) { a.Reserve.Quality = signal.Uncertain }, time.Second, "reserve"},
		{"reserve becomes unknown", func(a *rules.Assessment) { a.Reserve = blind(2).Reserve }, time.Second, "reserve"},
		{"an alarm changes", func(a *rules.Assessment) { a.Alarms[1].State = "unacknowledged" }, time.Second, "overload"},
		{"an alarm's value changes", func(a *rules.Assessment) { a.Alarms[0].Value = 1 }, time.Second, ""},
		{"raised again within a period", func(a *rules.Assessment) { a.Alarms[0].Since = a.Time }, time.Second, "low_pressure"},
	}
	for _, c := range tests {
		t.Run(c.name, func(t *testing.T) {
			s := newShown(10*time.Second, 10*time.Minute)
			if got := dueOf(t, s, assessment(1), 0); got != "low_pressure overload failed_to_start reserve live" {
				t.Fatalf("at the connection: %s", got)
			}
			a := assessment(2)
			c.change(a)
			if got := dueOf(t, s, a, c.after); got != c.want {
				t.Errorf("%q, want %q", got, c.want)
			}
			if got := dueOf(t, s, a, c.after); got != "" {
				t.Errorf("the same again: %q", got)
			}
		})
	}
}

func dueOf(t testing.TB, s *shown, a *rules.Assessment, now time.Duration) string {
	t.Helper()
	due, err := s.due(a, now)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, m := range due {
		names = append(names, m.topic[strings.LastIndex(m.topic, "/")+1:])
	}
	return strings.Join(names, " ")
}

func TestPausesGrowToTheirBound(t *testing.T) {
	for attempt, want := range []time.Duration{400, 800, 1600, 3200, 6400, 12800, 25600, 30000, 30000} {
		want *= time.Millisecond
		if got := pause(attempt, normal.firstRetry, normal.lastRetry, 0); got != want {
			t.Errorf("attempt %d: at most %s, want %s", attempt, got, want)
		}
		if got := pause(attempt, normal.firstRetry, normal.lastRetry, 1); got != want/2 {
			t.Errorf("attempt %d: at least %s, want %s", attempt, got, want/2)
		}
	}
	if got := pause(1<<40, normal.firstRetry, normal.lastRetry, 0); got != normal.lastRetry {
		t.Errorf("after a week: %s", got)
	}
}

func TestNamesThatCannotBeLevels(t *testing.T) {
	for _, bad := range []string{"", "a/b", "a+", "#", "50%", "$SYS", "a\x00b", "a\nb", "a\u0085b", "\xff", strings.Repeat("x", 129)} {
		if checkName("site", bad) == nil {
			t.Errorf("%q is accepted", bad)
		}
	}
	for _, good := range []string{"Quillen Reach", "AU-7", "Übung", "valve.XV-3", "a$b"} {
		if err := checkName("site", good); err != nil {
			t.Error(err)
		}
		if level(good) != good {
			t.Errorf("%q became %q", good, level(good))
		}
	}
}

// Whatever a source is called, its level is one legal level and another one
// than every other source's.
func FuzzLevel(f *testing.F) {
	for _, seed := range []string{"", "%", "link.a/b", "$x", "pump1", "a%2Fb", "é", "\xc3"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, name string) {
		got := level(name)
		if got == "" || strings.ContainsAny(got, "/+#\x00") || got[0] == '$' {
			t.Fatalf("%q became %q", name, got)
		}
		if back := unlevel(got); back != name {
			t.Fatalf("%q became %q, which reads %q", name, got, back)
		}
	})
}

// unlevel undoes level.
func unlevel(l string) string {
	const digits = "0123456789ABCDEF"
	if l == "%" {
		return ""
	}
	var out []byte
	for i := 0; i < len(l); i++ {
		if l[i] == '%' {
			out = append(out, byte(strings.IndexByte(digits, l[i+1])<<4|strings.IndexByte(digits, l[i+2])))
			i += 2
			continue
		}
		out = append(out, l[i])
	}
	return string(out)
}

func TestLocalPortsDoNotMakeANewCause(t *testing.T) {
	lost := func(port int) error {
		local := &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: port}
		return fmt.Errorf("connection lost: %w", &net.OpError{Op: "read", Net: "tcp", Source: local, Err: syscall.ECONNRESET})
	}
	if a, b := cause(lost(40001)), cause(lost(40002)); a != b || !strings.Contains(a, "reset") {
		t.Errorf("%q and %q", a, b)
	}
	if cause(errNoAck) == cause(lost(40001)) {
		t.Error("two causes are taken for one")
	}
}
