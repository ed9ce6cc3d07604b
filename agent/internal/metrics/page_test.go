package metrics

import (
	"bytes"
	"compress/gzip"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"strokebank/rules"
)

// What names hold comes through the parser of Prometheus as it was, but for
// what is no text.
func TestNamesComeThrough(t *testing.T) {
	for given, want := range map[string]string{
		`a "b" \c`: `a "b" \c`, "two\nlines": "two\nlines", "Straße 7, β": "Straße 7, β", "bro\xffken": "bro\uFFFDken", "": "",
	} {
		a := everything()
		a.Site = given
		for _, m := range families(t, handler(t, board{a}))[prefix+"reserve_known"].GetMetric() {
			for _, l := range m.GetLabel() {
				if l.GetName() == "site" && l.GetValue() != want {
					t.Errorf("%q came as %q, want %q", given, l.GetValue(), want)
				}
			}
		}
	}
}

// Numbers that have no digits are written as both formats have them.
func TestNumbersWithoutDigits(t *testing.T) {
	a := everything()
	a.Machines[0].LifetimeRunSeconds = math.Inf(1)
	a.Machines[0].LifetimeStarts = math.Inf(-1)
	text, _ := scrape(t, handler(t, board{a}), "text/plain")
	for name, want := range map[string]string{"machine_lifetime_run_seconds": "+Inf", "machine_lifetime_starts": "-Inf"} {
		if !strings.Contains(text, prefix+name+`{machine="pump1",site="Quillen Reach",unit="AU-7"} `+want+"\n") {
			t.Errorf("%s is not %s", name, want)
		}
	}
}

// Whoever can unpack gets the same, packed.
func TestPacked(t *testing.T) {
	h := handler(t, board{everything()})
	ask := func(encoding string) *httptest.ResponseRecorder {
		r := httptest.NewRequest(http.MethodGet, "/metrics", nil)
		r.Header.Set("Accept-Encoding", encoding)
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		return w
	}
	for range 2 { // the second time with what the first one used
		plain, packed := ask(""), ask("gzip, br")
		if got := packed.Header().Get("Content-Encoding"); got != "gzip" || plain.Header().Get("Content-Encoding") != "" {
			t.Fatalf("encoding %q", got)
		}
		z, err := gzip.NewReader(packed.Body)
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(z)
		if err != nil || !bytes.Equal(own(text), own(plain.Body.Bytes())) || len(own(text)) < 5000 {
			t.Errorf("%v: %d bytes unpacked, %d bytes plain", err, len(text), plain.Body.Len())
		}
	}
}

// own is what concerns units: the process's own figures move on.
func own(text []byte) []byte {
	return text[bytes.Index(text, []byte("# HELP "+prefix+"reserve_cycles")):]
}

// busy is a board that keeps whoever asks waiting.
type busy struct{ in, out chan struct{} }

func (b busy) Latest() []*rules.Assessment {
	b.in <- struct{}{}
	<-b.out
	return nil
}

// More scrapes than a few at a time are refused at once, and a turn that has
// ended is free again.
func TestScrapesTakeTurns(t *testing.T) {
	b := busy{make(chan struct{}), make(chan struct{})}
	h := handler(t, b)
	ask := func() int {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil))
		return w.Code
	}
	codes := make(chan int)
	for range maxScrapes {
		go func() { codes <- ask() }()
		<-b.in
	}
	if code := ask(); code != http.StatusServiceUnavailable {
		t.Errorf("one too many is answered with %d", code)
	}
	close(b.out)
	for range maxScrapes {
		if code := <-codes; code != http.StatusOK {
			t.Errorf("answered with %d", code)
		}
	}
	go func() { codes <- ask() }()
	<-b.in
	if code := <-codes; code != http.StatusOK {
		t.Errorf("afterwards answered with %d", code)
	}
}

// In OpenMetrics a counter's family has another name than its samples. The
// rest of that format is held by the real Prometheus, which asks for it.
func TestFamilyOfACounter(t *testing.T) {
	text, _ := scrape(t, handler(t, board{everything()}), "application/openmetrics-text; version=1.0.0")
	for _, want := range []string{"# TYPE strokebank_machine_starts counter\n", "\nstrokebank_machine_starts_total{"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is missing", want)
		}
	}
	if strings.Contains(text, "# TYPE strokebank_machine_starts_total") {
		t.Error("the family is called like its samples")
	}
}
