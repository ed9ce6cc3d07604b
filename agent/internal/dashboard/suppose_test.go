package dashboard

import (
	"context"
	"net/http"
	"net/url"
	"testing"
	"time"
)

// thinker thinks until it is let, and sees how many think beside it.
type thinker struct{ in, out chan struct{} }

func (th thinker) Suppose(string, url.Values) ([]byte, []string) {
	th.in <- struct{}{}
	<-th.out
	return []byte("{}"), nil
}

// Two suppositions at a time; others wait for a while, or until who asked has
// gone, and then are refused.
func TestSuppositionsTakeTurns(t *testing.T) {
	th := thinker{make(chan struct{}), make(chan struct{})}
	h := newHandler(Options{Units: newBoard(), Events: &book{}, Suppose: th})
	h.queue = time.Hour
	page := h.routes()
	answers := make(chan *http.Response)
	ask := func() { answers <- serve(t, page, "GET", "/api/v1/suppose?unit=AU-7", nil) }
	for range maxSupposing {
		go ask()
		<-th.in
	}
	go ask() // waits
	hasty := newHandler(h.Options)
	hasty.turns, hasty.queue = h.turns, time.Nanosecond
	if r := serve(t, hasty.routes(), "GET", "/api/v1/suppose?unit=AU-7", nil); r.StatusCode != 503 || r.Header.Get("Retry-After") == "" {
		t.Errorf("one too many: %d %v", r.StatusCode, r.Header)
	}
	gone, leave := context.WithCancel(t.Context())
	leave()
	if h.turn(gone) {
		t.Error("who has gone has a turn")
	}
	th.out <- struct{}{}
	<-th.in // who waited
	for range maxSupposing {
		th.out <- struct{}{}
	}
	for range maxSupposing + 1 {
		if r := <-answers; r.StatusCode != 200 {
			t.Errorf("%d", r.StatusCode)
		}
	}
	if len(h.turns) != 0 {
		t.Error("a turn is not given back")
	}
}
