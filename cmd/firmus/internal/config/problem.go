package config

import (
	"fmt"
	"strings"
)

// Problem is one thing that is wrong with a configuration file.
type Problem struct {
	File         string // as it was named to Load
	Line, Column int    // from 1; bytes
	Message      string
	Suggestion   string // what was probably meant; "" if there is nothing near
}

// Error is the problem as a person reads it:
//
//	firmus.toml:12:3: unknown key "read_witin" (did you mean "read_within"?)
func (p Problem) Error() string {
	s := fmt.Sprintf("%s:%d:%d: %s", p.File, p.Line, p.Column, p.Message)
	if p.Suggestion != "" {
		s += fmt.Sprintf(" (did you mean %q?)", p.Suggestion)
	}
	return s
}

// Error is all that is wrong with a configuration file, in the file's order. It is
// never empty.
type Error struct{ Problems []Problem }

// Error gives each problem a line.
func (e *Error) Error() string {
	lines := make([]string, len(e.Problems))
	for i, p := range e.Problems {
		lines[i] = p.Error()
	}
	return strings.Join(lines, "\n")
}
