package dashboard

import (
	"fmt"
	"net/http"
	"testing"
)

// The examples of RFC 9110, section 12.5.3, are among them (from memory).
func TestCompressionByQuality(t *testing.T) {
	for header, want := range map[string]bool{
		"":                                   false,
		"gzip":                               true,
		"compress, gzip":                     true,
		"GZip":                               true,
		"*":                                  true,
		"compress;q=0.5, gzip;q=1.0":         true,
		"gzip;q=1.0, identity; q=0.5, *;q=0": true,
		"br, deflate":                        false,
		"gzip;q=0":                           false,
		"gzip;q=0.000":                       false,
		"gzip ; Q=0":                         false,
		"gzip;q=0, *":                        false,
		"*;q=0":                              false,
		"gzip;q=0.2, identity;q=0.8":         false,
		"gzip;q=0.8, identity;q=0.2":         true,
		"gzip;q=0.001":                       true,
		"gzip;q=2":                           false,
		"gzip;q=often":                       false,
		"gzip;level=9":                       false,
		"xgzip":                              false,
	} {
		if got := takesGzip(header); got != want {
			t.Errorf("%q: %v", header, got)
		}
	}
}

func TestTagsAreComparedWeakly(t *testing.T) {
	tag := tagOf([]byte("something"))
	for held, want := range map[string]bool{
		"": false, tag: true, tag[2:]: true, "*": true, `"x", ` + tag: true, `W/"x"`: false, tag[3 : len(tag)-1]: false,
	} {
		r := &http.Request{Header: http.Header{"If-None-Match": {held}}}
		if got := known(r, tag); got != want {
			t.Errorf("%q: %v", held, got)
		}
	}
}

// Nobody keeps an answer but the page's own files; and every answer has what
// narrows a browser, also where it is the wrong server.
func TestHeadersOfEveryAnswer(t *testing.T) {
	plain := http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { fmt.Fprint(w, "metrics") })
	s := listening(t, New(Options{Units: newBoard(stored(noon)), Events: &book{}, Now: at(noon), Suppose: sayer{}, Beside: map[string]http.Handler{"/metrics": plain}}))
	run(t, s)
	for _, c := range []struct {
		path, host, via string
		status          int
		keep            string
	}{
		{"/", "", "", 200, "no-cache"},
		{"/assets/main.js", "", "", 200, "no-cache"},
		{"/api/v1/units", "", "", 200, "no-store"},
		{"/api/v1/units/AU-7", "", "", 200, "no-store"},
		{"/api/v1/suppose?unit=AU-7", "", "", 200, "no-store"},
		{"/api/v1/session", "", "", 200, "no-store"},
		{"/healthz", "", "", 200, "no-store"},
		{"/metrics", "", "", 200, "no-store"},
		{"/nothing", "", "", 404, "no-store"},
		{"/api/v1/units", "rebound.invalid", "", 421, "no-store"},
		{"/api/v1/units", "", "192.0.2.9", 421, "no-store"},
	} {
		r, _ := http.NewRequest("GET", s.URL()+c.path, nil)
		if r.Host = c.host; c.via != "" {
			r.Header.Set("X-Forwarded-For", c.via)
		}
		answer, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		body(t, answer)
		head := answer.Header.Get
		if answer.StatusCode != c.status || head("Cache-Control") != c.keep || head("Content-Security-Policy") != policy || head("X-Content-Type-Options") != "nosniff" {
			t.Errorf("%+v: %d %v", c, answer.StatusCode, answer.Header)
		}
	}
}
