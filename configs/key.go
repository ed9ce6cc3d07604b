package configs

import (
	"fmt"
	"math"
	"strings"

	"strokebank/configs/quantity"
)

// kind is the sort of value that a key takes.
type kind uint8

const (
	aQuantity kind = iota
	aText
	aWord
	aFlag
	aCount
	aBlock // keys of the table in
	aMap   // names of the site's own, each with keys of the table in
	aList
	aPair // two values in brackets
	aDate
)

// key is one key of the file. The tables of keys are the only place that
// says what a key is called, takes, defaults to and means: the decoder and
// the reference are both made from them.
type key struct {
	name     string
	kind     kind
	dim      quantity.Dimension // of aQuantity
	words    []string           // of aWord
	required bool
	def      string // default, written as in a file; empty: none
	least    string // smallest quantity allowed; empty: no limit
	above    string // as least, but itself not allowed
	most     string // largest quantity allowed; empty: no limit
	sample   string // what would be right, where kind does not say it
	in       *table // of aBlock and aMap
	doc      string
}

// table is the keys that may stand in one block.
type table struct {
	name string // heading of the reference
	doc  string
	keys []key
}

func (t *table) find(name string) *key {
	for i := range t.keys {
		if t.keys[i].name == name {
			return &t.keys[i]
		}
	}
	return nil
}

func (t *table) names() []string {
	names := make([]string, len(t.keys))
	for i := range t.keys {
		names[i] = t.keys[i].name
	}
	return names
}

// example is what would be right for the key.
func (k *key) example() string {
	switch {
	case k.sample != "":
		return k.sample
	case k.kind == aQuantity:
		return k.dim.Example()
	case k.kind == aWord:
		return either(k.words)
	case k.kind == aFlag:
		return "true or false"
	case k.kind == aBlock:
		return "its keys, indented under it"
	}
	return "a value"
}

// fallback is the default in SI; NaN without one, or where the file has the
// key but wrongly.
func (k *key) fallback(given bool) float64 {
	if given || k.def == "" {
		return math.NaN()
	}
	return k.si(k.def)
}

// limits are the bounds of a quantity; a side without a bound is infinite.
func (k *key) limits() span {
	s := span{least: math.Inf(-1), most: math.Inf(1), leastText: k.least, mostText: k.most}
	if k.least != "" {
		s.least = k.si(k.least)
	}
	if k.above != "" {
		s.least, s.leastText, s.open = k.si(k.above), k.above, true
	}
	if k.most != "" {
		s.most = k.si(k.most)
	}
	return s
}

// si reads a quantity of the key tables themselves; a test reads them all.
func (k *key) si(text string) float64 {
	v, err := quantity.Parse(text, k.dim)
	if err != nil {
		panic(fmt.Sprintf("configs: key %s: %v", k.name, err))
	}
	return v
}

// short is the table's place in a unit: "set_points".
func (t *table) short() string {
	return t.name[strings.LastIndex(t.name, ".")+1:]
}
