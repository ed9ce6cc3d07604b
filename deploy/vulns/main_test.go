package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

const said = `{"config":{"protocol_version":"v1.0.0"}}
{"osv":{"id":"GO-2099-0001"}}
{"finding":{"osv":"GO-2099-0001","fixed_version":"v1.2.4","trace":[{"module":"example.org/there","version":"v1.2.3"}]}}
{"finding":{"osv":"GO-2099-0001","fixed_version":"v1.2.4","trace":[{"module":"example.org/there","version":"v1.2.3","package":"example.org/there"}]}}
{"finding":{"osv":"GO-2099-0002","fixed_version":"v2.0.1","trace":[{"module":"example.org/called","version":"v2.0.0","package":"example.org/called","function":"Parse"},{"module":"strokebank"}]}}
{"finding":{"osv":"GO-2099-0003","fixed_version":"v1.99.1","trace":[{"module":"stdlib","version":"v1.99.0","package":"net/http","function":"Serve"}]}}
`

// What is there and not called is none; what is called is told apart by whose
// it is.
func TestWhatIsCalled(t *testing.T) {
	own, library, err := called(strings.NewReader(said))
	if err != nil || len(own) != 1 || own["GO-2099-0002"] != "example.org/called v2.0.0, fixed in v2.0.1" || len(library) != 1 || library["GO-2099-0003"] == "" {
		t.Errorf("%v %v %v", own, library, err)
	}
	for name, text := range map[string]string{"nothing": "", "half": said[:len(said)-20]} {
		if _, _, err := called(strings.NewReader(text)); err == nil {
			t.Errorf("%s passes", name)
		}
	}
}

// An entry stands under each module that it names, once; one that was
// withdrawn does not.
func TestDatabase(t *testing.T) {
	from, to := t.TempDir(), t.TempDir()
	if _, err := database(from, t.TempDir()); err == nil {
		t.Error("no entry passes for a database")
	}
	for name, text := range map[string]string{
		"GO-2099-0001": `{"id":"GO-2099-0001","modified":"2099-01-02T00:00:00Z","affected":[{"package":{"name":"a"}},{"package":{"name":"b"}},{"package":{"name":"a"}}]}`,
		"GO-2099-0002": `{"id":"GO-2099-0002","withdrawn":"2099-01-03T00:00:00Z","affected":[{"package":{"name":"a"}}]}`,
	} {
		if err := os.WriteFile(filepath.Join(from, name+".json"), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if n, err := database(from, to); n != 1 || err != nil {
		t.Errorf("%d, %v", n, err)
	}
	index, err := os.ReadFile(filepath.Join(to, "index", "modules.json"))
	const entry = `[{"id":"GO-2099-0001","modified":"2099-01-02T00:00:00Z"}]`
	if want := `[{"path":"a","vulns":` + entry + `},{"path":"b","vulns":` + entry + `}]`; string(index) != want || err != nil {
		t.Errorf("%s, %v", index, err)
	}
}
