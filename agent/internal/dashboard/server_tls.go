package dashboard

import (
	"crypto/tls"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"sync"
	"time"
)

// renewBefore is how long before the end of a certificate the log warns.
// *Common practice, no source.*
const renewBefore = 14 * 24 * time.Hour

// certificate is the page's certificate and key, read anew when their files
// change. Safe for concurrent use.
type certificate struct {
	certFile, keyFile string
	log               *slog.Logger
	now               func() time.Time

	mu     sync.Mutex
	pair   *tls.Certificate
	seen   [2]stamp // of the files when they were last read, well or not
	warned bool     // that this one ends soon
}

// stamp tells one state of a file from another.
type stamp struct {
	size int64
	at   time.Time
}

// newCertificate reads both files once, so that a wrong one is known at the
// start. One that has expired is served all the same: a browser says so, and
// a unit that is not watched is worse.
func newCertificate(certFile, keyFile string, log *slog.Logger) (*certificate, error) {
	c := &certificate{certFile: certFile, keyFile: keyFile, log: log, now: time.Now}
	c.seen = c.stamps()
	pair, err := c.read()
	if err != nil {
		return nil, err
	}
	c.pair = pair
	c.warn()
	return c, nil
}

// CheckCertificate reports what would keep the page from being served with a
// certificate and its key.
func CheckCertificate(certFile, keyFile string) error {
	_, err := newCertificate(certFile, keyFile, slog.New(slog.DiscardHandler))
	return err
}

func (c *certificate) stamps() (s [2]stamp) {
	for i, file := range []string{c.certFile, c.keyFile} {
		if info, err := os.Stat(file); err == nil {
			s[i] = stamp{info.Size(), info.ModTime()}
		}
	}
	return s
}

// read says which of the two files is wrong, and in what way.
func (c *certificate) read() (*tls.Certificate, error) {
	for _, f := range []struct{ what, name string }{{"certificate", c.certFile}, {"key", c.keyFile}} {
		if _, err := os.ReadFile(f.name); errors.Is(err, fs.ErrPermission) {
			return nil, fmt.Errorf("page %s: %w: let the agent's user read it", f.what, err)
		} else if err != nil {
			return nil, fmt.Errorf("page %s: %w", f.what, err)
		}
	}
	pair, err := tls.LoadX509KeyPair(c.certFile, c.keyFile)
	if err != nil {
		return nil, fmt.Errorf("page certificate %s with key %s: %w", c.certFile, c.keyFile, err)
	}
	return &pair, nil
}

// get is tls.Config.GetCertificate. Where the files have changed and are
// wrong, or only one of them is there yet, the last right pair stays.
func (c *certificate) get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if now := c.stamps(); now != c.seen {
		c.seen = now
		pair, err := c.read()
		if err != nil {
			c.log.Error("page certificate has changed and cannot be used, the one before stays", "error", err)
		} else {
			c.pair, c.warned = pair, false
			c.log.Info("page certificate renewed", "file", c.certFile, "until", pair.Leaf.NotAfter)
		}
	}
	c.warn()
	return c.pair, nil
}

// warn says once of each certificate that it ends soon.
func (c *certificate) warn() {
	if leaf := c.pair.Leaf; !c.warned && c.now().Add(renewBefore).After(leaf.NotAfter) {
		c.warned = true
		c.log.Warn("page certificate ends soon or has ended: renew it", "file", c.certFile, "until", leaf.NotAfter)
	}
}

// config is what the server offers: TLS 1.2 and later, HTTP/1.1.
func (c *certificate) config() *tls.Config {
	return &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: c.get, NextProtos: []string{"http/1.1"}}
}
