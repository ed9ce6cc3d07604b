package dashboard

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	"strokebank/rules"
)

// written is a log that many write to.
type written struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (w *written) Write(line []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.text.Write(line)
}

func (w *written) count(words string) int {
	w.mu.Lock()
	defer w.mu.Unlock()
	return strings.Count(w.text.String(), words)
}

// A flood of guesses does not fill the log, and is counted.
func TestGuessesDoNotFillTheLog(t *testing.T) {
	log := &written{}
	s := lockedWith(t, lock{true, true}, func(o *Options) { o.Log = slog.New(slog.NewTextHandler(log, nil)) })
	for range 100 {
		s.ask("GET", "/metrics", "", "Authorization", "Bearer guess")
		s.ask("POST", "/api/v1/login", `{"by":"nobody","secret":"guess"}`)
	}
	s.now = s.now.Add(toldWithin + time.Second)
	s.ask("GET", "/metrics", "", "Authorization", "Bearer guess")
	if n := log.count("log-in refused"); n != mostTold+1 || log.count("not_told_before=195") != 1 {
		t.Errorf("%d lines:\n%s", n, log.text.String())
	}
	if n := s.h.LogIns.Refused(); n != 201 {
		t.Errorf("%d are counted", n)
	}
}

// Who may see can fill neither the journal nor the log, nor hide behind that
// who acts.
func TestLogInsDoNotFillTheJournal(t *testing.T) {
	log := &written{}
	s := lockedWith(t, lock{true, true}, func(o *Options) { o.Log = slog.New(slog.NewTextHandler(log, nil)) })
	notes := 0
	told := func(more int) []string {
		t.Helper()
		notes += more
		return s.noted(notes)
	}
	inOut := func(by, secret string) {
		s.ask("POST", "/api/v1/logout", "{}", s.enter(by, secret)...)
	}
	for range mostTold { // as a shift comes and goes
		inOut("M. Okoro", seeing)
		told(2)
	}
	for range 40 {
		inOut("M. Okoro", seeing)
	}
	for i := range mostToldAll - mostTold {
		inOut(fmt.Sprint("guest ", i), seeing)
		told(2)
	}
	for i := range 40 {
		inOut(fmt.Sprint("another guest ", i), seeing)
	}
	inOut("B. Haddad", acting)
	told(2)
	s.now = s.now.Add(toldWithin + time.Second)
	s.enter("M. Okoro", seeing)
	all := told(1)
	if want := "M. Okoro (see): logged in to see, from 127.0.0.1; 40 more before it"; len(all) != notes || all[notes-1] != want {
		t.Errorf("%d entries, want %d; the last %q, want %q", len(all), notes, all[len(all)-1], want)
	}
	if n := log.count("logged in"); n != mostToldAll+2 {
		t.Errorf("%d lines of log-ins", n)
	}
}

// closed is a gate at which nothing is compared.
type closed struct {
	lock
	why error
}

func (c closed) EnterAs(context.Context, string, string, string) (rules.Role, string, error) {
	return "", "", c.why
}

type fullUp struct{}

func (fullUp) Error() string   { return "ask again" }
func (fullUp) Temporary() bool { return true }

// Who has gone, and who must wait, has not been wrong.
func TestWhoWasNotComparedIsNotRefused(t *testing.T) {
	for _, c := range []struct {
		why  error
		want int
	}{{context.Canceled, 401}, {fullUp{}, 503}} {
		s := locked(t, closed{lock{true, true}, c.why})
		status, _, _ := s.ask("GET", "/metrics", "", "Authorization", "Bearer "+seeing)
		in, _, _ := s.ask("POST", "/api/v1/login", `{"by":"M. Okoro","secret":"`+seeing+`"}`)
		if status != c.want || in != c.want {
			t.Errorf("%v: a program gets %d and a log-in %d, want %d", c.why, status, in, c.want)
		}
		if n := s.h.LogIns.Refused(); n != 0 {
			t.Errorf("%v: %d are counted", c.why, n)
		}
	}
}
