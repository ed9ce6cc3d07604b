package dashboard

import (
	"bufio"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"strokebank/rules"
)

// enter logs in and gives the cookie as a header.
func (s *site) enter(by, secret string, head ...string) []string {
	s.t.Helper()
	status, text, cookies := s.ask("POST", "/api/v1/login", fmt.Sprintf(`{"by":%q,"secret":%q}`, by, secret), head...)
	if status != 200 || len(cookies) != 1 {
		s.t.Fatalf("log-in: %d %s", status, text)
	}
	return []string{"Cookie", cookies[0].Name + "=" + cookies[0].Value}
}

// noted waits for n entries of log-ins and gives their words.
func (s *site) noted(n int) []string {
	s.t.Helper()
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(5 * time.Millisecond) {
		s.clerk.mu.Lock()
		var words []string
		for _, c := range s.clerk.notes {
			if err := c.Check(); err != nil || c.Order != rules.Note || c.Unit != "AU-7" {
				s.t.Errorf("%+v %v", c, err)
			}
			words = append(words, fmt.Sprintf("%s (%s): %s", c.By, c.Role, c.Reason))
		}
		s.clerk.mu.Unlock()
		if len(words) >= n {
			return words
		}
		if time.Now().After(end) {
			s.t.Fatalf("%d entries, want %d: %q", len(words), n, words)
		}
	}
}

// Who comes in, who is refused and who leaves stands in the journal.
func TestLogInsAreInTheJournal(t *testing.T) {
	s := locked(t, lock{true, true})
	s.ask("POST", "/api/v1/login", `{"by":"M. Okoro","secret":"guess"}`)
	s.noted(1)
	cookie := s.enter("M. Okoro", acting)
	s.noted(2)
	s.ask("POST", "/api/v1/logout", "{}", cookie...)
	s.noted(3)
	s.ask("POST", "/api/v1/logout", "{}", cookie...) // it has ended: nobody leaves
	s.ask("GET", "/api/v1/units", "", "Authorization", "Bearer guess")
	got := strings.Join(s.noted(4), "\n")
	want := `M. Okoro (): log-in refused, from 127.0.0.1: the secret is wrong
M. Okoro (act): logged in to act, from 127.0.0.1
M. Okoro (act): logged out, from 127.0.0.1
a program (): log-in refused, from 127.0.0.1: the secret is wrong`
	if got != want {
		t.Errorf("%s\nwant\n%s", got, want)
	}
	if len(s.clerk.done) > 0 {
		t.Errorf("%+v", s.clerk.done)
	}
}

// A flood of guesses does not fill the journal, and is counted in it.
func TestGuessesDoNotFillTheJournal(t *testing.T) {
	s := locked(t, lock{true, true})
	for i := range mostTold {
		s.ask("POST", "/api/v1/login", `{"by":"nobody","secret":"guess"}`)
		s.noted(i + 1)
	}
	for range 95 {
		s.ask("POST", "/api/v1/login", `{"by":"nobody","secret":"guess"}`)
	}
	s.now = s.now.Add(toldWithin + time.Second)
	s.ask("POST", "/api/v1/login", `{"by":"nobody","secret":"guess"}`)
	all := s.noted(mostTold + 1)
	if len(all) != mostTold+1 || !strings.HasSuffix(all[mostTold], "; 95 more before it") {
		t.Errorf("%d entries, the last %q", len(all), all[len(all)-1])
	}
}

func TestLogInsEnd(t *testing.T) {
	for _, c := range []struct {
		name  string
		steps []time.Duration // between requests
		want  int
	}{
		{"at once", []time.Duration{0}, 200},
		{"idle, nearly", []time.Duration{loginIdles - time.Second}, 200},
		{"idle too long", []time.Duration{loginIdles + time.Second}, 401},
		{"never idle, nearly twelve hours", repeated(20*time.Minute, 35), 200},
		{"never idle, twelve hours", repeated(20*time.Minute, 37), 401},
		{"the clock was set back by a day", []time.Duration{-24 * time.Hour}, 401},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := locked(t, lock{true, true})
			cookie := s.enter("M. Okoro", seeing)
			status := 0
			for _, d := range c.steps {
				s.now = s.now.Add(d)
				status, _, _ = s.ask("GET", "/api/v1/units", "", cookie...)
			}
			if status != c.want {
				t.Errorf("%d, want %d", status, c.want)
			}
		})
	}
}

func repeated(d time.Duration, n int) []time.Duration {
	all := make([]time.Duration, n)
	for i := range all {
		all[i] = d
	}
	return all
}

// Who logs in again has one log-in, not two.
func TestLogInReplacesTheOneBefore(t *testing.T) {
	s := locked(t, lock{true, true})
	first := s.enter("M. Okoro", seeing)
	second := s.enter("M. Okoro", acting, first...)
	if status, _, _ := s.ask("GET", "/api/v1/units", "", first...); status != 401 {
		t.Errorf("the first: %d", status)
	}
	if status, _, _ := s.ask("GET", "/api/v1/units", "", second...); status != 200 {
		t.Errorf("the second: %d", status)
	}
}

// A stream ends when its reader may not see any more.
func TestStreamEndsWithTheLogIn(t *testing.T) {
	for name, end := range map[string]func(s *site, g *renewable, cookie []string){
		"log-out": func(s *site, _ *renewable, cookie []string) {
			if status, _, _ := s.ask("POST", "/api/v1/logout", "{}", cookie...); status != 200 {
				s.t.Error(status)
			}
		},
		"a changed secret": func(_ *site, g *renewable, _ []string) { g.renew(rules.See, "another") },
	} {
		t.Run(name, func(t *testing.T) {
			g := &renewable{lock: lock{true, true}}
			s := locked(t, g)
			s.h.beat, s.h.recheck = 20*time.Millisecond, 100*time.Millisecond
			s.streamEnds(s.enter("M. Okoro", seeing), func(cookie []string) { end(s, g, cookie) })
		})
	}
}

