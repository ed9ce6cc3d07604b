package configs

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"slices"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// The bounds of a file, far above what a person writes, so that a wrong file
// costs a message and not the gateway's memory.
const (
	mostBytes   = 512 << 10
	mostLines   = 10_000
	mostColumns = 2_000
	mostNesting = 50 // open brackets
)

// Parse reads and checks a configuration. Where something is wrong the error
// is Problems, with everything that is wrong in it; an error of the reader
// itself comes back wrapped. A reader with a Name method (an *os.File) gives
// the problems their file name. Nothing outside the reader is touched:
// whether files and addresses named in it exist is found out by their users.
func Parse(r io.Reader) (*Config, error) {
	d := &decoder{asked: map[*key]bool{}, given: map[*key]bool{}}
	return d.parse(r)
}

func (d *decoder) parse(r io.Reader) (*Config, error) {
	if named, ok := r.(interface{ Name() string }); ok {
		d.file = named.Name()
	}
	text, err := io.ReadAll(io.LimitReader(r, mostBytes+1))
	if err != nil {
		return nil, fmt.Errorf("read configuration %s: %w", d.file, err)
	}
	var config *Config
	if root, ok := d.tree(text); ok {
		config = root.gateway()
	}
	if len(d.problems) > 0 {
		slices.SortStableFunc(d.problems, func(a, b Problem) int {
			return cmp.Or(a.Line-b.Line, a.Column-b.Column)
		})
		return nil, d.problems
	}
	config.Effective = d.effective
	return config, nil
}

// tree is the file's one document as a syntax tree.
func (d *decoder) tree(text []byte) (value, bool) {
	text = bytes.TrimPrefix(text, []byte("\xef\xbb\xbf"))
	if !d.readable(text) {
		return value{}, false
	}
	root := value{d: d}
	file, err := parseText(text)
	if err != nil {
		root.syntax(err)
		return root, false
	}
	documents := file.Docs
	for i, doc := range documents {
		if i > 0 {
			second := value{d: d, at: position(doc)}
			second.problem("a second document begins here", "keep one document in a file, without a line of --- or %")
			return root, false
		}
	}
	if len(documents) == 0 || documents[0].Body == nil {
		root.problem("the file is empty", "copy an example file and change it")
		return root, false
	}
	root.node, root.at = documents[0].Body, documents[0].Body.GetToken().Position
	return root, true
}

func position(doc *ast.DocumentNode) *token.Position {
	switch {
	case doc.Start != nil:
		return doc.Start.Position
	case doc.Body != nil && doc.Body.GetToken() != nil:
		return doc.Body.GetToken().Position
	}
	return nil
}

// parseText is the library's parser with its panics, should it have any,
// turned into errors: a configuration may come from anywhere.
func parseText(text []byte) (file *ast.File, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("the text cannot be read as YAML: %v", p)
		}
	}()
	return parser.ParseBytes(text, 0, parser.AllowDuplicateMapKey())
}

func (v value) syntax(err error) {
	var s *yaml.SyntaxError
	if errors.As(err, &s) {
		if t := s.GetToken(); t != nil {
			v.at = t.Position
		}
		v.problem("not YAML: "+s.GetMessage(), "look at the indentation, colons, quotes and brackets before this place")
		return
	}
	v.problem(short(err.Error()), "write YAML as in the example files")
}

// readable checks the text itself, line by line.
func (d *decoder) readable(text []byte) bool {
	at := func(line, column int) value { return value{d: d, at: &token.Position{Line: line, Column: column}} }
	before := len(d.problems)
	if len(text) > mostBytes {
		at(1, 1).problem("the file is too large", fmt.Sprintf("a configuration has at most %d kB", mostBytes>>10))
		return false
	}
	lines := bytes.Split(text, []byte("\n"))
	if len(lines) > mostLines {
		at(mostLines, 1).problem("the file is too long", fmt.Sprintf("a configuration has at most %d lines", mostLines))
		return false
	}
	nesting := 0
	for i, line := range lines {
		if !utf8.Valid(line) {
			at(i+1, invalid(line)).problem("not UTF-8", "save the file with the encoding UTF-8")
		}
		if len(line) > mostColumns {
			at(i+1, mostColumns).problem("the line is too long", fmt.Sprintf("a line has at most %d characters", mostColumns))
		}
		indent := line[:len(line)-len(bytes.TrimLeft(line, " \t"))]
		if tab := bytes.IndexByte(indent, '\t'); tab >= 0 && len(bytes.TrimSpace(line)) > 0 {
			at(i+1, tab+1).problem("a tab in the indentation", "indent with spaces")
		}
		nesting += bytes.Count(line, []byte("[")) + bytes.Count(line, []byte("{"))
		nesting -= bytes.Count(line, []byte("]")) + bytes.Count(line, []byte("}"))
		if nesting = max(nesting, 0); nesting > mostNesting {
			at(i+1, 1).problem("too many open brackets", "close the brackets of each line")
			break
		}
	}
	return len(d.problems) == before
}

// invalid is the column, from 1, of the first byte that is not UTF-8.
func invalid(line []byte) int {
	for i, column := 0, 1; i < len(line); column++ {
		r, size := utf8.DecodeRune(line[i:])
		if r == utf8.RuneError && size <= 1 {
			return column
		}
		i += size
	}
	return 1
}
