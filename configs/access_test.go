package configs

import (
	"strings"
	"testing"
)

// What may be reached from where.
func TestPageMayBeReached(t *testing.T) {
	for name, block := range map[string]string{
		"this machine, everybody":     `http: {listen: "localhost:80"}`,
		"this machine, IPv6":          `http: {listen: "[::1]:80"}`,
		"this machine, over TLS":      `http: {certificate_file: c, key_file: k}`,
		"this machine, all may act":   `access: {act_without_secret: true}`,
		"the network, TLS and secret": "http: {listen: \"0.0.0.0:80\", certificate_file: c, key_file: k}\naccess: {see_secret_env: E}",
		"the network behind a proxy":  `http: {listen: "192.0.2.7:80", behind_proxy: true}`,
		"proxy on this machine":       "http: {behind_proxy: true}\naccess: {act_secret_file: f}",
	} {
		if _, problems := parseString(strings.Replace(base, "links:", block+"\nlinks:", 1)); len(problems) > 0 {
			t.Errorf("%s: %v", name, problems)
		}
	}
}
