package configs

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/token"

	"strokebank/configs/quantity"
)

// decoder walks the syntax tree and collects every problem. The library's
// own struct decoding stops at the first error, loses positions and rounds
// 1.5 to 1 in silence, which is why the tree is walked here.
type decoder struct {
	file     string
	problems Problems
	asked    map[*key]bool // keys that the decoder has looked for
	given    map[*key]bool // keys that the file has

	effective map[string]string // what holds, by path
}

// value is a node of the file with the path that leads to it.
type value struct {
	d    *decoder
	path string
	node ast.Node
	at   *token.Position
}

// problem reports what is wrong with the value.
func (v value) problem(what, want string) {
	p := Problem{File: v.d.file, Line: 1, Column: 1, Path: v.path, What: what, Want: want}
	if v.at != nil {
		p.Line, p.Column = max(v.at.Line, 1), max(v.at.Column, 1)
	}
	v.d.problems = append(v.d.problems, p)
}

func join(path, name string) string {
	if path == "" {
		return name
	}
	return path + "." + name
}

// entries are the values of a mapping in the order of the file. Keys that
// are no plain words, or stand twice, are problems and left out.
func (v value) entries() (names []string, values []value) {
	mapping, ok := v.node.(*ast.MappingNode)
	if !ok {
		v.problem(describe(v.node)+" where a block of keys is needed", "write 'key: value' lines, indented under it")
		return nil, nil
	}
	lines := map[string]int{}
	for _, e := range mapping.Values {
		at := e.Key.GetToken().Position
		name, plain := scalar(e.Key)
		entry := value{v.d, join(v.path, name), e.Value, at}
		if !plain || name == "" {
			entry.path = v.path
			entry.problem("a key that is not a plain word", "write a name before the colon")
			continue
		}
		if first, twice := lines[name]; twice {
			entry.problem(fmt.Sprintf("stands twice, first in line %d", first), "keep one of them")
			continue
		}
		lines[name] = at.Line
		names, values = append(names, name), append(values, entry)
	}
	return names, values
}

// section is a mapping with a table of the keys that it may have.
type section struct {
	value
	table  *table
	values map[string]value
}

// section opens v as a mapping with the keys of t and reports those that t
// does not have and those that are missing.
func (v value) section(t *table) section {
	s := section{value: v, table: t, values: map[string]value{}}
	names, values := v.entries()
	for i, name := range names {
		k := t.find(name)
		if k == nil {
			values[i].problem("no such key", nearest(name, t.names()))
			continue
		}
		v.d.given[k] = true
		s.values[name] = values[i]
	}
	if _, ok := v.node.(*ast.MappingNode); !ok {
		s.values = nil
		return s
	}
	for i := range t.keys {
		k := &t.keys[i]
		if _, ok := s.values[k.name]; k.required && !ok {
			s.missing(k)
		}
	}
	return s
}

func (s section) missing(k *key) {
	value{s.d, join(s.path, k.name), nil, s.at}.problem("is missing", "write "+k.name+": "+k.example())
}

// get finds a key's value; ok is false where the file does not have it or
// left it empty (which is reported).
func (s section) get(name string) (v value, k *key, ok bool) {
	k = s.table.find(name)
	if k == nil {
		panic("configs: " + s.table.name + " has no key " + name)
	}
	s.d.asked[k] = true
	v, ok = s.values[name]
	s.d.note(join(s.path, name), k, v, ok)
	if !ok {
		return value{s.d, join(s.path, name), nil, s.at}, k, false
	}
	if _, null := v.node.(*ast.NullNode); null || v.node == nil {
		v.problem("is empty", "write "+name+": "+k.example()+", or leave the key out")
		return v, k, false
	}
	return v, k, true
}

// note remembers what holds for a key: what the file says, or the default.
// Blocks and maps are their keys.
func (d *decoder) note(path string, k *key, v value, given bool) {
	if d.effective == nil {
		d.effective = map[string]string{}
	}
	switch {
	case k.kind == aBlock || k.kind == aMap:
	case given && v.node != nil:
		if text, plain := scalar(v.node); plain {
			d.effective[path] = text
		} else {
			d.effective[path] = strings.Join(strings.Fields(v.node.String()), " ")
		}
	case k.def != "":
		d.effective[path] = k.def
	}
}

// has reports whether the file has the key at all.
func (s section) has(name string) bool {
	_, ok := s.values[name]
	return ok
}

// report reports a problem of a key, at the section where the key is absent.
func (s section) report(name, what, want string) {
	v, ok := s.values[name]
	if !ok {
		v = value{s.d, join(s.path, name), nil, s.at}
	}
	v.problem(what, want)
}

