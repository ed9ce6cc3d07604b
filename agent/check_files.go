package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"syscall"

	"strokebank/agent/internal/dashboard"
	"strokebank/agent/internal/uplink"
	"strokebank/configs"
)

// Where systemd puts what it hands to a service alone, and by what the service
// itself knows of it: systemd.exec(5), Credentials.
const (
	credentials  = "/run/credentials/"
	handedToThis = "CREDENTIALS_DIRECTORY"
)

// files tries the certificates and secrets that a configuration names, and
// returns how many would keep the agent from starting.
func files(sh shell, cfg *configs.Config) (wrong int) {
	_, err := authorityOf(cfg, nil)
	problems := single(err)
	if cfg.HTTP.CertificateFile != "" {
		problems = append(problems, single(dashboard.CheckCertificate(cfg.HTTP.CertificateFile, cfg.HTTP.KeyFile))...)
	}
	if cfg.Broker != nil {
		problems = append(problems, single(uplink.Check(brokerOf(cfg)))...)
	}
	for _, err := range problems {
		if closed(err, cfg.History.Dir) {
			fmt.Fprintf(sh.out, "  not tried, as only the service may read it: %v\n", err)
			continue
		}
		wrong++
		fmt.Fprintf(sh.out, "  the agent would not start: %v\n", err)
	}
	return wrong
}

// closed says whether a file could not be tried because it is the service's
// alone. The service itself, which owns its store, has no such excuse; but
// systemd hands over to what starts, and keeps what reloads out (252 does).
func closed(err error, store string) bool {
	refused := errors.Is(err, fs.ErrPermission)
	var file *fs.PathError
	if errors.As(err, &file) && strings.HasPrefix(file.Path, credentials) {
		return refused || os.Getenv(handedToThis) == ""
	}
	return refused && !owns(store)
}

// owns says whether a folder belongs to who runs this.
func owns(dir string) bool {
	info, err := os.Stat(dir)
	if err != nil {
		return false
	}
	of, ok := info.Sys().(*syscall.Stat_t)
	return ok && int(of.Uid) == os.Geteuid()
}

// single takes joined errors apart, however deep.
func single(err error) []error {
	var several interface{ Unwrap() []error }
	if err == nil {
		return nil
	}
	if !errors.As(err, &several) {
		return []error{err}
	}
	var all []error
	for _, e := range several.Unwrap() {
		all = append(all, single(e)...)
	}
	return all
}
