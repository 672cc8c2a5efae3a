package manifest

import (
	"hash/maphash"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"

	"firmus/fixity"
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

// Clashes finds names in one folder that other systems can't tell from each other
// (RFC 8493, section 6.1.1.3). The zero Clashes is ready for use.
type Clashes struct {
	levels []level
}

type level struct {
	name  string            // of the folder or file we are at
	names map[string]string // folded -> as it is, of all seen in this folder
}

// Add takes in the next path; they come in the order of their bytes. It gives
// the other path that clashes with path, or with a folder on the way to it, "" if there is
// none or it was told before. form says that the two are equal after Unicode
// normalisation alone, without regard to case. In memory are the names of the
// folders on the way to the last path.
func (t *Clashes) Add(path string) (other string, form bool) {
	depth := 0
	for rest, more := path, true; more; depth++ {
		before := path[:len(path)-len(rest)]
		var name string
		name, rest, more = strings.Cut(rest, "/")
		if depth == len(t.levels) {
			t.levels = append(t.levels, level{names: map[string]string{}})
		}
		l := &t.levels[depth]
		if l.name != name {
			f := fold(name)
			if had, ok := l.names[f]; ok && had != name {
				other, form = before+had, text(had) == text(name)
			} else {
				l.names[f] = name
			}
			l.name = name
			t.levels = t.levels[:depth+1]
		}
	}
	return other, form
}

// Names are the names of what lies in a folder, as few bytes each: enough to say of a line
// that nothing it names lies there, in whatever spelling. The zero Names are of an empty
// folder.
type Names struct {
	seed  maphash.Seed
	known map[uint64]struct{}
	stops map[uint64]struct{} // of them, what is no file: nothing below it is followed
}

// Add notes what a listing shows.
func (n *Names) Add(e fixity.Entry) {
	if n.known == nil {
		n.seed, n.known, n.stops = maphash.MakeSeed(), map[uint64]struct{}{}, map[uint64]struct{}{}
	}
	for p := e.Path; p != ""; p = p[:max(strings.LastIndexByte(p, '/'), 0)] {
		h := maphash.String(n.seed, fold(p))
		if _, ok := n.known[h]; ok {
			break // and so are the folders above it
		}
		n.known[h] = struct{}{}
	}
	if e.Type != fixity.File {
		n.stops[maphash.String(n.seed, fold(e.Path))] = struct{}{}
	}
}

// Len is how many names there are, those of folders too.
func (n *Names) Len() int { return len(n.known) }

// May says that a line may name something that lies there.
func (n *Names) May(l Line) bool {
	if n.may(l.Path) {
		return true
	}
	for _, r := range l.Others {
		if n.may(r.Path) {
			return true
		}
	}
	return false
}

func (n *Names) may(p string) bool {
	if n.known == nil {
		return false
	}
	if _, ok := n.known[maphash.String(n.seed, fold(strings.TrimSuffix(p, "/")))]; ok {
		return true
	}
	for i := 0; i < len(p) && len(n.stops) > 0; i++ {
		if p[i] != '/' {
			continue
		}
		if _, ok := n.stops[maphash.String(n.seed, fold(p[:i]))]; ok {
			return true
		}
	}
	return false
}
