// Command vulns says which known vulnerabilities this project calls. It takes
// the Go vulnerability database as its module holds it, and govulncheck to do
// the finding. One in a module that the project requires is an error, since
// another version can be required; one in the standard library is that of the
// Go that is installed here, and is told, or with -strict an error too.
//
// usage: vulns [-strict] GOVULNCHECK DATABASE-MODULE PACKAGES...
package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
)

// entry is what the index needs of one vulnerability: OSV format 1.
type entry struct {
	ID        string `json:"id"`
	Modified  string `json:"modified"`
	Withdrawn string `json:"withdrawn"`
	Affected  []struct {
		Package struct {
			Name string `json:"name"`
		} `json:"package"`
	} `json:"affected"`
}

// finding is a place where one is called: https://go.dev/doc/security/vuln/
// and govulncheck's own description of its JSON.
type finding struct {
	OSV   string `json:"osv"`
	Fixed string `json:"fixed_version"`
	Trace []struct {
		Module   string `json:"module"`
		Version  string `json:"version"`
		Function string `json:"function"`
	} `json:"trace"`
}

func main() {
	strict := flag.Bool("strict", false, "take the standard library's for errors too")
	flag.Parse()
	if flag.NArg() < 3 {
		fmt.Fprintln(os.Stderr, "usage: vulns [-strict] GOVULNCHECK DATABASE-MODULE PACKAGES...")
		os.Exit(2)
	}
	if err := look(*strict, flag.Arg(0), flag.Arg(1), flag.Args()[2:]); err != nil {
		fmt.Fprintln(os.Stderr, "vulns:", err)
		os.Exit(1)
	}
}

func look(strict bool, tool, module string, packages []string) error {
	dir, err := os.MkdirTemp("", "vulns-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	n, err := database(filepath.Join(module, "data", "osv"), dir)
	if err != nil {
		return err
	}
	run := exec.Command(tool, append([]string{"-json", "-db", "file://" + dir}, packages...)...)
	run.Stderr = os.Stderr
	out, err := run.Output()
	if err != nil {
		return fmt.Errorf("%s: %w", tool, err)
	}
	own, library, err := called(bytes.NewReader(out))
	if err != nil {
		return err
	}
	fmt.Printf("%d known vulnerabilities: %d called in required modules, %d in this Go's standard library\n", n, len(own), len(library))
	for _, list := range []map[string]string{own, library} {
		for _, id := range slices.Sorted(maps.Keys(list)) {
			fmt.Println(" ", id, list[id])
		}
	}
	if len(own) > 0 || strict && len(library) > 0 {
		return errors.New("require versions, or build with a Go, that do not have them")
	}
	return nil
}

// database lays the entries out as the database is served, and gives how many
// there are: https://go.dev/doc/security/vuln/database.
func database(from, to string) (n int, err error) {
	files, err := filepath.Glob(filepath.Join(from, "GO-*.json"))
	if err == nil && len(files) == 0 {
		err = fmt.Errorf("no vulnerabilities in %s", from)
	}
	for _, sub := range []string{"ID", "index"} {
		err = errors.Join(err, os.Mkdir(filepath.Join(to, sub), 0o755))
	}
	if err != nil {
		return 0, err
	}
	type vuln struct {
		ID       string `json:"id"`
		Modified string `json:"modified"`
	}
	type affected struct {
		Path  string `json:"path"`
		Vulns []vuln `json:"vulns"`
	}
	at := map[string]*affected{}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			return 0, err
		}
		var e entry
		if err := json.Unmarshal(text, &e); err != nil {
			return 0, fmt.Errorf("%s: %w", file, err)
		}
		if e.Withdrawn != "" {
			continue
		}
		n++
		for _, a := range e.Affected {
			m := at[a.Package.Name]
			if m == nil {
				m = &affected{Path: a.Package.Name}
				at[m.Path] = m
			}
			if v := (vuln{e.ID, e.Modified}); !slices.Contains(m.Vulns, v) {
				m.Vulns = append(m.Vulns, v)
			}
		}
		if err := os.WriteFile(filepath.Join(to, "ID", e.ID+".json"), text, 0o644); err != nil {
			return 0, err
		}
	}
	var list []*affected
	for _, path := range slices.Sorted(maps.Keys(at)) {
		list = append(list, at[path])
	}
	index, err := json.Marshal(list)
	if err != nil {
		return 0, err
	}
	return n, errors.Join(os.WriteFile(filepath.Join(to, "index", "modules.json"), index, 0o644),
		os.WriteFile(filepath.Join(to, "index", "db.json"), []byte(`{"modified":"2000-01-01T00:00:00Z"}`), 0o644))
}

// called are the vulnerabilities that are called, by their ids, in modules and
// in the standard library.
func called(r io.Reader) (own, library map[string]string, err error) {
	own, library = map[string]string{}, map[string]string{}
	in := json.NewDecoder(r)
	configured := false
	for {
		var m struct {
			Config  *struct{} `json:"config"`
			Finding *finding  `json:"finding"`
		}
		if err := in.Decode(&m); err == io.EOF {
			break
		} else if err != nil {
			return nil, nil, err
		}
		configured = configured || m.Config != nil
		if m.Finding == nil || len(m.Finding.Trace) == 0 || m.Finding.Trace[0].Function == "" {
			continue // of a module or package that is there and not called
		}
		f, at := m.Finding, m.Finding.Trace[0]
		text := fmt.Sprintf("%s %s, fixed in %s", at.Module, at.Version, f.Fixed)
		if at.Module == "stdlib" {
			library[f.OSV] = text
		} else {
			own[f.OSV] = text
		}
	}
	if !configured {
		return nil, nil, errors.New("govulncheck has said nothing")
	}
	return own, library, nil
}
