package dashboard

import (
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
