package uplink

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"os"
	"strings"
)

// password reads the secret from the first line of its file or from its
// environment variable; empty where none is configured. An error never
// contains the secret.
func (c *Config) password() (string, error) {
	switch {
	case c.PasswordFile != "":
		text, err := os.ReadFile(c.PasswordFile)
		if err != nil {
			return "", fmt.Errorf("password file: %w", err)
		}
		line, _, _ := strings.Cut(string(text), "\n")
		secret := strings.TrimRight(line, "\r")
		if secret == "" {
			return "", fmt.Errorf("password file %s has nothing in its first line", c.PasswordFile)
		}
		return secret, nil
	case c.PasswordEnv != "":
		secret := os.Getenv(c.PasswordEnv)
		if secret == "" {
			return "", fmt.Errorf("password: environment variable %s is not set or empty", c.PasswordEnv)
		}
		return secret, nil
	}
	return "", nil
}

// tlsConfig reads the certificates: at every connection, so that renewed ones
// are used without a restart. At least TLS 1.2 (RFC 9325, 3.1.1).
func (c *Config) tlsConfig(addr address) (*tls.Config, error) {
	out := &tls.Config{
		MinVersion:         tls.VersionTLS12,
		ServerName:         addr.host,
		InsecureSkipVerify: c.AcceptAnyServerCertificate,
	}
	if c.ServerName != "" {
		out.ServerName = c.ServerName
	}
	if c.CAFile != "" {
		pem, err := os.ReadFile(c.CAFile)
		if err != nil {
			return nil, fmt.Errorf("certificate authority: %w", err)
		}
		out.RootCAs = x509.NewCertPool()
		if !out.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("certificate authority %s: no PEM certificate in it", c.CAFile)
		}
	}
	if c.CertFile != "" {
		pair, err := tls.LoadX509KeyPair(c.CertFile, c.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("client certificate %s: %w", c.CertFile, err)
		}
		out.Certificates = []tls.Certificate{pair}
	}
	return out, nil
}
