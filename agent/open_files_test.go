package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"strokebank/agent/internal/authority"
)

// openPlace is a folder that everybody reaches, with the users of a small
// machine: some of them in the group of the service.
func openPlace(t *testing.T) (dir, etc string, owner int) {
	t.Helper()
	dir, err := os.MkdirTemp("/tmp", "open")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		os.Chmod(dir, 0o700)
		os.RemoveAll(dir)
	})
	etc = t.TempDir()
	if owner = os.Geteuid(); owner == 0 { // whose group is no question
		owner = nobody
	}
	put(t, filepath.Join(etc, "passwd"), fmt.Sprintf("root:x:0:0::/:/bin/sh\nkeeper:x:%d:0::/:/bin/sh\n", owner))
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	return dir, etc, owner
}

// Who may read a secret, or write what the agent trusts, is told with what to
// do about it; what is right on an installed gateway is not.
func TestOpenFiles(t *testing.T) {
	stored, err := authority.Stored("avocets-on-the-mud-1")
	if err != nil {
		t.Fatal(err)
	}
	const plain = "avocets-on-the-mud-1"
	mode := func(dir string, modes map[string]os.FileMode) {
		t.Helper()
		for name, m := range modes {
			if err := os.Chmod(filepath.Join(dir, name), m); err != nil {
				t.Fatal(err)
			}
		}
	}
	for _, c := range []struct {
		name, secret, group string // the line of the group that the files have
		modes               map[string]os.FileMode
		says, do            string // nothing: it is right
	}{
		{"as the manual has it", stored, "strokebank:x:GID:", map[string]os.FileMode{"": 0o750, "act": 0o640, "site.yaml": 0o640}, "", ""},
		{"plain, for the group", plain, "strokebank:x:GID:ops", map[string]os.FileMode{"act": 0o640, "site.yaml": 0o644}, "", ""},
		{"as systemd hands it over", plain, "strokebank:x:GID:", map[string]os.FileMode{"": 0o500, "act": 0o440, "site.yaml": 0o640}, "", ""},
		{"behind a closed folder", plain, "strokebank:x:GID:", map[string]os.FileMode{"": 0o750, "act": 0o646, "site.yaml": 0o646}, "", ""},
		{"a user's own group", plain, "keeper:x:GID:root", map[string]os.FileMode{"": 0o775, "act": 0o660, "site.yaml": 0o664}, "", ""},
		{"stored, for everybody", stored, "strokebank:x:GID:", map[string]os.FileMode{"act": 0o644}, "may read its stored form", ""},
		{"plain, for everybody", plain, "strokebank:x:GID:", map[string]os.FileMode{"act": 0o644}, "access.act_secret_file, DIR/act: everybody on this machine may read it. Close it: ", "chmod o-r DIR/act"},
		{"all, for everybody", plain, "strokebank:x:GID:", map[string]os.FileMode{"act": 0o646}, "may read and write it, and who writes it sets the secret.", "chmod o-rw DIR/act"},
		{"stored, to be written", stored, "strokebank:x:GID:", map[string]os.FileMode{"act": 0o642}, "everybody on this machine may write it, and who writes it sets the secret.", "chmod o-w DIR/act"},
		{"stored, by the group", stored, "strokebank:x:GID:", map[string]os.FileMode{"": 0o750, "act": 0o666}, "the group strokebank may write it, and who writes it sets the secret.", "chmod g-w DIR/act"},
		{"a user's group with others in it", plain, "keeper:x:GID:keeper,other", map[string]os.FileMode{"act": 0o660}, "the group keeper may write it", "chmod g-w DIR/act"},
		{"the configuration", stored, "strokebank:x:GID:", map[string]os.FileMode{"site.yaml": 0o666}, "everybody on this machine may write it, the group strokebank may write it, and who writes it commands the agent.", "chmod o-w,g-w DIR/site.yaml"},
		{"its folder, by everybody", stored, "strokebank:x:GID:", map[string]os.FileMode{"": 0o757}, "may put another file into its place, in its folder or one above, and who does commands the agent.", "chmod o-w DIR"},
		{"its folder, by the group", stored, "strokebank:x:GID:", map[string]os.FileMode{"": 0o770}, "the group strokebank may put another file into its place", "chmod g-w DIR"},
		{"a folder in which everybody keeps to his own", stored, "strokebank:x:GID:", map[string]os.FileMode{"": 0o777 | os.ModeSticky}, "", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir, etc, owner := openPlace(t)
			put(t, filepath.Join(dir, "act"), c.secret+"\n")
			put(t, filepath.Join(dir, "site.yaml"), strings.Replace(readText(t, "../configs/quillen-reach.yaml"), "/var/lib/strokebank", dir+"/h", 1)+
				"access: {act_secret_file: "+dir+"/act}\n")
			gid := os.Getegid()
			if owner != os.Geteuid() {
				gid = owner
				for _, name := range []string{"", "act", "site.yaml"} {
					if err := os.Chown(filepath.Join(dir, name), owner, gid); err != nil {
						t.Fatal(err)
					}
				}
			}
			put(t, filepath.Join(etc, "group"), "root:x:0:\n"+strings.Replace(c.group, "GID", fmt.Sprint(gid), 1)+"\n")
			mode(dir, map[string]os.FileMode{"": 0o755, "act": 0o600, "site.yaml": 0o600})
			mode(dir, c.modes)
			cfg, err := read(dir + "/site.yaml")
			if err != nil {
				t.Fatal(err)
			}
			in := &inspection{File: dir + "/site.yaml", cfg: cfg, etc: etc}
			in.openFiles()
			f := in.Findings[0]
			said, says, do := strings.Join(f.Details, "\n"), strings.ReplaceAll(c.says, "DIR", dir), strings.ReplaceAll(c.do, "DIR", dir)
			if (f.State == isWell) != (c.do == "") || c.says == "" && said != "" || !strings.Contains(said, says) || !strings.Contains(said, do) || c.do != "" && strings.Contains(strings.Join(f.sent, ""), dir) {
				t.Errorf("want %q, do %q; got %+v", says, do, f)
			}
			if !strings.Contains(f.Says, "open") && !strings.Contains(f.Says, "closed") && f.State == isWell {
				t.Errorf("says %q", f.Says)
			}
			if err := os.Remove(filepath.Join(etc, "passwd")); err != nil {
				t.Fatal(err)
			}
			if all := openFiles(in.File, cfg, etc); all != nil {
				t.Errorf("nobody else is here, and %v", all)
			}
		})
	}
}

