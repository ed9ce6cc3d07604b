package dashboard

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// issue writes a certificate of its own making and its key.
func issue(t *testing.T, dir, name string, until time.Time) (certFile, keyFile string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{SerialNumber: big.NewInt(time.Now().UnixNano()), Subject: pkix.Name{CommonName: name},
		NotBefore: until.Add(-10000 * time.Hour), NotAfter: until, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, DNSNames: []string{name},
		IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, c, c, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	private, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	certFile, keyFile = filepath.Join(dir, "page.pem"), filepath.Join(dir, "page.key")
	for file, block := range map[string]*pem.Block{certFile: {Type: "CERTIFICATE", Bytes: der}, keyFile: {Type: "PRIVATE KEY", Bytes: private}} {
		if err := os.WriteFile(file, pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return certFile, keyFile
}

// trusting asks over TLS and checks the certificate against a file.
func trusting(t *testing.T, certFile string) *http.Client {
	t.Helper()
	text, err := os.ReadFile(certFile)
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(text)
	way := &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}, ForceAttemptHTTP2: true}
	t.Cleanup(way.CloseIdleConnections)
	return &http.Client{Transport: way}
}

const soon = 100 * 24 * time.Hour

func TestPageOverTLS(t *testing.T) {
	cert, key := issue(t, t.TempDir(), "gateway", time.Now().Add(soon))
	h := New(Options{Units: newBoard(stored(noon)), Events: &book{}, Gate: lock{true, true}, Commands: &clerk{}})
	s, err := Listen(Listening{Address: "127.0.0.1:0", CertFile: cert, KeyFile: key, LogIn: true}, h)
	if err != nil {
		t.Fatal(err)
	}
	run(t, s)
	if !strings.HasPrefix(s.URL(), "https://") {
		t.Error(s.URL())
	}
	client := trusting(t, cert)
	r, err := client.Post(s.URL()+"/api/v1/login", "application/json", strings.NewReader(`{"by":"M. Okoro","secret":"`+seeing+`"}`))
	if err != nil {
		t.Fatal(err)
	}
	r.Body.Close()
	c := r.Cookies()
	if r.StatusCode != 200 || r.ProtoMajor != 1 || len(c) != 1 || !c[0].Secure || !c[0].HttpOnly || c[0].SameSite != http.SameSiteStrictMode ||
		!strings.HasPrefix(c[0].Name, "__Host-") || c[0].Path != "/" || c[0].Domain != "" {
		t.Errorf("%s %d %+v", r.Proto, r.StatusCode, c)
	}
	ask, _ := http.NewRequest("GET", s.URL()+"/api/v1/units", nil)
	ask.AddCookie(c[0])
	if r, err = client.Do(ask); err != nil || r.StatusCode != 200 {
		t.Fatalf("%v %v", r, err)
	}
	r.Body.Close()
	old := &tls.Config{InsecureSkipVerify: true, MinVersion: tls.VersionTLS10, MaxVersion: tls.VersionTLS11}
	if c, err := tls.Dial("tcp", s.Addr().String(), old); err == nil {
		c.Close()
		t.Error("TLS 1.1 is accepted")
	}
	if r, err = http.Get("http://" + s.Addr().String() + "/"); err != nil || r.StatusCode == 200 {
		t.Errorf("without TLS: %v %v", r, err)
	}
}

// A stream over TLS lives longer than the limits of a request, and one that
// reads nothing is dropped there too.
func TestStreamOverTLS(t *testing.T) {
	cert, key := issue(t, t.TempDir(), "gateway", time.Now().Add(soon))
	b := newBoard(stored(noon))
	h := newHandler(Options{Units: b, Events: &book{}})
	h.beat, h.gap, h.patience = 100*time.Millisecond, time.Millisecond, 2*time.Second
	s, err := Listen(Listening{Address: "127.0.0.1:0", CertFile: cert, KeyFile: key}, h.routes())
	if err != nil {
		t.Fatal(err)
	}
	s.http.ReadTimeout, s.http.WriteTimeout = time.Second, time.Second // the handshake is to be over by then
	run(t, s)
	r, err := trusting(t, cert).Get(s.URL() + "/api/v1/live")
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	all, buffer := "", make([]byte, 1<<16)
	for strings.Count(all, "event: beat") < 20 {
		n, err := r.Body.Read(buffer)
		if err != nil {
			t.Fatalf("%v after %q", err, all)
		}
		all += string(buffer[:n])
	}
	for i, end := 1, time.Now().Add(30*time.Second); len(h.streams) > 0; i++ { // from here on it reads nothing
		b.set(stored(noon.Add(time.Duration(i) * time.Second)))
		if time.Sleep(time.Millisecond); time.Now().After(end) {
			t.Fatal("a reader that reads nothing is still served")
		}
	}
}

func TestCertificateIsReadAnew(t *testing.T) {
	dir := t.TempDir()
	cert, key := issue(t, dir, "first", time.Now().Add(soon))
	log := &bytes.Buffer{}
	c, err := newCertificate(cert, key, slog.New(slog.NewTextHandler(log, nil)))
	if err != nil {
		t.Fatal(err)
	}
	shown := func() string {
		pair, err := c.get(nil)
		if err != nil {
			t.Fatal(err)
		}
		return pair.Leaf.Subject.CommonName
	}
	touch := func(d time.Duration) { // a file system's clock may be coarse
		for _, f := range []string{cert, key} {
			if err := os.Chtimes(f, time.Time{}, time.Now().Add(d)); err != nil {
				t.Fatal(err)
			}
		}
	}
	if got := shown(); got != "first" {
		t.Error(got)
	}
	if err := os.WriteFile(cert, []byte("half of it"), 0o600); err != nil {
		t.Fatal(err)
	}
	if got := shown(); got != "first" || strings.Count(log.String(), "cannot be used") != 1 {
		t.Errorf("%s\n%s", got, log)
	}
	if shown(); strings.Count(log.String(), "cannot be used") != 1 {
		t.Errorf("said at every connection:\n%s", log)
	}
	issue(t, dir, "second", time.Now().Add(soon))
	touch(time.Second)
	if got := shown(); got != "second" {
		t.Errorf("after its renewal: %s\n%s", got, log)
	}
	if strings.Contains(log.String(), "ends soon") {
		t.Error("it warns of a certificate that is good for months")
	}
	issue(t, dir, "third", time.Now().Add(24*time.Hour))
	touch(2 * time.Second)
	shown()
	shown()
	if n := strings.Count(log.String(), "ends soon"); n != 1 {
		t.Errorf("%d warnings of one that ends tomorrow", n)
	}
}

func TestWrongCertificates(t *testing.T) {
	a, b := t.TempDir(), t.TempDir()
	cert, key := issue(t, a, "a", time.Now().Add(soon))
	_, otherKey := issue(t, b, "b", time.Now().Add(soon))
	for _, c := range []struct{ name, cert, key, says string }{
		{"no certificate", filepath.Join(a, "none.pem"), key, "page certificate: open " + filepath.Join(a, "none.pem")},
		{"no key", cert, filepath.Join(a, "none.key"), "page key: open " + filepath.Join(a, "none.key")},
		{"the key of another", cert, otherKey, "private key does not match"},
		{"the key as certificate", key, key, "failed to find certificate"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := Listen(Listening{Address: "127.0.0.1:0", CertFile: c.cert, KeyFile: c.key}, http.NotFoundHandler())
			if err == nil || !strings.Contains(err.Error(), c.says) {
				t.Errorf("%v, want %q", err, c.says)
			}
		})
	}
}

