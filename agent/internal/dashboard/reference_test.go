package dashboard

import (
	"encoding/json"
	"flag"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write the golden files anew")

const preface = `# The HTTP interface

Made from the program's own list of routes: do not edit by hand, run
` + "`go test ./agent/internal/dashboard -update`" + `. The page uses nothing else.

Answers are JSON in UTF-8 with a ` + "`schema`" + ` that rises when a name or a meaning
changes. Values are in SI units with the unit in the name or beside them, times
are RFC 3339 UTC, and what is unknown is ` + "`null`" + ` with a reason. An answer that is
no success is ` + "`{\"error\": why}`" + `.

* **Who.** Where seeing needs a secret every route but the page's own files,
  ` + "`/healthz`" + `, ` + "`/api/v1/session`" + `, login and logout answers 401 without it: a program
  sends ` + "`Authorization: Bearer SECRET`" + `, a browser the cookie of a log-in. So does
  ` + "`/metrics`" + `. After five wrong secrets in a minute from one address, or under
  one name, the answer is 401 whatever the secret, until the minute is over;
  after twenty from strangers together, so it is for every address with a wrong
  one among them. It is 401 too where many wait for a secret to be derived. A
  log-in ends when its secret is changed, and not with a reload.
* **From where.** A POST that a browser says to come from another site's page
  gets 403; one that is not ` + "`application/json`" + ` 415. On loopback a request that does
  not name this machine gets 421, and so does one that a proxy has passed on
  while ` + "`http.behind_proxy`" + ` is not set.
* **Again.** GET answers carry an ` + "`ETag`" + `; with it in ` + "`If-None-Match`" + ` the answer is 304
  while nothing has changed. ` + "`Accept-Encoding: gzip`" + ` compresses what is longer than
  a packet. Nobody between is to keep an answer (` + "`Cache-Control: no-store`" + `); the page's own
  files may be kept and are asked for anew (` + "`no-cache`" + `).
* **How many.** 256 connections at once, of one address 128 where the page listens
  beyond loopback without a proxy; a network of IPv6, of 64 bits, counts as one. One
  too many takes the place of one that idles, else of one of the address that has
  most, or is closed. Two suppositions are
  worked out at a time; one that has no turn after 5 s gets 503 and ` + "`Retry-After`" + `.
  An answer that is not taken within a minute is cut off, a scrape after 10 s.

`

// reference is what the list of routes says, as Markdown.
func reference(t *testing.T) string {
	t.Helper()
	var b strings.Builder
	b.WriteString(preface + "## Routes\n\n| route | what |\n| --- | --- |\n")
	for _, r := range described {
		method := "GET "
		if strings.Contains(r.Path, " ") {
			method = ""
		}
		fmt.Fprintf(&b, "| `%s%s` | %s |\n", method, r.Path, r.What)
	}
	b.WriteString("\n## Names\n\nAt the top of each answer:\n\n| route | names |\n| --- | --- |\n")
	h := New(Options{Units: newBoard(stored(noon)), Events: journal(noon, 20), Now: at(noon)})
	for _, path := range []string{"/api/v1/", "/api/v1/units", "/api/v1/units/AU-7", "/api/v1/events", "/api/v1/journal", "/api/v1/session", "/healthz"} {
		all := decoded(t, serve(t, h, "GET", path, nil))
		fmt.Fprintf(&b, "| `%s` | `%s` |\n", strings.Replace(path, "AU-7", "{unit}", 1), strings.Join(slices.Sorted(maps.Keys(all)), "`, `"))
		if units, ok := all["units"].([]any); ok {
			one := units[0].(map[string]any)
			fmt.Fprintf(&b, "| `%s`, each unit | `%s` |\n", path, strings.Join(slices.Sorted(maps.Keys(one)), "`, `"))
		}
	}
	return b.String()
}

func TestReference(t *testing.T) {
	want := reference(t)
	if *update {
		if err := os.WriteFile("reference.md", []byte(want), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile("reference.md")
	if err != nil || string(got) != want {
		t.Errorf("reference.md is not what the routes say: go test ./agent/internal/dashboard -update (%v)", err)
	}
}

// registered are the patterns that the package's own source registers.
func registered(t *testing.T) map[string]bool {
	t.Helper()
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	all := map[string]bool{}
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(file, func(n ast.Node) bool {
			call, ok := n.(*ast.CallExpr)
			if !ok || len(call.Args) != 2 {
				return true
			}
			if f, ok := call.Fun.(*ast.SelectorExpr); !ok || f.Sel.Name != "HandleFunc" && f.Sel.Name != "Handle" {
				return true
			}
			if text, ok := call.Args[0].(*ast.BasicLit); ok {
				if pattern, err := strconv.Unquote(text.Value); err == nil && strings.Contains(pattern, " ") && !strings.HasSuffix(pattern, " ") {
					all[strings.TrimSuffix(pattern, "{$}")] = true
				}
			}
			return true
		})
	}
	return all
}

// Every route is described, and nothing else; and the page asks for no other.
func TestEveryRouteIsDescribed(t *testing.T) {
	routes, words := registered(t), map[string]bool{}
	for _, r := range described {
		path, _, _ := strings.Cut(r.Path, "?")
		if !strings.Contains(path, " ") {
			path = "GET " + path
		}
		words[path] = true
		if !routes[path] {
			t.Errorf("%s is described and not registered", path)
		}
	}
	for path := range routes {
		if !words[path] {
			t.Errorf("%s is registered and not described", path)
		}
	}
	if len(routes) < 14 {
		t.Errorf("only %d routes were found in the source", len(routes))
	}
	asked := regexp.MustCompile(`/api/v1/[a-z]*`)
	for _, a := range loadAssets() {
		for _, path := range asked.FindAllString(string(a.plain), -1) {
			if !words["GET "+path] && !words["POST "+path] {
				t.Errorf("%s asks for %s", a.path, path)
			}
		}
	}
	var index struct{ Routes []route }
	h := New(Options{Units: newBoard(), Events: &book{}})
	if err := json.Unmarshal([]byte(body(t, serve(t, h, "GET", "/api/v1/", nil))), &index); err != nil || len(index.Routes) != len(described) {
		t.Errorf("the program's own list has %d routes, %v", len(index.Routes), err)
	}
}
