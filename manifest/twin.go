package manifest

import (
	"strings"
	"unicode/utf8"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"
)

// text is path in one normalisation form, so that names that differ only by
// form are equal. A path that isn't UTF-8 stays as it is.
func text(path string) string {
	if !utf8.ValidString(path) {
		return path
	}
	return norm.NFC.String(path)
}

// fold is path so that names that differ only by form and case are equal.
func fold(path string) string {
	if plain(path) {
		return strings.ToLower(path)
	}
	if !utf8.ValidString(path) {
		return path
	}
	return norm.NFC.String(cases.Fold().String(norm.NFC.String(path)))
}

func plain(s string) bool {
	for i := range len(s) {
		if s[i] >= utf8.RuneSelf {
			return false
		}
	}
	return true
}

// twins finds names in one folder that other systems can't tell from each other.
// Paths come in the order of their bytes; it holds the names of the folders on
// the way to the last path.
type twins struct {
	levels []level
}

type level struct {
	name  string            // of the folder or file we are at
	names map[string]string // folded -> as it is, of all seen in this folder
}

// add is the path of the twin of path or of a folder on the way to it, "" if
// there is none or it was told before.
func (t *twins) add(path string) string {
	depth, from := 0, 0
	twin := ""
	for from <= len(path) {
		end := len(path)
		if i := strings.IndexByte(path[from:], '/'); i >= 0 {
			end = from + i
		}
		name := path[from:end]
		if depth == len(t.levels) {
			t.levels = append(t.levels, level{names: map[string]string{}})
		}
		l := &t.levels[depth]
		if l.name != name {
			f := fold(name)
			if had, ok := l.names[f]; ok && had != name {
				twin = path[:from] + had
			} else {
				l.names[f] = name
			}
			l.name = name
			t.levels = t.levels[:depth+1]
		}
		depth++
		from = end + 1
	}
	return twin
}