func TestBeyondThisMachine(t *testing.T) {
	cert, key := issue(t, t.TempDir(), "gateway", time.Now().Add(soon))
	for _, c := range []struct {
		name string
		l    Listening
		ok   bool
	}{
		{"nothing", Listening{}, false},
		{"TLS alone", Listening{CertFile: cert, KeyFile: key}, false},
		{"a log-in alone", Listening{LogIn: true}, false},
		{"both", Listening{CertFile: cert, KeyFile: key, LogIn: true}, true},
		{"a proxy", Listening{BehindProxy: true}, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.l.Address = "0.0.0.0:0"
			s, err := Listen(c.l, http.NotFoundHandler())
			if (err == nil) != c.ok || err != nil && !errors.Is(err, ErrExposed) {
				t.Errorf("%v", err)
			}
			if s != nil {
				s.listener.Close()
			}
		})
	}
}

// A proxy that nobody told of would let everybody in as from this machine.
func TestProxyMustBeSaid(t *testing.T) {
	s := listening(t, New(Options{Units: newBoard(stored(noon)), Events: &book{}}))
	run(t, s)
	for _, name := range []string{"Forwarded", "X-Forwarded-For", "X-Forwarded-Host", "X-Real-IP", "Via", "X-Other"} {
		r, _ := http.NewRequest("GET", s.URL()+"/api/v1/units", nil)
		r.Header.Set(name, "192.0.2.9")
		answer, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		text, _ := io.ReadAll(answer.Body)
		answer.Body.Close()
		if want := map[bool]int{true: 200, false: 421}[name == "X-Other"]; answer.StatusCode != want || want == 421 && !strings.Contains(string(text), "behind_proxy") {
			t.Error(fmt.Sprintf("%s: %d %s", name, answer.StatusCode, text))
		}
	}
}
