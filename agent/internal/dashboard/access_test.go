package dashboard

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"strokebank/rules"
)

const (
	seeing = "a secret of who may see"
	acting = "a secret of who may act"
)

// lock is a gate: which roles need a secret.
type lock struct{ see, act bool }

func (l lock) Needs(role rules.Role) bool {
	return role == rules.See && l.see || role == rules.Act && l.act
}

func (l lock) EnterAs(_ context.Context, secret, from, _ string) (rules.Role, string, error) {
	switch {
	case from == "":
		return "", "", errors.New("from nowhere")
	case secret == acting && l.act:
		return rules.Act, l.Mark(rules.Act), nil
	case secret == seeing && l.see:
		return rules.See, l.Mark(rules.See), nil
	}
	return "", "", errors.New("the secret is wrong")
}

func (l lock) Mark(role rules.Role) string { return "mark of " + string(role) }

// clerk carries commands out, in memory.
type clerk struct {
	mu    sync.Mutex
	done  []rules.Command
	notes []rules.Command // of log-ins
}

func (c *clerk) Submit(_ context.Context, command rules.Command) (rules.Outcome, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	switch command.Order {
	case rules.Reset:
		return rules.Refused(command.ID, "not latched"), nil
	case rules.EndTest:
		return rules.Outcome{}, context.DeadlineExceeded
	}
	if command.Via == rules.LogIn {
		c.notes = append(c.notes, command)
		return rules.Outcome{ID: command.ID, Accepted: true}, nil
	}
	c.done = append(c.done, command)
	return rules.Outcome{ID: command.ID, Accepted: true, Events: []string{"e-1"}, Durable: true}, nil
}

// site is a page with a lock, over a real socket.
type site struct {
	t     *testing.T
	url   string
	h     *handler
	clerk *clerk
	now   time.Time
}

func locked(t *testing.T, g gate) *site {
	t.Helper()
	return lockedWith(t, g, func(*Options) {})
}

// lockedWith is locked with options that the test changes.
func lockedWith(t *testing.T, g gate, change func(*Options)) *site {
	t.Helper()
	s := &site{t: t, clerk: &clerk{}, now: noon}
	o := Options{Units: newBoard(stored(noon)), Events: &book{}, Gate: g, Commands: s.clerk, Now: func() time.Time { return s.now },
		Beside: map[string]http.Handler{"/metrics": http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { fmt.Fprint(w, "figures") })}}
	if g == nil {
		o.Gate = nil
	}
	change(&o)
	s.h = newHandler(o)
	server := httptest.NewServer(s.h.routes())
	t.Cleanup(server.Close)
	s.url = server.URL
	return s
}

// ask sends a request and gives the status, the body and the cookies.
func (s *site) ask(method, path, body string, head ...string) (int, string, []*http.Cookie) {
	s.t.Helper()
	r, err := http.NewRequestWithContext(s.t.Context(), method, s.url+path, strings.NewReader(body))
	if err != nil {
		s.t.Fatal(err)
	}
	if body != "" {
		r.Header.Set("Content-Type", "application/json")
	}
	for i := 0; i+1 < len(head); i += 2 {
		r.Header.Set(head[i], head[i+1])
	}
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		s.t.Fatal(err)
	}
	defer answer.Body.Close()
	var text strings.Builder
	if path != "/api/v1/live" || answer.StatusCode != http.StatusOK {
		buffer := make([]byte, 1<<20)
		for {
			n, err := answer.Body.Read(buffer)
			text.Write(buffer[:n])
			if err != nil {
				break
			}
		}
	}
	return answer.StatusCode, text.String(), answer.Cookies()
}

const wanted = `{"command":"acknowledge","unit":"AU-7","alarm":"low_pressure","source":"unit","by":"M. Okoro","id":"1"}`

