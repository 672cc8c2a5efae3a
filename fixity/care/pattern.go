package care

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"firmus/fixity/expr"
)

// Fields are what a path says of the recording in it, by a pattern; "" is not said.
type Fields struct{ Item, Barcode, Side, Track string }

// fieldForms says what a field of a template may hold. All but the item are narrow,
// so that a name is never cut in two ways.
var fieldForms = map[string]string{
	"item":    `[^/]+`,
	"barcode": `[0-9A-Za-z-]+`,
	"side":    `[0-9A-Za-z]+`,
	"track":   `[0-9]+`,
}

// FieldNames are the fields that a pattern may have.
var FieldNames = []string{"item", "barcode", "side", "track"}

// UnknownField is the error of a pattern that names a field there isn't.
type UnknownField struct{ Name string }

// Error says which, and what there is.
func (e UnknownField) Error() string {
	return fmt.Sprintf("there is no field %q: a pattern may have item, barcode, side and track", e.Name)
}

// Pattern finds fields in the path of a file. It is one of
//
//   - a template, {item}/{item}_{side}[_{track}].wav: fields in braces, parts that
//     may be lacking in square brackets, all else as it stands, without regard to
//     case. A field that comes twice must be the same twice. Where a name can be cut
//     in two ways the item is the shorter one. Without a slash it is of the file's
//     name, in whatever folder it lies; with one, of the whole path.
//   - a regular expression (RE2) over the path, with named groups, (?P<item>…);
//   - a regular expression with one group and no names: the item.
type Pattern struct {
	res   []*regexp.Regexp // of the same groups; the first that fits gives the fields
	names []string         // of the groups, as in SubexpNames; "" for one that is no field
	base  bool             // of the last name in the path
}

var (
	// notTemplate are the braces that regular expressions have after letters.
	notTemplate = expr.Once(`\\[pPx]\{[^}]*\}`)
	aField      = expr.Once(`\{[A-Za-z_]*\}`)
)

// NewPattern reads a pattern. Errors say what is wrong with it, in words; one about
// a field that there isn't is an UnknownField.
func NewPattern(text string) (*Pattern, error) {
	if aField().MatchString(notTemplate().ReplaceAllString(text, "")) {
		return newTemplate(text)
	}
	re, err := regexp.Compile(text)
	if err != nil {
		return nil, fmt.Errorf("it is not a regular expression: %w", err)
	}
	p := &Pattern{res: []*regexp.Regexp{re}, names: re.SubexpNames()}
	named := slices.ContainsFunc(p.names, func(n string) bool { return n != "" })
	if !named && re.NumSubexp() != 1 {
		return nil, errors.New("it must have one group in round brackets, the item, or named fields such as {item}_{side}.wav")
	}
	if !named {
		p.names = []string{"", "item"}
		return p, nil
	}
	for i, n := range p.names[1:] {
		if n == "" {
			return nil, fmt.Errorf("its group %d has no name: (?:…) is a group that is no field", i+1)
		}
		if fieldForms[n] == "" {
			return nil, UnknownField{n}
		}
	}
	return p, nil
}

func newTemplate(text string) (*Pattern, error) {
	p := &Pattern{names: []string{""}, base: !strings.Contains(text, "/")}
	re, open, after := `(?i)^`, false, false // inside brackets; right after a field
	for rest := text; rest != ""; {
		switch c := rest[0]; c {
		case '{':
			name, more, closed := strings.Cut(rest[1:], "}")
			switch {
			case !closed:
				return nil, errors.New("a { has no }")
			case fieldForms[name] == "":
				return nil, UnknownField{name}
			case after:
				return nil, fmt.Errorf("nothing stands between {%s} and the field before it, so they can't be told apart", name)
			}
			re, rest, after = re+"("+fieldForms[name]+")", more, true
			p.names = append(p.names, name)
		case '[':
			if open {
				return nil, errors.New("a [ stands inside another")
			}
			re, rest, open = re+"(?:", rest[1:], true
		case ']':
			if !open {
				return nil, errors.New("a ] has no [")
			}
			re, rest, open = re+")?", rest[1:], false
		case '}':
			return nil, errors.New("a } has no {")
		default:
			end := strings.IndexAny(rest, "{}[]")
			if end < 0 {
				end = len(rest)
			}
			re, rest, after = re+regexp.QuoteMeta(rest[:end]), rest[end:], false
		}
	}
	if open {
		return nil, errors.New("a [ has no ]")
	}
	// Where a field that comes twice isn't the same in the first way to cut the name,
	// it may be in the other.
	for _, re := range []string{strings.ReplaceAll(re, "("+fieldForms["item"]+")", "("+fieldForms["item"]+"?)"), re} {
		c, err := regexp.Compile(re + `$`)
		if err != nil {
			return nil, err
		}
		p.res = append(p.res, c)
	}
	return p, nil
}

// Names are the fields that the pattern gives, each once, in the order of FieldNames.
func (p *Pattern) Names() []string {
	if p == nil {
		return nil
	}
	return slices.DeleteFunc(slices.Clone(FieldNames), func(n string) bool { return !slices.Contains(p.names, n) })
}

// Fields are those of a path; ok is false if the pattern doesn't fit it. A nil
// Pattern fits nothing.
func (p *Pattern) Fields(at string) (f Fields, ok bool) {
	if p == nil {
		return f, false
	}
	if p.base {
		at = at[strings.LastIndex(at, "/")+1:]
	}
	for _, re := range p.res {
		if f, ok = p.fields(re.FindStringSubmatch(at)); ok {
			break
		}
	}
	return f, ok
}

func (p *Pattern) fields(m []string) (f Fields, ok bool) {
	if m == nil {
		return f, false
	}
	for i, n := range p.names {
		v := f.of(n)
		switch {
		case v == nil || m[i] == "":
		case *v != "" && !strings.EqualFold(*v, m[i]):
			return Fields{}, false
		case *v == "":
			*v = m[i]
		}
	}
	return f, true
}

func (f *Fields) of(name string) *string {
	switch name {
	case "item":
		return &f.Item
	case "barcode":
		return &f.Barcode
	case "side":
		return &f.Side
	case "track":
		return &f.Track
	}
	return nil
}

// FieldsOf are the fields of a path in the set: those of its pattern, and where that
// says no item, the first folder as the item.
func (s Set) FieldsOf(at string) Fields {
	f, _ := s.Pattern.Fields(at)
	if f.Item == "" {
		if item, _, found := strings.Cut(at, "/"); found {
			f.Item = item
		}
	}
	return f
}

// ItemOf is the item that a path of the set belongs to; "" if nothing says it.
func (s Set) ItemOf(at string) string { return s.FieldsOf(at).Item }
