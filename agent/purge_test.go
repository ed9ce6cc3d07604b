package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// gatewayOf makes, in a namespace of its own, what the package's scripts see: folders of
// root's and the service's, in which nothing of this machine is.
const gatewayOf = `set -e
script=$1 left=$2
mount -t tmpfs tmpfs /etc
mount -t tmpfs tmpfs /var/lib
mount -t tmpfs tmpfs /run
mkdir -p /run/bin /etc/strokebank /etc/credstore /etc/systemd/system/strokebank.service.d /etc/systemd/system/multi-user.target.wants /var/lib/strokebank
printf 'root:x:0:0::/:/bin/sh\nstrokebank:x:0:0::/:/bin/sh\n' >/etc/passwd
printf 'root:x:0:\nstrokebank:x:0:\n' >/etc/group
printf '#!/bin/sh\necho "$@" >/run/left-the-user\n' >/run/bin/userdel
chmod 755 /run/bin/userdel
ln -s /nowhere /etc/systemd/system/multi-user.target.wants/strokebank.service
touch /etc/strokebank/strokebank.yaml /etc/strokebank/act-secret /etc/credstore/strokebank.act-secret /etc/credstore/others.secret /etc/systemd/system/strokebank.service.d/override.conf
`

// Purging takes secrets, configuration, history and user, wherever the history
// lies; what it cannot take it names, and goes on.
func TestPurgeTakesWhatItCan(t *testing.T) {
	const history = "mkdir -p /var/lib/strokebank/sub; touch /var/lib/strokebank/history.db /var/lib/strokebank/sub/.hidden\n"
	gone := []string{"/etc/strokebank", "/etc/credstore/strokebank.act-secret", "/etc/systemd/system/strokebank.service.d", "/etc/systemd/system/multi-user.target.wants/strokebank.service"}
	for _, c := range []struct {
		name, before string
		says         string
		gone, there  []string
	}{
		{"a folder", history, "", []string{"/var/lib/strokebank"}, nil},
		{"nothing there", "rm -r /var/lib/strokebank /etc/strokebank", "", nil, nil},
		{"a file system of its own", "mount -t tmpfs tmpfs /var/lib/strokebank; mkdir /var/lib/strokebank/lost+found; touch /var/lib/strokebank/lost+found/#12\n" + history,
			"strokebank: /var/lib/strokebank stays, empty: something is mounted there", []string{"/var/lib/strokebank/history.db", "/var/lib/strokebank/sub", "/var/lib/strokebank/lost+found/#12"}, []string{"/var/lib/strokebank/lost+found"}},
		{"the configuration on one", "mount -t tmpfs tmpfs /etc/strokebank; touch /etc/strokebank/act-secret\n" + history,
			"strokebank: /etc/strokebank stays, empty", []string{"/etc/strokebank/act-secret", "/var/lib/strokebank"}, []string{"/etc/strokebank"}},
		{"another's mounted in it", history + "mount -t tmpfs tmpfs /var/lib/strokebank/sub; touch /var/lib/strokebank/sub/other\n",
			"strokebank: /var/lib/strokebank stays: not all in it could be deleted", []string{"/var/lib/strokebank/history.db"}, []string{"/var/lib/strokebank/sub/other"}},
		{"read-only", "mount -t tmpfs tmpfs /var/lib/strokebank\n" + history + "mount -o remount,ro /var/lib/strokebank\n",
			"strokebank: /var/lib/strokebank stays: not all in it could be deleted", nil, []string{"/var/lib/strokebank/history.db"}},
		{"a link", "mkdir /var/lib/data; touch /var/lib/data/other; rmdir /var/lib/strokebank; ln -s data /var/lib/strokebank\n" + history,
			"", []string{"/var/lib/strokebank", "/var/lib/data/history.db", "/var/lib/data/sub"}, []string{"/var/lib/data"}},
		{"a link to nothing", "rmdir /var/lib/strokebank; ln -s nowhere /var/lib/strokebank\n", "", []string{"/var/lib/strokebank"}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			script, err := filepath.Abs("../deploy/package/postrm")
			if err != nil {
				t.Fatal(err)
			}
			left := filepath.Join(t.TempDir(), "left")
			put(t, left, "")
			run := gatewayOf + c.before + `
PATH=/run/bin:$PATH sh "$script" purge
test -e /run/left-the-user && echo "the user goes"
find /etc /var/lib >"$left"`
			out, err := exec.Command(tool(t, "unshare", "util-linux"), "-rm", "sh", "-c", run, "sh", script, left).CombinedOutput()
			if err != nil || !strings.Contains(string(out), c.says) || !strings.Contains(string(out), "the user goes") || c.says == "" && strings.Contains(string(out), "strokebank:") {
				t.Errorf("%v, wants to hear %q:\n%s", err, c.says, out)
			}
			there, err := os.ReadFile(left)
			if err != nil {
				t.Fatal(err)
			}
			has := func(path string) bool { return strings.Contains("\n"+string(there), "\n"+path+"\n") }
			for _, path := range gone {
				if has(path) && !strings.Contains(c.says, path) || has(path+"/act-secret") {
					t.Errorf("%s is there still", path)
				}
			}
			for _, path := range c.gone {
				if has(path) {
					t.Errorf("%s is there still", path)
				}
			}
			for _, path := range append(c.there, "/etc/credstore/others.secret") {
				if !has(path) {
					t.Errorf("%s has gone", path)
				}
			}
		})
	}
}

// A history that can only be read does not keep a version from being installed.
func TestInstallOverAReadOnlyHistory(t *testing.T) {
	script, err := filepath.Abs("../deploy/package/postinst")
	if err != nil {
		t.Fatal(err)
	}
	run := gatewayOf + `mount -t tmpfs -o ro tmpfs /var/lib/strokebank; sh "$script" configure 1.0.0; stat -c '%a' /etc/strokebank`
	out, err := exec.Command(tool(t, "unshare", "util-linux"), "-rm", "sh", "-c", run, "sh", script, "").CombinedOutput()
	if err != nil || !strings.Contains(string(out), "history is kept in memory alone until it is") || !strings.Contains(string(out), "\n750\n") {
		t.Errorf("%v\n%s", err, out)
	}
}
