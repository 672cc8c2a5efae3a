package report

import (
	"path"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Step is one thing that a person should do.
type Step struct {
	Text  Saying // what to do; ends with a colon if places follow
	Lines []Line // in the order in which they are needed
	Then  Saying // what comes after; may be empty
}

// Line is a whole path with the word that says what it is for. It stands on a line
// of its own and is never broken or cut: it is there to be found, copied and compared.
type Line struct{ Label, Path string }

// Labels of places. FROM and TO always stand together: whoever copies must not have to
// guess which of two places is which.
const (
	from = "FROM"
	to   = "TO"
	or   = "OR FROM" // another good copy
)

// Rows are the places as lines of text, the paths one below the other.
func (s Step) Rows() []string {
	width := 0
	for _, l := range s.Lines {
		width = max(width, utf8.RuneCountInString(l.Label))
	}
	var out []string
	for _, l := range s.Lines {
		out = append(out, l.Label+strings.Repeat(" ", width-utf8.RuneCountInString(l.Label))+"  "+ShowPlace(l.Path))
	}
	return out
}

// String is the step with its places on lines of their own.
func (s Step) String() string {
	lines := append([]string{s.Text.String()}, s.Rows()...)
	if len(s.Then) > 0 {
		lines = append(lines, s.Then.String())
	}
	return strings.Join(lines, "\n")
}

// Texts are steps as JSON has them: a text each, places on lines of their own.
func Texts(steps []Step) []string {
	out := []string{}
	for _, s := range steps {
		out = append(out, s.String())
	}
	return out
}

// say is a step that names no place.
func say(parts ...any) Step { return Step{Text: text(parts...)} }

// thenRead has a store read after a step.
func thenRead(store string) Saying {
	return text("Then ", Order{Act: ReadStore, Stores: []string{store}, Run: true})
}

// ShowPlace is a whole path for a person: as the system writes it, quoted only where it
// holds what can't be seen or would disturb a terminal.
func ShowPlace(p string) string {
	seen := utf8.ValidString(p) && strings.TrimSpace(p) == p && !strings.ContainsFunc(p, func(r rune) bool { return !strconv.IsPrint(r) })
	if seen {
		return p
	}
	return strconv.Quote(p)
}

// Where says where things lie. The zero value knows no folders: then a place is told by
// its store and set.
type Where struct {
	// Path is the whole path of a place in a store's set, as the person's own system
	// writes it; in a cloud store the service and the path in its folder. "" is the set's
	// own folder.
	Path func(store, set, at string) string
	// Aside is a folder outside every store, in which a damaged file of the store's set
	// is kept; "" if none is known.
	Aside func(store, set string) string
}

func (w Where) path(store, set, at string) string {
	if w.Path != nil {
		return w.Path(store, set, at)
	}
	return path.Join(store, set, at)
}

// aside is where a file of the store's set is kept, under a name that no other finding's
// file has.
func (w Where) aside(store, set, at, name string) string {
	folder := ""
	if w.Aside != nil {
		folder = w.Aside(store, set)
	}
	name += "_" + path.Base(at)
	if folder == "" {
		return "a folder outside all stores, as " + name
	}
	sep := "/"
	if strings.Contains(folder, `\`) && !strings.Contains(folder, "/") {
		sep = `\`
	}
	return strings.TrimSuffix(folder, sep) + sep + name
}

// has says that an equal step is among steps.
func has(steps []Step, s Step) bool {
	return slices.ContainsFunc(steps, func(o Step) bool { return o.String() == s.String() })
}
