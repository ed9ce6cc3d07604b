package configs

import (
	"slices"
	"strings"

	"github.com/goccy/go-yaml/ast"
)

// scalar is the text of a plain, quoted or block value as the person wrote
// it: 1.5 stays "1.5" and 0x10 stays "0x10".
func scalar(n ast.Node) (string, bool) {
	switch v := n.(type) {
	case *ast.StringNode:
		return v.Value, true
	case *ast.LiteralNode:
		if v.Value != nil {
			return v.Value.Value, true
		}
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.NanNode, *ast.InfinityNode:
		if t := v.GetToken(); t != nil {
			return t.Value, true
		}
	}
	return "", false
}

// describe says what a node is, for a person.
func describe(n ast.Node) string {
	switch n.(type) {
	case nil, *ast.NullNode:
		return "nothing"
	case *ast.MappingNode, *ast.MappingValueNode:
		return "a block of keys"
	case *ast.SequenceNode:
		return "a list"
	case *ast.AnchorNode, *ast.AliasNode, *ast.MergeKeyNode:
		return "an anchor or alias (not read here: write the value out)"
	case *ast.TagNode:
		return "a tag (not read here)"
	default:
		if text, ok := scalar(n); ok {
			return "the value \"" + short(text) + "\""
		}
		return "something unreadable"
	}
}

// short keeps an error line short whatever the file holds.
func short(text string) string {
	const most = 60
	if runes := []rune(text); len(runes) > most {
		return string(runes[:most]) + "…"
	}
	return text
}

// either joins words: "a, b or c".
func either(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	last := len(words) - 1
	return strings.Join(words[:last], ", ") + " or " + words[last]
}

// nearest suggests the known name that is most like the given one, or lists
// them all where none is like it.
func nearest(name string, known []string) string {
	best, least := "", 4
	for _, k := range known {
		if d := distance(strings.ToLower(name), strings.ToLower(k)); d < least && d*2 <= len(k) {
			best, least = k, d
		}
	}
	if best != "" {
		return "did you mean " + best + "?"
	}
	sorted := slices.Clone(known)
	slices.Sort(sorted)
	return "known here: " + strings.Join(sorted, ", ")
}

// distance is how many letters differ (Levenshtein), given up past 40 letters.
func distance(a, b string) int {
	if len(a) > 40 || len(b) > 40 {
		return 40
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := diagonal
			if a[i] != b[j] {
				cost++
			}
			diagonal = row[j+1]
			row[j+1] = min(cost, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
