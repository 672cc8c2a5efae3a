package site

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"path"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"firmus/cmd/firmus/internal/pages/stave"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
)

// menu is the navigation, in its order. needs is the least that a person must be to see
// the line.
var menu = []struct {
	Path, Name string
	needs      fixity.PersonRole
}{
	{"/", "Today", fixity.Viewer},
	{"/reels", "Reels", fixity.Viewer},
	{"/register", "Register", fixity.Viewer},
	{"/findings", "Findings", fixity.Viewer},
	{"/discs", "Discs", fixity.Viewer},
	{"/work", "Work", fixity.Technician},
	{"/stores", "Stores", fixity.Viewer},
	{"/record", "Record", fixity.Reviewer},
	{"/health", "Health", fixity.Reviewer},
}

//go:embed templates
var templates embed.FS

// views are the pages' templates by name, each with the layout and the parts.
type views map[string]*template.Template

func parse() (views, error) {
	shared, err := template.New("").Funcs(functions).ParseFS(templates, "templates/layout.html", "templates/parts.html")
	if err != nil {
		return nil, err
	}
	out := views{}
	names, err := fs.Glob(templates, "templates/*.html")
	if err != nil {
		return nil, err
	}
	for _, n := range names {
		name := strings.TrimSuffix(path.Base(n), ".html")
		if name == "layout" || name == "parts" {
			continue
		}
		t, err := shared.Clone()
		if err != nil {
			return nil, err
		}
		if out[name], err = t.ParseFS(templates, n); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// functions are what templates may call.
var functions = template.FuncMap{
	"path":   Shown,
	"place":  report.ShowPlace,
	"size":   report.Size,
	"number": func(n any) string { return fixity.Number(asInt(n)) },
	"count":  func(n any, noun string) string { return fixity.Count(asInt(n), noun) },
	"time":   report.Local,
	"mark":   markOf,
	"means":  fixity.Means,
	"lines":  func(s string) []string { return strings.Split(s, "\n") },
	"dict": func(kv ...any) map[string]any {
		m := map[string]any{}
		for i := 0; i+1 < len(kv); i += 2 {
			m[kv[i].(string)] = kv[i+1]
		}
		return m
	},
}

func asInt(n any) int64 {
	switch n := n.(type) {
	case int:
		return int64(n)
	case int64:
		return n
	}
	return 0
}

// Shown is a name on a page. What can't be seen, or would turn the text around, is
// written out; so are bytes that are no text.
func Shown(s string) string {
	if utf8.ValidString(s) && !strings.ContainsFunc(s, Hidden) {
		return s
	}
	var b strings.Builder
	for len(s) > 0 {
		r, n := utf8.DecodeRuneInString(s)
		switch {
		case r == utf8.RuneError && n == 1:
			fmt.Fprintf(&b, `\x%02x`, s[0])
		case Hidden(r):
			fmt.Fprintf(&b, `\u%04x`, r)
		default:
			b.WriteRune(r)
		}
		s = s[n:]
	}
	return b.String()
}

// Hidden says that a sign can't be seen.
func Hidden(r rune) bool { return !unicode.IsPrint(r) }

// frame is a page around its body.
type frame struct {
	Holdings string
	Title    string
	Menu     []menuLine
	Name     string // of the person; "" without accounts
	Role     fixity.PersonRole
	In       bool // there is a session
	Reload   int  // seconds after which the page is to be loaded anew where no script runs; 0: never
	Now      time.Time
	Body     any
}

type menuLine struct {
	Path, Name string
	Here       bool
}

func (q *Request) frame(title string) frame {
	f := frame{Holdings: q.Site.Name, Title: title, Name: q.Who.Name, Role: q.Who.Role, In: q.Who.Role != "", Now: q.Site.Now()}
	for _, m := range menu {
		if f.In && q.Who.Role.May(m.needs) {
			here := q.URL.Path == m.Path || m.Path != "/" && strings.HasPrefix(q.URL.Path, m.Path+"/")
			f.Menu = append(f.Menu, menuLine{m.Path, m.Name, here})
		}
	}
	return f
}

// Render answers with a page. A body that has a method Reload says after how many seconds a browser
// without script loads it anew; 0: never.
func (q *Request) Render(name, title string, body any) error {
	return q.RenderAs(http.StatusOK, name, title, body)
}

// RenderAs answers with a page and another status than 200.
func (q *Request) RenderAs(code int, name, title string, body any) error {
	f := q.frame(title)
	f.Body = body
	if r, ok := body.(interface{ Reload() int }); ok {
		f.Reload = r.Reload()
	}
	v := q.Site.views[name]
	if v == nil {
		return fmt.Errorf("there is no template %q", name)
	}
	var b bytes.Buffer // nothing of a page is sent before all of it is there
	if err := v.ExecuteTemplate(&b, "page", f); err != nil {
		return fmt.Errorf("page %s: %w", name, err)
	}
	q.W.Header().Set("Content-Type", "text/html; charset=utf-8")
	q.W.WriteHeader(code)
	_, _ = b.WriteTo(q.W) // whoever doesn't take it is gone
	return nil
}

// markOf is the mark beside a state's word: it says the same without colour.
func markOf(state any) template.HTML {
	m := stave.Mark(fmt.Sprint(state))
	if m == "" {
		m = stave.Mark(string(fixity.Altered))
	}
	return m
}