func TestWhoMaySeeAndAct(t *testing.T) {
	bearer := func(secret string) []string { return []string{"Authorization", "Bearer " + secret} }
	for _, c := range []struct {
		name     string
		gate     gate
		head     []string
		see, act int
	}{
		{"no gate", nil, nil, 200, 403},
		{"no secrets, acting not allowed", lock{act: true}, nil, 200, 403},
		{"no secrets, acting allowed here", lock{}, nil, 200, 200},
		{"a secret for seeing alone: nobody acts without it", lock{see: true}, nil, 401, 401},
		{"both secrets, none shown", lock{true, true}, nil, 401, 401},
		{"both secrets, a wrong one", lock{true, true}, bearer("guess"), 401, 401},
		{"both secrets, that of seeing", lock{true, true}, bearer(seeing), 200, 403},
		{"both secrets, that of acting", lock{true, true}, bearer(acting), 200, 200},
		{"a secret for acting, a wrong one", lock{act: true}, bearer("guess"), 401, 401},
		{"a cookie that nobody gave", lock{true, true}, []string{"Cookie", "strokebank=made-up"}, 401, 401},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := locked(t, c.gate)
			for _, path := range []string{"/api/v1/units", "/api/v1/units/AU-7", "/api/v1/events", "/api/v1/journal", "/api/v1/live", "/api/v1/", "/metrics"} {
				if status, text, _ := s.ask("GET", path, "", c.head...); status != c.see || status != 200 && strings.Contains(text, "AU-7") {
					t.Errorf("GET %s: %d %s", path, status, text)
				}
			}
			if status, text, _ := s.ask("POST", "/api/v1/commands", wanted, c.head...); status != c.act {
				t.Errorf("command: %d %s", status, text)
			}
			if want := map[bool]int{true: 1}[c.act == 200]; len(s.clerk.done) != want {
				t.Errorf("%d commands were carried out", len(s.clerk.done))
			}
			// The empty page and whether the agent is well are everybody's.
			for _, path := range []string{"/", "/assets/main.js", "/api/v1/session"} {
				if status, _, _ := s.ask("GET", path, ""); status != 200 {
					t.Errorf("GET %s: %d", path, status)
				}
			}
			if _, text, _ := s.ask("GET", "/healthz", "", c.head...); strings.Contains(text, "AU-7") != (c.see == 200) {
				t.Errorf("health: %s", text)
			}
		})
	}
}

func TestLogIn(t *testing.T) {
	s := locked(t, lock{true, true})
	if status, _, cookies := s.ask("POST", "/api/v1/login", `{"by":"M. Okoro","secret":"guess"}`); status != 401 || len(cookies) > 0 {
		t.Errorf("a wrong secret: %d %v", status, cookies)
	}
	if status, _, _ := s.ask("POST", "/api/v1/login", `{"by":" ","secret":"`+acting+`"}`); status != 400 {
		t.Errorf("without a name: %d", status)
	}
	status, _, cookies := s.ask("POST", "/api/v1/login", `{"by":"M. Okoro","secret":"`+acting+`"}`)
	if status != 200 || len(cookies) != 1 || !cookies[0].HttpOnly || cookies[0].SameSite != http.SameSiteStrictMode || strings.Contains(cookies[0].Value, acting) {
		t.Fatalf("%d %+v", status, cookies)
	}
	cookie := []string{"Cookie", cookies[0].Name + "=" + cookies[0].Value, "Sec-Fetch-Site", "same-origin"}
	status, text, _ := s.ask("POST", "/api/v1/commands", strings.Replace(wanted, "M. Okoro", "somebody else", 1), cookie...)
	if status != 200 || s.clerk.done[0].By != "M. Okoro" || s.clerk.done[0].Via != "page" || s.clerk.done[0].Role != rules.Act {
		t.Errorf("%d %s, carried out %+v", status, text, s.clerk.done)
	}
	if _, text, _ := s.ask("GET", "/api/v1/session", "", cookie...); !strings.Contains(text, `"may_act":true`) || !strings.Contains(text, "M. Okoro") {
		t.Errorf("session %s", text)
	}
	s.now = s.now.Add(loginLasts + time.Minute)
	if status, _, _ := s.ask("POST", "/api/v1/commands", wanted, cookie...); status != 401 {
		t.Errorf("after its time: %d", status)
	}
	s.now = noon
	_, _, cookies = s.ask("POST", "/api/v1/login", `{"by":"M. Okoro","secret":"`+acting+`"}`)
	cookie[1] = cookies[0].Name + "=" + cookies[0].Value
	if status, _, _ := s.ask("POST", "/api/v1/logout", "{}", cookie...); status != 200 {
		t.Errorf("log-out: %d", status)
	}
	if status, _, _ := s.ask("GET", "/api/v1/units", "", cookie...); status != 401 {
		t.Errorf("after the log-out: %d", status)
	}
}

