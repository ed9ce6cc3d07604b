package configs

import (
	"fmt"
	"strings"
)

// Problem is one thing that is wrong in a configuration file: where, what,
// and what would be right.
type Problem struct {
	File   string // empty where the reader has no name
	Line   int    // from 1
	Column int    // from 1
	Path   string // "units.AU-7.tank.diameter"; empty for the file as a whole
	What   string // what is wrong
	Want   string // what would be right
}

func (p Problem) Error() string {
	file := p.File
	if file == "" {
		file = "configuration"
	}
	where := fmt.Sprintf("%s:%d:%d: ", file, p.Line, p.Column)
	if p.Path != "" {
		where += p.Path + ": "
	}
	if p.Want == "" {
		return where + p.What
	}
	return where + p.What + "; " + p.Want
}

// Problems is everything that is wrong in a file, in the order of its lines.
// Parse gives it as its error; errors.As finds it.
type Problems []Problem

func (p Problems) Error() string {
	lines := make([]string, len(p))
	for i := range p {
		lines[i] = p[i].Error()
	}
	return strings.Join(lines, "\n")
}
