package disco

import (
	"fmt"
	"strings"
)

// Mask is a parsed "fields" parameter (guide "Return specific fields": a/b, a(b,c),
// *). An empty Mask selects all below it.
type Mask map[string]Mask

// ParseMask reads a "fields" parameter.
func ParseMask(s string) (Mask, error) {
	p := &maskParser{s: s}
	m, err := p.list()
	if err != nil {
		return nil, err
	}
	if p.i != len(p.s) {
		return nil, fmt.Errorf("unexpected %q at %d", p.s[p.i:], p.i)
	}
	return m, nil
}

type maskParser struct {
	s string
	i int
}

func (p *maskParser) at(c byte) bool {
	if p.i < len(p.s) && p.s[p.i] == c {
		p.i++
		return true
	}
	return false
}

func (p *maskParser) list() (Mask, error) {
	m := Mask{}
	for {
		if err := p.item(m); err != nil {
			return nil, err
		}
		if !p.at(',') {
			return m, nil
		}
	}
}

func (p *maskParser) item(m Mask) error {
	j := p.i
	for j < len(p.s) && !strings.ContainsRune("/(), ", rune(p.s[j])) {
		j++
	}
	if j == p.i {
		return fmt.Errorf("name expected at %d", p.i)
	}
	name := p.s[p.i:j]
	p.i = j
	sub := m[name]
	if sub == nil {
		sub = Mask{}
		m[name] = sub
	}
	switch {
	case p.at('/'):
		return p.item(sub)
	case p.at('('):
		l, err := p.list()
		if err != nil {
			return err
		}
		if !p.at(')') {
			return fmt.Errorf("missing ) at %d", p.i)
		}
		for k, v := range l {
			sub[k] = v
		}
	}
	return nil
}

// Mask is the selectors of m that name no property of the schema.
func (d *Document) Mask(m Mask, s *Schema) (bad []string) {
	d.mask(m, s, "", &bad)
	return bad
}

func (d *Document) mask(m Mask, s *Schema, at string, bad *[]string) {
	s = d.resolve(s)
	for s != nil && s.Type == "array" {
		s = d.resolve(s.Items)
	}
	for k, sub := range m {
		if k == "*" {
			continue
		}
		var p *Schema
		if s != nil {
			if p = s.Properties[k]; p == nil {
				p = s.AdditionalProperties
			}
		}
		if p == nil {
			*bad = append(*bad, fmt.Sprintf("no property %q", at+k))
			continue
		}
		d.mask(sub, p, at+k+"/", bad)
	}
}

// Apply keeps of a JSON value what the mask selects.
func (m Mask) Apply(v any) any {
	if _, all := m["*"]; all || len(m) == 0 {
		return v
	}
	switch x := v.(type) {
	case map[string]any:
		out := map[string]any{}
		for k, sub := range m {
			if y, ok := x[k]; ok {
				out[k] = sub.Apply(y)
			}
		}
		return out
	case []any:
		out := make([]any, len(x))
		for i := range x {
			out[i] = m.Apply(x[i])
		}
		return out
	}
	return v
}
