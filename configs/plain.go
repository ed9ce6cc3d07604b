package configs

import "strings"

// plainKeys are the keys whose values are read strictly: no table has a text
// by that name.
var plainKeys = func() map[string]bool {
	plain, text, seen := map[string]bool{}, map[string]bool{}, map[*table]bool{}
	var walk func(t *table)
	walk = func(t *table) {
		if seen[t] {
			return
		}
		seen[t] = true
		for i := range t.keys {
			k := &t.keys[i]
			switch k.kind {
			case aBlock, aMap:
			case aText:
				text[k.name] = true
			default:
				plain[k.name] = true
			}
			if k.in != nil {
				walk(k.in)
			}
		}
	}
	walk(fileKeys)
	for name := range text {
		delete(plain, name)
	}
	return plain
}()

// Plain reports whether the value at a path of Config.Effective is a figure, a
// day, a yes or no, or a word of the program's own: it cannot be anybody's own
// words. A path that no table knows is not.
func Plain(path string) bool {
	return plainKeys[path[strings.LastIndexByte(path, '.')+1:]]
}
