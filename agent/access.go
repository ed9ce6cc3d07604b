package main

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/pem"
	"fmt"
	"log/slog"
	"net/http"
	"os"
	"time"

	"strokebank/agent/internal/authority"
	"strokebank/agent/internal/dashboard"
	"strokebank/agent/internal/watch"
	"strokebank/configs"
	"strokebank/rules"
)

// desk takes commands, whichever way they came, to the watch of their unit.
type desk []*watch.Watch

// Submit waits until the unit has answered.
func (d desk) Submit(ctx context.Context, c rules.Command) (rules.Outcome, error) {
	for _, w := range d {
		if w.Unit == c.Unit {
			return w.Submit(ctx, c)
		}
	}
	return rules.Refused(c.ID, "there is no such unit here"), nil
}

// people is what is known of them as long as the process lives, whatever
// configuration it has: who guesses, who has entered, and who is logged in.
type people struct {
	memory *authority.Memory
	logins *dashboard.LogIns
}

func newPeople() *people { return &people{authority.NewMemory(), &dashboard.LogIns{}} }

// authorityOf reads who may see and who may act.
func authorityOf(cfg *configs.Config, memory *authority.Memory) (*authority.Authority, error) {
	a := cfg.Access
	return authority.New(authority.Config{
		See:       authority.Secret{File: a.SeeFile, Env: a.SeeEnv},
		Act:       authority.Secret{File: a.ActFile, Env: a.ActEnv},
		LocalActs: a.ActWithoutSecret,
		Memory:    memory,
	})
}

// pageAt is where and how the page listens.
func pageAt(cfg *configs.Config, who *authority.Authority, log *slog.Logger) dashboard.Listening {
	h := cfg.HTTP
	return dashboard.Listening{Address: h.Listen, CertFile: h.CertificateFile, KeyFile: h.KeyFile,
		LogIn: who.Needs(rules.See), BehindProxy: h.BehindProxy, Log: log}
}

// client asks the agent on this machine, whatever proxy the environment names.
// Its certificate is for the name by which others reach it, so it is compared
// as a whole with the file of this machine instead.
func (a *asked) client() (*http.Client, string, error) {
	if a.certificate == "" {
		return &http.Client{Transport: &http.Transport{}}, "http://", nil
	}
	text, err := os.ReadFile(a.certificate)
	if err != nil {
		return nil, "", fmt.Errorf("certificate: %w", err)
	}
	block, _ := pem.Decode(text)
	if block == nil || block.Type != "CERTIFICATE" {
		return nil, "", fmt.Errorf("certificate: %s does not begin with one in PEM", a.certificate)
	}
	same := func(s tls.ConnectionState) error {
		if !bytes.Equal(s.PeerCertificates[0].Raw, block.Bytes) {
			return fmt.Errorf("who answers at %s shows another certificate than %s", a.at, a.certificate)
		}
		return nil
	}
	return &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{
		MinVersion: tls.VersionTLS12, InsecureSkipVerify: true, VerifyConnection: same}}}, "https://", nil
}

// commandWait is the longest wait for what comes of a command: it is carried
// out with the next scan, and the disk may be slow.
func commandWait(cfg *configs.Config) time.Duration { return 2*cfg.Scan + 10*time.Second }
