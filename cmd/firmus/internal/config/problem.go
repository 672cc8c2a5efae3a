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

// nearest is the name that was probably meant by got, "" if none is near: at most
// one slip in four characters, and never more than three.
func nearest(got string, names []string) string {
	best, least := "", min(3, max(1, len(got)/4))+1
	for _, name := range names {
		if d := slips(strings.ToLower(got), name); d < least && d < len(name) {
			best, least = name, d
		}
	}
	return best
}

// slips counts the characters to change, put in, take out or swap with the next to
// make b from a, each place touched once (optimal string alignment).
func slips(a, b string) int {
	x, y := []rune(a), []rune(b)
	d := make([][]int, len(x)+1)
	for i := range d {
		d[i] = make([]int, len(y)+1)
		d[i][0] = i
	}
	for j := range y {
		d[0][j+1] = j + 1
	}
	for i := range x {
		for j := range y {
			cost := 1
			if x[i] == y[j] {
				cost = 0
			}
			d[i+1][j+1] = min(d[i][j+1]+1, d[i+1][j]+1, d[i][j]+cost)
			if i > 0 && j > 0 && x[i] == y[j-1] && x[i-1] == y[j] {
				d[i+1][j+1] = min(d[i+1][j+1], d[i-1][j-1]+1)
			}
		}
	}
	return d[len(x)][len(y)]
}
