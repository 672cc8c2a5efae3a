package disco

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Request is every way in which r departs from the document, and the method it
// addresses (nil if none).
func (d *Document) Request(r *http.Request) (m *Method, bad []string) {
	m, vars := d.Match(r.Method, r.URL.EscapedPath())
	if m == nil {
		return nil, []string{fmt.Sprintf("no method in the document for %s %s", r.Method, r.URL.EscapedPath())}
	}
	add := func(format string, a ...any) { bad = append(bad, m.ID+": "+fmt.Sprintf(format, a...)) }
	q := r.URL.Query()
	for name, vals := range q {
		p := m.Parameters[name]
		if p == nil || p.Location != "query" {
			p = d.Parameters[name]
		}
		if p == nil {
			add("unknown query parameter %q", name)
			continue
		}
		if p.Deprecated {
			add("deprecated query parameter %q", name)
		}
		if len(vals) > 1 && !p.Repeated {
			add("%q given %d times", name, len(vals))
		}
		for _, v := range vals {
			if e := p.check(v); e != "" {
				add("%s=%q: %s", name, v, e)
			}
		}
	}
	for name, p := range m.Parameters {
		if _, ok := q[name]; p.Required && !ok && vars[name] == "" {
			add("required parameter %q missing", name)
		}
	}
	media := q.Get("alt") == "media"
	if media && !m.SupportsMediaDownload {
		add("alt=media not supported")
	}
	if f := q.Get("fields"); f != "" && m.Response != nil && !media {
		mask, err := ParseMask(f)
		if err != nil {
			add("fields: %v", err)
			return m, bad
		}
		for _, e := range d.Mask(mask, m.Response) {
			add("fields: %s", e)
		}
	}
	return m, bad
}

func (p *Param) check(v string) string {
	switch p.Type {
	case "boolean":
		if v != "true" && v != "false" {
			return "not a boolean"
		}
	case "integer":
		n, err := strconv.ParseInt(v, 10, 64)
		if err != nil {
			return "not an integer"
		}
		if lo, err := strconv.ParseInt(p.Minimum, 10, 64); err == nil && n < lo {
			return "below minimum " + p.Minimum
		}
		if hi, err := strconv.ParseInt(p.Maximum, 10, 64); err == nil && n > hi {
			return "above maximum " + p.Maximum
		}
	}
	if len(p.Enum) > 0 && !slices.Contains(p.Enum, v) {
		return "not one of " + strings.Join(p.Enum, ",")
	}
	return ""
}

// Response is every way in which the body of a good answer departs from the
// method's schema.
func (d *Document) Response(m *Method, body []byte) []string {
	if m.Response == nil {
		return nil
	}
	dec := json.NewDecoder(bytes.NewReader(body))
	dec.UseNumber()
	var v any
	if err := dec.Decode(&v); err != nil {
		return []string{m.ID + ": body is not JSON: " + err.Error()}
	}
	c := checker{d: d}
	c.value(m.ID, m.Response, v)
	return c.bad
}

type checker struct {
	d   *Document
	bad []string
}

func (c *checker) add(at, format string, a ...any) {
	c.bad = append(c.bad, at+": "+fmt.Sprintf(format, a...))
}

func (c *checker) value(at string, s *Schema, v any) {
	s = c.d.resolve(s)
	if s == nil {
		c.add(at, "unknown schema")
		return
	}
	ok := true
	switch s.Type {
	case "object":
		var o map[string]any
		if o, ok = v.(map[string]any); ok {
			c.object(at, s, o)
		}
	case "array":
		var a []any
		if a, ok = v.([]any); ok {
			for i, x := range a {
				c.value(fmt.Sprintf("%s[%d]", at, i), s.Items, x)
			}
		}
	case "string":
		var text string
		if text, ok = v.(string); ok {
			c.text(at, s, text)
		}
	case "boolean":
		_, ok = v.(bool)
	case "integer", "number":
		_, ok = v.(json.Number)
	case "any":
	default:
		c.add(at, "schema type %q not handled", s.Type)
	}
	if !ok {
		c.add(at, "want %s %s, got %T", s.Type, s.Format, v)
	}
}

func (c *checker) object(at string, s *Schema, o map[string]any) {
	for k, x := range o {
		switch p := s.Properties[k]; {
		case p != nil:
			c.value(at+"."+k, p, x)
		case s.AdditionalProperties != nil:
			c.value(at+"."+k, s.AdditionalProperties, x)
		default:
			c.add(at, "property %q is not in the document", k)
		}
	}
}

func (c *checker) text(at string, s *Schema, text string) {
	switch s.Format {
	case "int64", "uint64":
		if _, err := strconv.ParseInt(text, 10, 64); err != nil {
			c.add(at, "%q is not an int64 string", text)
		}
	case "date-time":
		if _, err := time.Parse(time.RFC3339, text); err != nil {
			c.add(at, "%q is not RFC 3339", text)
		}
	}
	if len(s.Enum) > 0 && !slices.Contains(s.Enum, text) {
		c.add(at, "%q is not in the enum", text)
	}
	// A field "kind" has the one value that the document gives as its default.
	if s.Default != "" && strings.HasSuffix(at, ".kind") && text != s.Default {
		c.add(at, "kind is %q, document says %q", text, s.Default)
	}
}
