package config

import (
	"bytes"
	"cmp"
	"errors"
	"slices"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2"

	"firmus/fixity/expr"
)

// place is a line and column of the file, from 1.
type place struct{ line, column int }

// node is a key of the file with its value: a string, int64, float64, bool, time,
// []any, or a table, whose keys are below it.
type node struct {
	key   string
	at    place
	value any     // nil for a table
	table bool    // the value is a table
	below []*node // in the file's order
}

// parse reads the text as a tree. The only Problem that it can have is that it
// isn't TOML; at most one is told, for what follows a slip of the pen means little.
func parse(text []byte) (*node, *Problem) {
	text = bytes.TrimPrefix(text, []byte("\xef\xbb\xbf")) // some editors write a byte order mark
	var m map[string]any
	if err := toml.Unmarshal(text, &m); err != nil {
		p := &Problem{Line: 1, Column: 1, Message: strings.TrimPrefix(err.Error(), "toml: ")}
		var d *toml.DecodeError
		if errors.As(err, &d) {
			p.Line, p.Column = d.Position()
		}
		p.Message = "not TOML: " + p.Message
		if backslashed(text, p.Line) {
			p.Message = `not TOML: in double quotes a "\" begins a code. ` + windowsPath
		}
		return nil, p
	}
	return build("", nil, m, places(text)), nil
}

// windowsPath says how to write what TOML takes for codes.
const windowsPath = `Write a Windows path in single quotes: 'D:\studio\masters'`

// backslashed says that a line of the text holds a "\" in double quotes.
func backslashed(text []byte, line int) bool {
	lines := bytes.Split(text, []byte("\n"))
	if line > len(lines) {
		return false
	}
	for i, part := range bytes.Split(lines[line-1], []byte(`"`)) {
		if i%2 == 1 && bytes.IndexByte(part, '\\') >= 0 {
			return true
		}
	}
	return false
}

func build(key string, path []string, v any, at map[string]place) *node {
	n := &node{key: key, at: at[join(path)], value: v}
	if n.at == (place{}) {
		n.at = place{1, 1}
	}
	if m, ok := v.(map[string]any); ok {
		n.value, n.table = nil, true
		for k, v := range m {
			n.below = append(n.below, build(k, append(slices.Clip(path), k), v, at))
		}
		slices.SortFunc(n.below, func(a, b *node) int {
			return cmp.Or(a.at.line-b.at.line, a.at.column-b.at.column, strings.Compare(a.key, b.key))
		})
	}
	return n
}

// join makes one string of a key's path; no two paths give the same.
func join(path []string) string {
	var b strings.Builder
	for _, k := range path {
		b.WriteString(strings.ReplaceAll(strings.ReplaceAll(k, "\\", "\\\\"), ".", "\\."))
		b.WriteByte('.')
	}
	return b.String()
}

// places finds where each key stands: a table at its header, if it has one, or else
// where it is first named. The text has been read as TOML already, so it is cut into
// expressions: each is the fewest lines that are TOML by themselves.
func places(text []byte) map[string]place {
	at := map[string]place{}
	lines := bytes.SplitAfter(text, []byte("\n"))
	var table []string
	for i, n := 0, 0; i < len(lines); i += n {
		for n = 1; i+n < len(lines) && toml.Unmarshal(bytes.Join(lines[i:i+n], nil), new(map[string]any)) != nil; n++ {
		}
		x := expression{bytes.Join(lines[i:i+n], nil), i + 1, at}
		var m map[string]any
		_ = toml.Unmarshal(x.text, &m) // it is TOML, as the text is
		if len(m) > 0 && bytes.HasPrefix(bytes.TrimSpace(x.text), []byte("[")) {
			table = x.mark(nil, m, 0, true)
		} else {
			x.mark(table, m, 0, false)
		}
	}
	return at
}

// expression is a header, or a key with its value.
type expression struct {
	text []byte
	line int // of its beginning
	at   map[string]place
}

// mark notes where the keys of m stand, which are below path, and gives the path of the
// last. Tables in arrays are not looked into.
func (x expression) mark(path []string, m map[string]any, from int, header bool) (last []string) {
	for k, v := range m {
		own := append(slices.Clip(path), k)
		last = own
		below, _ := v.(map[string]any)
		start, end := x.key(k, from)
		if _, known := x.at[join(own)]; !known || header && len(below) == 0 {
			before := x.text[:start]
			x.at[join(own)] = place{x.line + bytes.Count(before, []byte("\n")), start - bytes.LastIndexByte(before, '\n')}
		}
		if len(below) > 0 {
			last = x.mark(own, below, end, header)
		}
	}
	return last
}

// words of TOML: comments, strings of four kinds, and bare keys; and what follows a key.
var (
	word   = expr.Once(`(?s)#[^\n]*|""".*?"""|\'\'\'.*?\'\'\'|"(?:\\.|[^"\\\n])*"|'[^'\n]*'|[A-Za-z0-9_-]+`)
	behind = expr.Once(`^[ \t]*[.=\]]`)
)

// key is where a key stands, at or behind from, and ends; from itself if it isn't found.
func (x expression) key(name string, from int) (start, end int) {
	for _, w := range word().FindAllIndex(x.text[from:], -1) {
		raw := string(x.text[from+w[0] : from+w[1]])
		is := raw == name || raw == "'"+name+"'"
		if q, err := strconv.Unquote(raw); err == nil && raw[0] == '"' {
			is = q == name
		}
		if is && behind().Match(x.text[from+w[1]:]) {
			return from + w[0], from + w[1]
		}
	}
	return from, from
}

// find goes down the keys, nil if the file has no such key.
func (n *node) find(path ...string) *node {
	for _, k := range path {
		i := slices.IndexFunc(n.below, func(b *node) bool { return b.key == k })
		if i < 0 {
			return nil
		}
		n = n.below[i]
	}
	return n
}