func TestLogInsAreBounded(t *testing.T) {
	var l LogIns
	acts := l.begin("older", rules.Act, "mark", noon.Add(-time.Minute))
	first := l.begin("first", rules.See, "mark", noon)
	used := l.begin("on the wall", rules.See, "mark", noon)
	if _, ok := l.find(used, noon.Add(time.Minute), func(rules.Role) string { return "mark" }); !ok {
		t.Fatal("the second is not open")
	}
	for i := range mostLogins - 1 {
		l.begin("x", rules.See, "mark", noon.Add(time.Duration(i+1)*time.Second))
	}
	mark := func(rules.Role) string { return "mark" }
	if _, ok := l.find(first, noon, mark); ok || len(l.open) != mostLogins+1 {
		t.Errorf("the one that idled longest is still open: %v, %d in all", ok, len(l.open))
	}
	if _, ok := l.find(acts, noon, mark); !ok {
		t.Error("who may see has ended the log-in of who may act")
	}
	if _, ok := l.find(used, noon.Add(time.Minute), mark); !ok {
		t.Error("one that is in use was ended before one that idles")
	}
}

// A page of another site can neither give a command in its reader's name nor
// log its reader in.
func TestForeignPagesAreRefused(t *testing.T) {
	s := locked(t, lock{})
	for _, c := range []struct {
		name string
		head []string
		want int
	}{
		{"another site, by its browser's word", []string{"Sec-Fetch-Site", "cross-site"}, 403},
		{"the same host on another port", []string{"Sec-Fetch-Site", "same-site"}, 403},
		{"another origin, from an old browser", []string{"Origin", "http://other.example"}, 403},
		{"a plain form", []string{"Content-Type", "application/x-www-form-urlencoded"}, 415},
		{"text", []string{"Content-Type", "text/plain"}, 415},
		{"the page itself", []string{"Sec-Fetch-Site", "same-origin"}, 200},
		{"a program", nil, 200},
	} {
		t.Run(c.name, func(t *testing.T) {
			before := len(s.clerk.done)
			status, text, _ := s.ask("POST", "/api/v1/commands", strings.Replace(wanted, `"1"`, `"`+c.name+`"`, 1), c.head...)
			if status != c.want || (len(s.clerk.done) > before) != (c.want == 200) {
				t.Errorf("%d %s", status, text)
			}
		})
	}
	for _, method := range []string{"GET", "PUT", "DELETE"} {
		if status, _, _ := s.ask(method, "/api/v1/commands", ""); status == 200 {
			t.Errorf("%s is answered", method)
		}
	}
}

