package main

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// nobody is a user who owns no more than a test gives them.
const nobody = 65534

// Whether the history can be written is said before the agent runs without;
// what only another may is not tried, and nothing is left behind.
func TestCheckAsksForTheHistory(t *testing.T) {
	const memory, not = "the history cannot be written here: what happens is kept in memory alone", "not tried, as only the service may write there"
	own := t.TempDir()
	put(t, filepath.Join(own, "file"), "")
	closed := closedFolder(t)
	for _, c := range []struct {
		name, dir, as string
		args          []string
		code          int
		says          string
	}{
		{"there", own, "", nil, exitOK, ""},
		{"to be made", own + "/a/b", "", nil, exitOK, ""},
		{"read-only", own, "shut in", nil, exitConfig, memory},
		{"read-only, to be made", own + "/a/b", "shut in", nil, exitConfig, memory},
		{"read-only at a start", own, "shut in", []string{"-starting"}, exitOK, memory},
		{"a file in its place", own + "/file", "", nil, exitConfig, memory},
		{"another's", "/usr/strokebank", "another", nil, exitOK, not},
		{"its own, and closed", closed, "another", nil, exitConfig, memory},
		{"another's at a start", "/usr/strokebank", "another", []string{"-starting"}, exitOK, memory},
	} {
		t.Run(c.name, func(t *testing.T) {
			config := configuration(t, "chain.yaml", map[string]string{"PORT_MODBUS": "1", "PORT_MQTT": "1", "PORT_HTTP": "1", "STORE": c.dir})
			out, code := checkedAs(t, c.as, own, config, c.args)
			if code != c.code || c.says == "" && strings.Count(out, "\n") != 2 || !strings.Contains(out, c.says) {
				t.Errorf("exit code %d, want %d; wants to hear %q\n%s", code, c.code, c.says, out)
			}
		})
	}
	if left, err := os.ReadDir(own); err != nil || len(left) != 1 {
		t.Errorf("%v is left, %v", left, err)
	}
}

// closedFolder is a folder of nobody's, where nobody may write.
func closedFolder(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "closed") // another user gets there, too
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.Remove(dir) })
	if os.Geteuid() == 0 {
		err = os.Chown(dir, nobody, nobody)
	}
	if err = errors.Join(err, os.Chmod(dir, 0o555)); err != nil {
		t.Fatal(err)
	}
	return dir
}

// checkedAs runs check as it is, shut in where a folder is read-only, or as a
// user who owns nothing; that one reaches program and file as open ones alone.
func checkedAs(t *testing.T, as, folder, config string, args []string) (out string, code int) {
	t.Helper()
	path, err := program()
	if err != nil {
		t.Fatal(err)
	}
	c := exec.Command(path, append(append([]string{"check"}, args...), config)...)
	switch as {
	case "shut in":
		c = exec.Command(tool(t, "unshare", "util-linux"), append([]string{"-rm", "sh", "-c",
			`mount --bind "$1" "$1" && mount -o remount,bind,ro "$1" && shift && exec "$@"`, "sh", folder}, c.Args...)...)
	case "another":
		if err := os.Chmod(config, 0o644); err != nil {
			t.Fatal(err)
		}
		opened := make([]*os.File, 2)
		for i, name := range []string{path, config} {
			if opened[i], err = os.Open(name); err != nil {
				t.Fatal(err)
			}
			defer opened[i].Close()
		}
		c = exec.Command("/proc/self/fd/3", append(append([]string{"check"}, args...), "/dev/stdin")...)
		c.ExtraFiles, c.Stdin = opened[:1], opened[1]
		if os.Geteuid() == 0 {
			c.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: nobody, Gid: nobody}}
		}
	}
	said, err := c.CombinedOutput()
	if c.ProcessState == nil {
		t.Fatal(err)
	}
	return string(said), c.ProcessState.ExitCode()
}
