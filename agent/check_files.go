package main

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"

	"strokebank/agent/internal/dashboard"
	"strokebank/agent/internal/uplink"
	"strokebank/configs"
)

// credentials is where systemd puts what it hands to a service alone:
// systemd.exec(5), Credentials.
const credentials = "/run/credentials/"

// files tries the certificates and secrets that a configuration names, and
// returns how many would keep the agent from starting. What this user may not
// read, or what only the service gets, cannot be tried here.
func files(sh shell, cfg *configs.Config) (wrong int) {
	_, err := authorityOf(cfg)
	problems := single(err)
	if cfg.HTTP.CertificateFile != "" {
		problems = append(problems, single(dashboard.CheckCertificate(cfg.HTTP.CertificateFile, cfg.HTTP.KeyFile))...)
	}
	if cfg.Broker != nil {
		problems = append(problems, single(uplink.Check(brokerOf(cfg)))...)
	}
	for _, err := range problems {
		var file *fs.PathError
		if errors.As(err, &file) && (errors.Is(err, fs.ErrPermission) || strings.HasPrefix(file.Path, credentials)) {
			fmt.Fprintf(sh.out, "  not tried, as only the service may read it: %v\n", err)
			continue
		}
		wrong++
		fmt.Fprintf(sh.out, "  the agent would not start: %v\n", err)
	}
	return wrong
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