func TestAnswersToCommands(t *testing.T) {
	s := locked(t, lock{})
	for _, c := range []struct {
		name, body string
		want       int
		says       string
	}{
		{"accepted", wanted, 200, `"accepted":true`},
		{"without an id it gets one", strings.Replace(wanted, `,"id":"1"`, "", 1), 200, `"id":"`},
		{"refused by the unit", strings.Replace(wanted, "acknowledge", "reset", 1), 409, "not latched"},
		{"nobody knows", strings.Replace(wanted, "acknowledge", "end_test", 1), 504, "deadline"},
		{"half of it", wanted[:20], 400, "not what is expected"},
		{"two of it", wanted + wanted, 400, "behind"},
		{"with a name that nobody knows", strings.Replace(wanted, `"id"`, `"force":1,"id"`, 1), 400, "force"},
		{"with a role of its own", strings.Replace(wanted, `"id"`, `"role":"act","id"`, 1), 400, "role"},
		{"too long", strings.Replace(wanted, "M. Okoro", strings.Repeat("x", longestBody), 1), 400, "too large"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if status, text, _ := s.ask("POST", "/api/v1/commands", c.body); status != c.want || !strings.Contains(text, c.says) {
				t.Errorf("%d %s; want %d and %q", status, text, c.want, c.says)
			}
		})
	}
	if c := s.clerk.done[0]; c.Via != "interface" || c.Unit != "AU-7" || c.Alarm != "low_pressure" {
		t.Errorf("%+v", c)
	}
}

func TestJournalIsSearched(t *testing.T) {
	b := &book{}
	for i := range 9 {
		kind := rules.AlarmEvent
		if i%3 == 0 {
			kind = rules.NoteEvent
		}
		b.entries = append(b.entries, rules.Entry{Seq: uint64(i + 1), Event: rules.Event{Kind: kind, Unit: "AU-7", Time: noon.Add(time.Duration(i) * time.Minute)}})
	}
	server := httptest.NewServer(New(Options{Units: newBoard(), Events: b}))
	defer server.Close()
	s := &site{t: t, url: server.URL}
	for _, c := range []struct {
		query string
		want  string
	}{
		{"limit=2", "9 8 next 8"},
		{"limit=2&before=8", "7 6 next 6"},
		{"kind=note", "7 4 1 next 0"},
		{"kind=note&kind=alarm&limit=1", "9 next 9"},
		{"unit=AU-9", "next 0"},
		{"from=2026-03-14T11:22:31Z&to=2026-03-14T11:24:31Z", "4 3 next 0"},
		{"limit=0", "400"}, {"limit=501", "400"}, {"before=x", "400"}, {"from=yesterday", "400"}, {"sort=time", "400"},
	} {
		status, text, _ := s.ask("GET", "/api/v1/journal?"+c.query, "")
		var in struct {
			Next   uint64
			Events []struct{ Sequence uint64 }
		}
		got := ""
		if status != 200 {
			got = fmt.Sprint(status)
		} else if err := json.Unmarshal([]byte(text), &in); err != nil {
			t.Fatal(err)
		} else {
			for _, e := range in.Events {
				got += fmt.Sprint(e.Sequence, " ")
			}
			got += fmt.Sprint("next ", in.Next)
		}
		if got != c.want {
			t.Errorf("%s: %s, want %s", c.query, got, c.want)
		}
	}
}

// FuzzCommandBody: whatever is sent, the answer is JSON and nothing is carried
// out that does not come from somebody in the role to act.
func FuzzCommandBody(f *testing.F) {
	for _, seed := range []string{wanted, "", "{}", "[]", "null", `{"id":1}`, wanted + wanted, `{"until":"x"}`} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		c := &clerk{}
		h := New(Options{Units: newBoard(), Events: &book{}, Gate: lock{}, Commands: c})
		for _, path := range []string{"/api/v1/commands", "/api/v1/login"} {
			r := httptest.NewRequest("POST", path, strings.NewReader(string(body)))
			r.Header.Set("Content-Type", "application/json")
			r.RemoteAddr = "127.0.0.1:1"
			w := httptest.NewRecorder()
			h.ServeHTTP(w, r)
			if !json.Valid(w.Body.Bytes()) {
				t.Errorf("%d %s", w.Code, w.Body)
			}
		}
		for _, one := range c.done {
			if one.Role != rules.Act || one.ID == "" {
				t.Errorf("%+v", one)
			}
		}
	})
}
