package config

import (
	"bytes"
	"cmp"
	"errors"
	"slices"
	"strings"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
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
		return nil, p
	}
	return build("", nil, m, places(text)), nil
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
// where it is first named. The text has been read as TOML already.
func places(text []byte) map[string]place {
	at := map[string]place{}
	var p unstable.Parser
	p.Reset(text)
	// mark records the keys of it below path, and returns the path of the last.
	mark := func(path []string, it unstable.Iterator, header bool) []string {
		for it.Next() {
			k := it.Node()
			path = append(slices.Clip(path), string(k.Data))
			if _, known := at[join(path)]; !known || header && it.IsLast() {
				start := p.Shape(k.Raw).Start
				at[join(path)] = place{start.Line, start.Column}
			}
		}
		return path
	}
	var pair func(table []string, kv *unstable.Node)
	pair = func(table []string, kv *unstable.Node) {
		path := mark(table, kv.Key(), false)
		if v := kv.Value(); v.Kind == unstable.InlineTable {
			for it := v.Children(); it.Next(); {
				pair(path, it.Node())
			}
		}
	}
	var table []string
	for p.NextExpression() {
		switch e := p.Expression(); e.Kind {
		case unstable.Table, unstable.ArrayTable:
			table = mark(nil, e.Key(), true)
		case unstable.KeyValue:
			pair(table, e)
		}
	}
	return at
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
