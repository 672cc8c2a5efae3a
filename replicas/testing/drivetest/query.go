package drivetest

import (
	"fmt"
	"strings"
)

// query is a parsed q parameter of files.list, as much of the language as an
// auditor needs (guide "Search query terms and operators"). Anything else is
// refused.
type query struct {
	holds   func(*tree, *node) bool
	parents []string // if not nil: all that the query can find lies in one of these
}

// candidates are the things that a query may find, in the order in which they came.
func (t *tree) candidates(q query) []*node {
	if q.parents == nil {
		return t.order
	}
	var all []*node
	seen := map[string]bool{}
	for _, p := range q.parents {
		if !seen[p] {
			seen[p] = true
			all = append(all, t.kids[p]...)
		}
	}
	sortBySeq(all)
	return all
}

type token struct{ kind, text string } // kind: word, text, op, ( or )

func lex(q string) ([]token, error) {
	var out []token
	for i := 0; i < len(q); {
		c := q[i]
		switch {
		case c == ' ':
			i++
		case c == '(' || c == ')':
			out = append(out, token{string(c), string(c)})
			i++
		case c == '\'':
			text, n, err := lexText(q[i+1:])
			if err != nil {
				return nil, err
			}
			out = append(out, token{"text", text})
			i += n + 1
		case c == '=' || c == '!':
			j := i + 1
			if c == '!' {
				j++
			}
			out = append(out, token{"op", q[i:min(j, len(q))]})
			i = j
		default:
			j := i
			for j < len(q) && (q[j] >= 'a' && q[j] <= 'z' || q[j] >= 'A' && q[j] <= 'Z') {
				j++
			}
			if j == i {
				return nil, fmt.Errorf("unexpected %q", c)
			}
			out = append(out, token{"word", q[i:j]})
			i = j
		}
	}
	return out, nil
}

// lexText reads a string up to its closing quote, and how long it was.
func lexText(q string) (string, int, error) {
	var b strings.Builder
	for i := 0; i < len(q); i++ {
		switch q[i] {
		case '\'':
			return b.String(), i + 1, nil
		case '\\':
			if i++; i == len(q) || q[i] != '\'' && q[i] != '\\' {
				return "", 0, fmt.Errorf("bad escape")
			}
			b.WriteByte(q[i])
		default:
			b.WriteByte(q[i])
		}
	}
	return "", 0, fmt.Errorf("unterminated string")
}

func parseQuery(q string) (query, error) {
	if q == "" {
		return query{holds: func(*tree, *node) bool { return true }}, nil
	}
	tokens, err := lex(q)
	if err != nil {
		return query{}, err
	}
	p := &queryParser{tokens: tokens}
	out, err := p.or()
	if err == nil && len(p.tokens) > 0 {
		err = fmt.Errorf("unexpected %q", p.tokens[0].text)
	}
	// The real service has a limit that is written nowhere; this is ours.
	if len(out.parents) > 100 {
		err = fmt.Errorf("the query is too complex")
	}
	return out, err
}

type queryParser struct{ tokens []token }

func (p *queryParser) next() token {
	if len(p.tokens) == 0 {
		return token{}
	}
	t := p.tokens[0]
	p.tokens = p.tokens[1:]
	return t
}

func (p *queryParser) word(w string) bool {
	if len(p.tokens) > 0 && p.tokens[0] == (token{"word", w}) {
		p.tokens = p.tokens[1:]
		return true
	}
	return false
}

func (p *queryParser) or() (query, error) {
	a, err := p.and()
	for err == nil && p.word("or") {
		var b query
		if b, err = p.and(); err != nil {
			break
		}
		l, r := a.holds, b.holds
		a.holds = func(t *tree, n *node) bool { return l(t, n) || r(t, n) }
		if a.parents == nil || b.parents == nil {
			a.parents = nil
		} else {
			a.parents = append(a.parents, b.parents...)
		}
	}
	return a, err
}

func (p *queryParser) and() (query, error) {
	a, err := p.one()
	for err == nil && p.word("and") {
		var b query
		if b, err = p.one(); err != nil {
			break
		}
		l, r := a.holds, b.holds
		a.holds = func(t *tree, n *node) bool { return l(t, n) && r(t, n) }
		if a.parents == nil {
			a.parents = b.parents
		}
	}
	return a, err
}

func (p *queryParser) one() (query, error) {
	t := p.next()
	switch {
	case t.kind == "(":
		a, err := p.or()
		if err == nil && p.next().kind != ")" {
			err = fmt.Errorf("missing )")
		}
		return a, err
	case t.kind == "text":
		if !p.word("in") || !p.word("parents") {
			return query{}, fmt.Errorf("only 'id' in parents is understood")
		}
		id := t.text
		if id == "root" {
			id = Root
		}
		return query{holds: func(_ *tree, n *node) bool { return n.parent == id }, parents: []string{id}}, nil
	case t == token{"word", "trashed"}:
		op, v := p.next(), p.next()
		if op.kind != "op" || op.text != "=" && op.text != "!=" || v.text != "true" && v.text != "false" {
			return query{}, fmt.Errorf("trashed wants = true or = false")
		}
		want := (v.text == "true") == (op.text == "=")
		return query{holds: func(t *tree, n *node) bool { return t.inBin(n) == want }}, nil
	}
	return query{}, fmt.Errorf("query term %q is not understood here", t.text)
}
