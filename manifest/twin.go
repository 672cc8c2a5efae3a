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

// Twins finds names in one folder that other systems can't tell from each other
// (RFC 8493, section 6.1.1.3). The zero Twins is ready for use.
type Twins struct {
	levels []level
}

type level struct {
	name  string            // of the folder or file we are at
	names map[string]string // folded -> as it is, of all seen in this folder
}

// Add takes in the next path; they come in the order of their bytes. It gives
// the path of the twin of path, or of a folder on the way to it, "" if there is
// none or it was told before. form says that the two are equal after Unicode
// normalisation alone, without regard to case. In memory are the names of the
// folders on the way to the last path.
func (t *Twins) Add(path string) (twin string, form bool) {
	depth, from := 0, 0
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
				twin, form = path[:from]+had, text(had) == text(name)
			} else {
				l.names[f] = name
			}
			l.name = name
			t.levels = t.levels[:depth+1]
		}
		depth++
		from = end + 1
	}
	return twin, form
}
