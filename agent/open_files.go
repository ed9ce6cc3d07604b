package main

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"

	"strokebank/agent/internal/authority"
	"strokebank/configs"
)

// openFile is a file that more people may read or write than it concerns.
type openFile struct {
	key, path string // of the configuration; the file's own
	says      string // who may do what
	do        string // a command; empty where it is no fault
}

func (f openFile) String() string {
	if f.do == "" {
		return fmt.Sprintf("%s, %s: %s.", f.key, f.path, f.says)
	}
	return fmt.Sprintf("%s, %s: %s. Close it: %s", f.key, f.path, f.says, f.do)
}

// guarded is a file of which it matters who may write it and, of a secret, who
// may read it.
type guarded struct {
	key, path string
	secret    bool
	power     string // of who writes it
}

// guardedFiles are those of a configuration, and that itself.
func guardedFiles(file string, cfg *configs.Config) []guarded {
	const sets, shows = "sets the secret", "decides as whom the agent shows itself"
	all := []guarded{
		{"configuration", file, false, "commands the agent"},
		{"access.see_secret_file", cfg.Access.SeeFile, true, sets},
		{"access.act_secret_file", cfg.Access.ActFile, true, sets},
		{"http.certificate_file", cfg.HTTP.CertificateFile, false, shows},
		{"http.key_file", cfg.HTTP.KeyFile, true, shows},
	}
	if b := cfg.Broker; b != nil {
		all = append(all, guarded{"broker.password_file", b.PasswordFile, true, sets},
			guarded{"broker.ca_file", b.CAFile, false, "decides which broker is believed"},
			guarded{"broker.certificate_file", b.CertificateFile, false, shows}, guarded{"broker.key_file", b.KeyFile, true, shows})
	}
	return slices.DeleteFunc(all, func(g guarded) bool { return g.path == "" })
}

// openFiles looks at the modes of files. What cannot be looked at is left out:
// it is told elsewhere. etc holds passwd and group; without them there is
// nobody but the agent, as in a container with the program alone.
func openFiles(file string, cfg *configs.Config, etc string) (all []openFile) {
	if _, err := os.Stat(filepath.Join(etc, "passwd")); err != nil {
		return nil
	}
	known := accounts{etc}
	for _, g := range guardedFiles(file, cfg) {
		for _, f := range known.look(g) {
			// A folder of several files is told with the first of them.
			if f.do == "" || !slices.ContainsFunc(all, func(told openFile) bool { return told.do == f.do }) {
				all = append(all, f)
			}
		}
	}
	return all
}

// openFaults are those that want a command.
func openFaults(all []openFile) (lines []string) {
	for _, f := range all {
		if f.do != "" {
			lines = append(lines, f.String())
		}
	}
	return lines
}

// accounts are who may log in here.
type accounts struct{ etc string }

// look says of one file who may read and write it.
func (a accounts) look(g guarded) (all []openFile) {
	path, err := filepath.Abs(g.path)
	if err != nil {
		return nil
	}
	real, err := filepath.EvalSymlinks(path)
	if err != nil {
		return nil
	}
	info, err := os.Stat(real)
	if err != nil || !info.Mode().IsRegular() {
		return nil
	}
	found := func(says, change, at string) {
		f := openFile{key: g.key, path: path, says: says}
		if change != "" {
			f.do = "chmod " + change + " " + at
		}
		all = append(all, f)
	}
	if says, change := a.open(g, real, info); says != "" {
		found(says, change, real)
	}
	for _, dir := range foldersOf(path, real) {
		own := dir == filepath.Dir(path) || dir == filepath.Dir(real)
		if who, change := a.replaces(dir, own); who != "" {
			found(who+" may put another file into its place, in its folder or one above, and who does "+g.power, change, dir)
		}
	}
	return all
}

const everybody = "everybody on this machine"

