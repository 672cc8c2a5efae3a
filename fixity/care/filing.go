package care

import (
	"slices"
	"strings"

	"firmus/fixity/expr"
)

// Filing is how a store files a set whose own files are named in another way: the
// fields that both patterns give say which object in the store is which file.
type Filing struct {
	set    Set
	store  *Pattern
	shared []string
}

// Filing is the filing of a set in a store; ok is false if the store files the set
// as it is.
func (r Rules) Filing(store, set string) (f Filing, ok bool) {
	s, _ := r.Store(store)
	p := s.Patterns[set]
	if p == nil {
		return f, false
	}
	f.set, _ = r.Set(set)
	f.store = p
	own := f.set.Pattern.Names()
	if !slices.Contains(own, "item") {
		own = append(own, "item") // the first folder
	}
	for _, n := range p.Names() {
		if slices.Contains(own, n) {
			f.shared = append(f.shared, n)
		}
	}
	return f, true
}

// Identifies says that the shared fields tell files apart: an item or a barcode is
// among them. If not, only bytes tell which object is which file: a barcode, say,
// that stands nowhere but in the store's names.
func (f Filing) Identifies() bool {
	return slices.Contains(f.shared, "item") || slices.Contains(f.shared, "barcode")
}

// Words says by what files are told apart.
func (f Filing) Words() string {
	if f.Identifies() {
		return "files are told by " + strings.Join(f.shared, ", ") + " in their names"
	}
	return "its names say neither the item nor a barcode that the set's names say too: files are told by their digest at first sight, then by their names"
}

// OfFile is what a file's path in the set says in the shared fields, in one form;
// ok is false if it says nothing of them.
func (f Filing) OfFile(path string) (key string, ok bool) {
	x := f.set.FieldsOf(path)
	if _, fits := f.set.Pattern.Fields(path); !fits && !slices.Equal(f.shared, []string{"item"}) && len(f.shared) > 0 {
		return "", false // the first folder alone doesn't say side or track
	}
	return f.key(x)
}

// twice is what a store's listing adds to a name that comes more than once in a
// folder, as it may with services.
var twice = expr.Once(` \[id:[^\]/]*\]\+*`)

// OfObject is what the path of an object in the store says in the shared fields; ok
// is false if the store's pattern doesn't fit it.
func (f Filing) OfObject(at string) (key string, ok bool) {
	x, fits := f.store.Fields(twice().ReplaceAllString(at, ""))
	if !fits {
		return "", false
	}
	return f.key(x)
}

// Holds says that a file's copy may lie at a place in the store.
func (f Filing) Holds(path, at string) bool {
	a, ok := f.OfFile(path)
	if !ok {
		return false
	}
	b, ok := f.OfObject(at)
	return ok && a == b
}

func (f Filing) key(x Fields) (string, bool) {
	var b strings.Builder
	said := len(f.shared) == 0
	for _, n := range f.shared {
		v := *x.of(n)
		said = said || v != ""
		if n == "track" {
			v = strings.TrimLeft(v, "0") // 3 and 03 are one track
		}
		b.WriteString(n + "=" + strings.ToLower(v) + "/")
	}
	return b.String(), said
}
