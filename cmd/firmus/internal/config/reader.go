package config

import (
	"encoding"
	"fmt"
	"maps"
	"slices"
	"strings"
	"unicode"

	"firmus/fixity/spelling"
)

// reader turns the tree into a Config and gathers what is wrong with it.
type reader struct {
	root     *node
	problems []Problem
}

// fields says what to do with each key that a table may have.
type fields map[string]func(*node)

func (r *reader) fail(at place, format string, args ...any) {
	r.problems = append(r.problems, Problem{Line: at.line, Column: at.column, Message: fmt.Sprintf(format, args...)})
}

// suggest adds to the problem told last what was probably meant.
func (r *reader) suggest(got string, names []string) {
	r.problems[len(r.problems)-1].Suggestion = spelling.Nearest(got, names)
}

// at is where the key stands, or else the nearest table around it.
func (r *reader) at(path ...string) place {
	for ; len(path) > 0; path = path[:len(path)-1] {
		if n := r.root.find(path...); n != nil {
			return n.at
		}
	}
	return place{1, 1}
}

// table reads the keys of n, and tells of each that isn't among f.
func (r *reader) table(n *node, f fields) {
	for _, b := range n.below {
		if read, ok := f[b.key]; ok {
			read(b)
			continue
		}
		known := slices.Sorted(maps.Keys(f))
		if home := home(b.key); home != "" && spelling.Nearest(b.key, known) == "" {
			r.fail(b.at, "unknown key %q: it belongs %s", b.key, home)
			continue
		}
		r.fail(b.at, "unknown key %q", b.key)
		r.suggest(b.key, known)
	}
}

// section reads a table called by its own name.
func (r *reader) section(f func() fields) func(*node) {
	return func(n *node) {
		if !n.table {
			r.fail(n.at, "%s must be a table, [%s]", n.key, n.key)
			return
		}
		r.table(n, f())
	}
}

// named reads the tables [key.NAME].
func (r *reader) named(read func(*node)) func(*node) {
	return func(n *node) {
		if !n.table {
			r.fail(n.at, "%s must be tables, [%s.NAME]", n.key, n.key)
			return
		}
		for _, b := range n.below {
			if !b.table {
				r.fail(b.at, "%s.%s must be a table, [%s.NAME]", n.key, b.key, n.key)
				continue
			}
			r.name(n.key, b)
			read(b)
		}
	}
}

// name refuses what can't be part of a file's name on every system: the names go
// into those of markers and locks.
func (r *reader) name(what string, n *node) {
	ok := n.key != "" && len(n.key) <= 40 && n.key[0] != '-' && n.key[0] != '_'
	for _, c := range n.key {
		ok = ok && (c >= 'a' && c <= 'z' || c >= '0' && c <= '9' || c == '-' || c == '_')
	}
	if !ok {
		r.fail(n.at, "%q can't be the name of a %s: up to 40 of a-z, 0-9, - and _, beginning with a letter or digit", n.key, what)
		return
	}
	stem := strings.TrimRight(n.key, "0123456789")
	if slices.Contains([]string{"con", "prn", "aux", "nul"}, n.key) || (stem == "com" || stem == "lpt") && len(n.key) == 4 {
		r.fail(n.at, "%q can't be the name of a %s: it is the name of a device on Windows", n.key, what)
	}
}

// asText is the text of n; it is told if n is none, or one that can't be meant.
func (r *reader) asText(n *node, like string) (string, bool) {
	s, ok := n.value.(string)
	switch {
	case !ok && like != "":
		r.fail(n.at, "%s must be a text in quotes, such as %q", n.key, like)
	case !ok:
		r.fail(n.at, "%s must be a text in quotes", n.key)
	case strings.TrimSpace(s) == "":
		r.fail(n.at, "%s must not be empty", n.key)
	case len(s) > 2 && s[1] == ':' && strings.ContainsFunc(s, unicode.IsControl):
		r.fail(n.at, "%s: in double quotes a \"\\\" begins a code. %s", n.key, windowsPath)
	case strings.ContainsFunc(s, unicode.IsControl):
		r.fail(n.at, "%s must not hold control characters such as a line's end", n.key)
	default:
		return s, true
	}
	return "", false
}

func (r *reader) text(to *string) func(*node) {
	return func(n *node) {
		if s, ok := r.asText(n, ""); ok {
			*to = s
		}
	}
}

func (r *reader) boolean(to *bool) func(*node) {
	return func(n *node) {
		v, ok := n.value.(bool)
		if !ok {
			r.fail(n.at, "%s must be true or false, without quotes", n.key)
			return
		}
		*to = v
	}
}

func (r *reader) count(to *int) func(*node) {
	return func(n *node) {
		v, ok := n.value.(int64)
		if !ok || v < 1 || v > 100 {
			r.fail(n.at, "%s must be a whole number from 1 to 100", n.key)
			return
		}
		*to = int(v)
	}
}

// unit reads a text of its own form, such as a duration. like is an example.
func (r *reader) unit(to encoding.TextUnmarshaler, like string) func(*node) {
	return func(n *node) {
		if s, ok := r.asText(n, like); ok {
			if err := to.UnmarshalText([]byte(s)); err != nil {
				r.fail(n.at, "%s: %v", n.key, err)
			}
		}
	}
}

// promise reads a duration that can't be 0.
func (r *reader) promise(to *Duration, like string) func(*node) {
	return func(n *node) {
		before := len(r.problems)
		if r.unit(to, like)(n); *to == 0 && len(r.problems) == before {
			r.fail(n.at, "%s must be longer than 0", n.key)
		}
	}
}

// texts reads a list of texts.
func (r *reader) texts(each func(n *node, s string)) func(*node) {
	return func(n *node) {
		list, ok := n.value.([]any)
		if !ok {
			r.fail(n.at, "%s must be a list of texts, [\"…\", \"…\"]", n.key)
			return
		}
		for _, v := range list {
			if s, ok := r.asText(&node{key: n.key, at: n.at, value: v}, ""); ok {
				each(n, s)
			}
		}
	}
}

// choice reads one of some words; set is called with no other.
func (r *reader) choice(set func(string), words ...string) func(*node) {
	return func(n *node) {
		s, ok := r.asText(n, words[0])
		if !ok {
			return
		}
		if !slices.Contains(words, s) {
			r.fail(n.at, "%s must be %s, not %q", n.key, either(words), s)
			r.suggest(s, words)
			return
		}
		set(s)
	}
}

// either joins words: "a", "b" or "c".
func either(words []string) string {
	var b strings.Builder
	for i, w := range words {
		switch {
		case i > 0 && i == len(words)-1:
			b.WriteString(" or ")
		case i > 0:
			b.WriteString(", ")
		}
		fmt.Fprintf(&b, "%q", w)
	}
	return b.String()
}