// open is what others may do with a file itself, and the change of its mode
// that ends it; none where it is no fault.
func (a accounts) open(g guarded, real string, info fs.FileInfo) (says, change string) {
	mode, reached := info.Mode(), everybodyReaches(filepath.Dir(real))
	reads, writes := g.secret && reached && mode&0o004 != 0, reached && mode&0o002 != 0
	stored := reads && storedIn(real)
	var clauses, changes []string
	switch {
	case reads && !stored && writes:
		clauses, changes = append(clauses, everybody+" may read and write it"), append(changes, "o-rw")
	case reads && !stored:
		clauses, changes = append(clauses, everybody+" may read it"), append(changes, "o-r")
	case writes:
		clauses, changes = append(clauses, everybody+" may write it"), append(changes, "o-w")
	case stored:
		clauses = append(clauses, everybody+" may read its stored form, from which only a secret that somebody has made up can be guessed")
	}
	name, shared := a.sharedGroup(info)
	byGroup := shared && mode&0o020 != 0
	if byGroup {
		clauses, changes = append(clauses, "the group "+name+" may write it"), append(changes, "g-w")
	}
	if says = strings.Join(clauses, ", "); writes || byGroup {
		says += ", and who writes it " + g.power
	}
	return says, strings.Join(changes, ",")
}

// replaces is who, besides its owner, may put other files into a folder; of
// one further up only what everybody may counts.
func (a accounts) replaces(dir string, own bool) (who, mode string) {
	info, err := os.Stat(dir)
	if err != nil || info.Mode()&fs.ModeSticky != 0 {
		return "", ""
	}
	if info.Mode()&0o002 != 0 && everybodyReaches(dir) {
		return everybody, "o-w"
	}
	if name, shared := a.sharedGroup(info); own && shared && info.Mode()&0o020 != 0 {
		return "the group " + name, "g-w"
	}
	return "", ""
}

// foldersOf are the folders over a file, by both of its names, each once.
func foldersOf(paths ...string) (all []string) {
	for _, path := range paths {
		for dir := filepath.Dir(path); ; dir = filepath.Dir(dir) {
			if !slices.Contains(all, dir) {
				all = append(all, dir)
			}
			if dir == filepath.Dir(dir) {
				break
			}
		}
	}
	return all
}

// everybodyReaches reports whether what lies in a folder can be opened by
// everybody, as far as the folders over it go.
func everybodyReaches(dir string) bool {
	for {
		if info, err := os.Stat(dir); err != nil || info.Mode()&0o001 == 0 {
			return false
		}
		if dir == filepath.Dir(dir) {
			return true
		}
		dir = filepath.Dir(dir)
	}
}

// sharedGroup is the group of a file, and whether others than its owner and
// root are in it: many a user has a group of the same name, alone.
func (a accounts) sharedGroup(info fs.FileInfo) (name string, shared bool) {
	of, ok := info.Sys().(*syscall.Stat_t)
	if !ok || of.Gid == 0 {
		return "root", false
	}
	group := a.entry("group", of.Gid)
	if group == nil {
		return strconv.Itoa(int(of.Gid)), true
	}
	owner := ""
	if u := a.entry("passwd", of.Uid); u != nil {
		owner = u[0]
	}
	members := slices.DeleteFunc(strings.Split(group[3], ","), func(m string) bool { return m == "" || m == owner || m == "root" })
	return group[0], group[0] != owner || len(members) > 0
}

// entry is the line of a number in passwd(5) or group(5); both have it third.
func (a accounts) entry(file string, id uint32) []string {
	text, _ := os.ReadFile(filepath.Join(a.etc, file))
	for line := range strings.Lines(string(text)) {
		if f := strings.Split(strings.TrimRight(line, "\n"), ":"); len(f) >= 4 && f[2] == strconv.FormatUint(uint64(id), 10) {
			return f
		}
	}
	return nil
}

// storedIn reports whether a file holds a secret in its stored form.
func storedIn(path string) bool {
	f, err := os.Open(path)
	if err != nil {
		return false
	}
	defer f.Close()
	line, err := firstLine(f)
	return err == nil && authority.IsStored(line)
}