// quantity is a key's quantity in SI; its default where the key is absent.
// NaN stands for absent without a default and for wrong, so that comparisons
// with it are false and one mistake is not reported twice.
func (s section) quantity(name string) float64 {
	v, k, ok := s.get(name)
	if !ok {
		return k.fallback(s.has(name))
	}
	return v.quantity(k.dim, k.limits())
}

// span limits a quantity, in SI; NaN means no limit on that side.
type span struct {
	least, most         float64
	leastText, mostText string
	open                bool // least itself is not allowed
}

func (v value) quantity(d quantity.Dimension, lim span) float64 {
	text, ok := v.plain(d.Example())
	if !ok {
		return math.NaN()
	}
	x, err := quantity.Parse(text, d)
	if err != nil {
		v.wrong(err, d.Example())
		return math.NaN()
	}
	if x < lim.least || lim.open && x == lim.least {
		word := " or more"
		if lim.open {
			word = ""
			lim.leastText = "more than " + lim.leastText
		}
		v.problem(text+" is too little", "write "+lim.leastText+word)
		return math.NaN()
	}
	if x > lim.most {
		v.problem(text+" is too much", "write "+lim.mostText+" or less")
		return math.NaN()
	}
	return x
}

// wrong reports an error of the quantity package.
func (v value) wrong(err error, example string) {
	if q, ok := err.(*quantity.Error); ok {
		v.problem(q.What, "write "+q.Want)
		return
	}
	v.problem(err.Error(), "write "+example)
}

// plain is the text of a scalar value; anything else is reported.
func (v value) plain(example string) (string, bool) {
	text, ok := scalar(v.node)
	if !ok {
		v.problem(describe(v.node)+" where one value is needed", "write "+example)
	}
	return strings.TrimSpace(text), ok
}

// text is a key's text; its default where the key is absent.
func (s section) text(name string) string {
	v, k, ok := s.get(name)
	if !ok {
		return k.def
	}
	text, ok := v.plain(k.example())
	if ok && text == "" {
		v.problem("is empty", "write "+k.example())
	}
	if ok && len(k.words) > 0 && !slices.Contains(k.words, text) {
		v.problem(fmt.Sprintf("%q is none of the words known here", short(text)), "write "+either(k.words))
		return ""
	}
	return text
}

// flag is a key's true or false, false where the key is absent.
func (s section) flag(name string) bool {
	v, _, ok := s.get(name)
	if !ok {
		return false
	}
	b, ok := v.node.(*ast.BoolNode)
	if !ok {
		v.problem(describe(v.node)+" where true or false is needed", "write true or false")
		return false
	}
	return b.Value
}

// integer is a key's whole number between least and most, ok only where it
// stands in the file (or has a default) and is right.
func (s section) integer(name string, least, most int) (int, bool) {
	v, k, ok := s.get(name)
	if !ok {
		n, err := strconv.Atoi(k.def)
		return n, err == nil && !s.has(name)
	}
	want := fmt.Sprintf("a whole number from %d to %d", least, most)
	text, ok := v.plain(want)
	if !ok {
		return 0, false
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < least || n > most {
		v.problem(fmt.Sprintf("%q is not %s", short(text), want), "write "+k.example())
		return 0, false
	}
	return n, true
}

// number is a plain number without a unit; NaN where it is absent or wrong.
func (v value) number() float64 {
	text, ok := v.plain("a number without a unit")
	if !ok {
		return math.NaN()
	}
	x, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
		v.problem(fmt.Sprintf("%q is not a plain number", short(text)), "write a number without a unit, as 27648")
		return math.NaN()
	}
	return x
}

// list is the elements of a sequence, reported where it is none.
func (v value) list(example string) []value {
	seq, ok := v.node.(*ast.SequenceNode)
	if !ok {
		v.problem(describe(v.node)+" where a list is needed", "write "+example)
		return nil
	}
	out := make([]value, 0, len(seq.Values))
	for i, n := range seq.Values {
		at := v.at
		if n != nil && n.GetToken() != nil {
			at = n.GetToken().Position
		}
		out = append(out, value{v.d, fmt.Sprintf("%s[%d]", v.path, i+1), n, at})
	}
	return out
}

// seconds turns SI seconds into a duration; NaN becomes 0.
func seconds(s float64) time.Duration {
	if math.IsNaN(s) {
		return 0
	}
	return time.Duration(math.Round(s * float64(time.Second)))
}