// streamEnds expects that a stream goes on until end, and not much longer.
func (s *site) streamEnds(cookie []string, end func(cookie []string)) {
	t := s.t
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), "GET", s.url+"/api/v1/live", nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set(cookie[0], cookie[1])
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	in, left := bufio.NewScanner(answer.Body), false
	beats, after := 0, 0
	for in.Scan() {
		if in.Text() != "event: beat" {
			continue
		}
		if beats++; beats == 2 && !left {
			left = true
			end(cookie)
		}
		if left {
			after++
		}
		if after > 50 { // five of its looks would do
			t.Fatalf("%d beats after the end", after)
		}
	}
	if !left {
		t.Error("the stream ended by itself")
	}
}

// renewable is a lock whose secrets are changed.
type renewable struct {
	lock
	mu    sync.Mutex
	marks map[rules.Role]string
}

func (g *renewable) renew(role rules.Role, mark string) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.marks == nil {
		g.marks = map[rules.Role]string{}
	}
	g.marks[role] = mark
}

func (g *renewable) Mark(role rules.Role) string {
	g.mu.Lock()
	defer g.mu.Unlock()
	if mark, ok := g.marks[role]; ok {
		return mark
	}
	return g.lock.Mark(role)
}

// A log-in ends with the secret that it came by, and not with another; while
// that cannot be read it opens nothing.
func TestLogInEndsWithItsSecret(t *testing.T) {
	g := &renewable{lock: lock{true, true}}
	s := locked(t, g)
	act, see := s.enter("M. Okoro", acting), s.enter("B. Haddad", seeing)
	want := func(when string, act, see int, cookies ...[]string) {
		t.Helper()
		before := len(s.clerk.done)
		if status, _, _ := s.ask("POST", "/api/v1/commands", wanted, append(cookies[0], "Sec-Fetch-Site", "same-origin")...); status != act || (len(s.clerk.done) > before) != (act == 200) {
			t.Errorf("%s: acting %d, want %d", when, status, act)
		}
		if status, _, _ := s.ask("GET", "/api/v1/units", "", cookies[1]...); status != see {
			t.Errorf("%s: seeing %d, want %d", when, status, see)
		}
	}
	want("at first", 200, 200, act, see)
	g.renew(rules.Act, "")
	want("while the file cannot be read", 401, 200, act, see)
	g.renew(rules.Act, g.lock.Mark(rules.Act))
	want("when it can again", 200, 200, act, see)
	g.renew(rules.Act, "another")
	want("once it was changed", 401, 200, act, see)
	g.renew(rules.Act, g.lock.Mark(rules.Act))
	want("changed back", 401, 200, act, see)
}

// A handler that is given the log-ins of the one before goes on with them.
func TestLogInsLiveOn(t *testing.T) {
	first := locked(t, lock{true, true})
	cookie := first.enter("M. Okoro", seeing)
	next := lockedWith(t, lock{true, true}, func(o *Options) { o.LogIns = first.h.LogIns })
	name, token, _ := strings.Cut(cookie[1], "=")
	name = strings.Replace(name, first.url[strings.LastIndex(first.url, ":")+1:], next.url[strings.LastIndex(next.url, ":")+1:], 1)
	if status, text, _ := next.ask("GET", "/api/v1/units", "", "Cookie", name+"="+token); status != 200 {
		t.Errorf("%d %s", status, text)
	}
}

// What a proxy says is believed only where one is said to stand in front, and
// then only its own word.
func TestWhoAsksBehindAProxy(t *testing.T) {
	for _, c := range []struct {
		name, said, place string
		proxy             bool
	}{
		{"no proxy", "", "192.0.2.1", false},
		{"no proxy, somebody says so", "198.51.100.9", "192.0.2.1", false},
		{"a proxy that says nothing", "", "192.0.2.1", true},
		{"a proxy", "198.51.100.9", "198.51.100.9", true},
		{"made up before it", "203.0.113.1, 198.51.100.9", "198.51.100.9", true},
		{"nonsense", "203.0.113.1, me", "192.0.2.1", true},
		{"IPv6 counts by network", "2001:db8:1:2:3:4:5:6", "2001:db8:1:2::", true},
		{"IPv4 in the form of IPv6", "::ffff:198.51.100.9", "198.51.100.9", true},
	} {
		t.Run(c.name, func(t *testing.T) {
			h := newHandler(Options{Units: newBoard(), Events: &book{}, BehindProxy: c.proxy})
			r := httptest.NewRequest("GET", "/", nil)
			r.RemoteAddr = "192.0.2.1:4711"
			if c.said != "" {
				r.Header.Set("X-Forwarded-For", c.said)
			}
			if got := h.place(r); got != c.place {
				t.Errorf("%s, want %s", got, c.place)
			}
		})
	}
}

// Acting without a secret is for this machine, not for whom a proxy lets in.
func TestProxyIsNotThisMachine(t *testing.T) {
	s := lockedWith(t, lock{}, func(o *Options) { o.BehindProxy = true })
	if status, text, _ := s.ask("POST", "/api/v1/commands", wanted); status != 403 || len(s.clerk.done) > 0 {
		t.Errorf("%d %s", status, text)
	}
}
