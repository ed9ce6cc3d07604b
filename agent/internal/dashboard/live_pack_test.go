package dashboard

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"
)

// Whoever can unpack gets the same events packed, each as soon as it is there,
// and a whole archive in the end.
func TestPackedStream(t *testing.T) {
	b := newBoard(stored(noon))
	h := newHandler(Options{Units: b, Events: &book{}})
	h.gap = time.Millisecond
	server := httptest.NewServer(http.HandlerFunc(h.live))
	defer server.Close()
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	h.streams = make(chan struct{}, 2)
	ask := func(encoding string) io.Reader {
		r, _ := http.NewRequestWithContext(ctx, "GET", server.URL, nil)
		r.Header.Set("Accept-Encoding", encoding) // said by hand, it is not undone by the client
		answer, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { answer.Body.Close() })
		if got := answer.Header.Get("Content-Encoding"); (got == "gzip") != (encoding == "gzip") {
			t.Fatalf("asked for %q, got %q", encoding, got)
		}
		return answer.Body
	}
	counted := &counter{from: ask("gzip")}
	packed, err := gzip.NewReader(counted)
	if err != nil {
		t.Fatal(err)
	}
	events := bufio.NewScanner(packed)
	events.Buffer(nil, 1<<20)
	plain := bufio.NewScanner(ask("gzip;q=0"))
	plain.Buffer(nil, 1<<20)
	assessment := func(in *bufio.Scanner) string {
		for in.Scan() {
			if data, ok := strings.CutPrefix(in.Text(), `data: {"schema"`); ok {
				return data
			}
		}
		t.Fatalf("the stream has ended: %v", in.Err())
		return ""
	}
	size := 0
	for i := range 20 {
		got := assessment(events)
		if want := assessment(plain); got != want || len(got) < 1000 {
			t.Fatalf("assessment %d came as %.80s, want %.80s", i, got, want)
		}
		size += len(got)
		b.set(stored(noon.Add(time.Duration(i+1) * time.Second)))
	}
	if counted.n > size/3 {
		t.Errorf("%d bytes were sent for %d", counted.n, size)
	}
}

// counter counts what is read.
type counter struct {
	from io.Reader
	n    int
}

func (c *counter) Read(p []byte) (int, error) {
	n, err := c.from.Read(p)
	c.n += n
	return n, err
}

// A stream that ends in order is a whole archive.
func TestPackedStreamEnds(t *testing.T) {
	var p packer
	var z zip
	var out []byte
	for _, text := range []string{"one", "", strings.Repeat("two ", 50_000)} {
		out = append(out, z.add([]byte(text), p.part([]byte(text)))...)
	}
	r, err := gzip.NewReader(bytes.NewReader(append(out, z.end()...)))
	if err != nil {
		t.Fatal(err)
	}
	if got, err := io.ReadAll(r); err != nil || string(got) != "one"+strings.Repeat("two ", 50_000) {
		t.Errorf("%d bytes, %v", len(got), err)
	}
}
