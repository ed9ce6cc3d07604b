package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

const module = "strokebank/"

// mayImport says, for each room, which of our packages it may import. A
// trailing slash allows everything below. The first row whose room fits
// counts. Nothing may import what is not listed.
var mayImport = []struct {
	room    string
	allowed []string
}{
	{"sensors/signal", nil},
	{"sensors/register", []string{"sensors/signal"}},
	{"sensors", []string{"sensors/signal", "sensors/register"}},
	{"rules/", []string{"sensors/signal", "rules/"}},
	{"rules", []string{"sensors/signal", "rules/"}},
	{"configs/quantity", nil},
	{"configs", []string{"configs/quantity", "sensors", "sensors/signal", "sensors/register", "rules", "rules/"}},
	{"agent/internal/simulator", []string{"sensors/signal"}},
	{"agent/internal/", []string{"sensors/signal", "rules", "rules/"}},
	{"agent", []string{"agent/internal/", "configs", "configs/quantity", "sensors", "sensors/signal", "sensors/register", "rules", "rules/"}},
}

// impure lists what the rules may not touch: time and everything else comes
// in with the scan, so that a replay gives the same bytes.
var impure = []string{"os", "net", "io/fs", "syscall", "math/rand", "math/rand/v2", "crypto/rand", "log", "log/slog", "os/exec", "runtime", "sync", "context", "database/sql"}

// clockCalls are functions of package time that read the clock or wait for it.
var clockCalls = []string{"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTimer", "NewTicker"}

func TestRoomsImportOneWay(t *testing.T) {
	seen := 0
	eachFile(t, func(room, name string, file *ast.File) {
		seen++
		for _, imp := range file.Imports {
			path, _ := strconv.Unquote(imp.Path.Value)
			ours, isOurs := strings.CutPrefix(path, module)
			if isOurs && !allowed(room, ours) {
				t.Errorf("%s: %s may not import %s", name, room, ours)
			}
		}
	})
	if seen < 50 {
		t.Fatalf("only %d files were read: the test looks in the wrong place", seen)
	}
}

func TestRulesArePure(t *testing.T) {
	eachFile(t, func(room, name string, file *ast.File) {
		if !strings.HasPrefix(room, "rules") || strings.HasSuffix(name, "_test.go") {
			return
		}
		for _, imp := range file.Imports {
			path, _ := strconv.Unquote(imp.Path.Value)
			if slices.Contains(impure, path) || strings.HasPrefix(path, "net/") {
				t.Errorf("%s imports %s", name, path)
			}
		}
		ast.Inspect(file, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.GoStmt:
				t.Errorf("%s starts a goroutine", name)
			case *ast.SelectorExpr:
				if pkg, ok := n.X.(*ast.Ident); ok && pkg.Name == "time" && slices.Contains(clockCalls, n.Sel.Name) {
					t.Errorf("%s calls time.%s", name, n.Sel.Name)
				}
			}
			return true
		})
	})
}

// allowed reports whether room may import path (both without the module).
func allowed(room, path string) bool {
	if path == room || strings.HasPrefix(path, room+"/") && strings.HasPrefix(room, "agent/internal/") {
		return true // its own package from an external test, or its own inner room
	}
	for _, row := range mayImport {
		inside := row.room == room || strings.HasSuffix(row.room, "/") && strings.HasPrefix(room, row.room)
		if !inside {
			continue
		}
		return slices.ContainsFunc(row.allowed, func(a string) bool {
			return a == path || strings.HasSuffix(a, "/") && strings.HasPrefix(path, a)
		})
	}
	return false
}

// eachFile calls do with every Go file of the module and the room it is in.
func eachFile(t *testing.T, do func(room, name string, file *ast.File)) {
	t.Helper()
	root := ".."
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") {
			return err
		}
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, 0)
		if err != nil {
			return err
		}
		name, err := filepath.Rel(root, path)
		if err != nil {
			return err
		}
		do(filepath.ToSlash(filepath.Dir(name)), name, file)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}
