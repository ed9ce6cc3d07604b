package main

import (
	"flag"
	"fmt"
	"os/exec"
	"os/user"
	"strconv"
	"strings"
	"syscall"
	"testing"
)

var technicianName = flag.String("technician", "", "TestManual is run to the letter on this machine, by this `user`, who may use sudo and has both packages in their home: for deploy/trial")

// technician is an ordinary user of this machine.
type technician struct {
	name, home string
	id         syscall.Credential
}

// dress lets a command run as the technician, at home.
func (w *technician) dress(c *exec.Cmd) {
	c.SysProcAttr = &syscall.SysProcAttr{Credential: &w.id}
	c.Env = []string{"HOME=" + w.home, "USER=" + w.name, "LOGNAME=" + w.name, "PATH=/usr/local/bin:/usr/bin:/bin", "LANG=C.UTF-8"}
}

// technicianMachine is this machine, with panel and broker where the manual has
// them. There is no init: systemctl alone is stood in for, by the service's
// command as the service's user.
func technicianMachine(t *testing.T) *manualMachine {
	t.Helper()
	u, err := user.Lookup(*technicianName)
	if err != nil {
		t.Fatal(err)
	}
	w := &technician{name: u.Username, home: u.HomeDir, id: credential(t, u)}
	panelAt(t, "127.0.0.1:15020")
	brokerOfTheManual(t, 18830)
	same := strings.NewReplacer()
	return &manualMachine{t: t, dir: u.HomeDir, to: same, back: same, page: 8480, who: w, run: func() *process {
		return start(t, "setpriv", "--reuid=strokebank", "--regid=strokebank", "--init-groups", "--no-new-privs", "--bounding-set=-all",
			"env", "-C", "/var/lib/strokebank", "strokebank", "run", "/etc/strokebank/strokebank.yaml")
	}}
}

func credential(t *testing.T, u *user.User) (c syscall.Credential) {
	t.Helper()
	number := func(text string) uint32 {
		n, err := strconv.ParseUint(text, 10, 32)
		if err != nil {
			t.Fatal(fmt.Errorf("user %s: %w", u.Username, err))
		}
		return uint32(n)
	}
	groups, err := u.GroupIds()
	if err != nil {
		t.Fatal(err)
	}
	c.Uid, c.Gid = number(u.Uid), number(u.Gid)
	for _, g := range groups {
		c.Groups = append(c.Groups, number(g))
	}
	return c
}