// A link is looked at where it leads, and in the folder where it can be bent;
// what is no file, or not there, is told elsewhere.
func TestOpenFilesBehindALink(t *testing.T) {
	dir, etc, _ := openPlace(t)
	put(t, filepath.Join(etc, "group"), "root:x:0:\n")
	err := errors.Join(os.Mkdir(dir+"/real", 0o755), os.Mkdir(dir+"/links", 0o755), os.Chmod(dir+"/links", 0o757), os.WriteFile(dir+"/real/act", []byte("avocets-on-the-mud-1\n"), 0o600),
		os.Chmod(dir+"/real", 0o755), os.Chmod(dir+"/real/act", 0o604), os.Symlink("../real/act", dir+"/links/act"))
	if err != nil {
		t.Fatal(err)
	}
	var said []string
	for _, f := range (accounts{etc}).look(guarded{"key", dir + "/links/act", true, "sets it"}) {
		said = append(said, f.do)
	}
	if want := fmt.Sprintf("chmod o-r %[1]s/real/act, chmod o-w %[1]s/links", dir); strings.Join(said, ", ") != want {
		t.Errorf("do %q, want %q", said, want)
	}
	for _, path := range []string{dir, dir + "/none", "/dev/null"} {
		if all := (accounts{etc}).look(guarded{"key", path, true, "sets it"}); all != nil {
			t.Errorf("%s: %v", path, all)
		}
	}
}

// The built program says it when it checks and, once, when it starts, and
// starts all the same.
func TestOpenFilesKeepNobodyFromStarting(t *testing.T) {
	dir, _, _ := openPlace(t)
	put(t, dir+"/act", "avocets-on-the-mud-1\n")
	panel := panelAt(t, "127.0.0.1:0")
	port := freePort(t)
	config := configuration(t, "chain.yaml", map[string]string{"127.0.0.1:PORT_MODBUS": panel, "PORT_MQTT": "1", "PORT_HTTP": fmt.Sprint(port), "STORE": t.TempDir(),
		"log: {": "access: {act_secret_file: " + dir + "/act}\nlog: {"})
	if err := os.Chmod(dir+"/act", 0o606); err != nil {
		t.Fatal(err)
	}
	const word = "open to others"
	if got := try(t, "check", config); got.code != exitOK || strings.Count(got.out, word) != 1 || !strings.Contains(got.out, "Close it: chmod o-rw "+dir+"/act\n") {
		t.Errorf("check: exit code %d\n%s", got.code, got.out)
	}
	if got := try(t, "check", "-starting", config); got.code != exitOK || strings.Contains(got.out, word) {
		t.Errorf("check -starting: exit code %d\n%s", got.code, got.out)
	}
	_, found := look(t, config)
	wants(t, found, "files", attention, "chmod o-rw "+dir+"/act", "with the command in each line")
	path, err := program()
	if err != nil {
		t.Fatal(err)
	}
	agent := start(t, path, "run", config)
	listening(t, port)
	agent.stop()
	if log := agent.log.String(); strings.Count(log, word) != 1 || !strings.Contains(log, "may read and write it") || !strings.Contains(log, `"WARN"`) {
		t.Errorf("at the start: %s", log)
	}
}
