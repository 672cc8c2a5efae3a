package site

import (
	"bytes"
	"errors"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"golang.org/x/net/html"

	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
)

// typed is a form that somebody filled in: the page that it stands on, and what was sent.
type typed struct {
	page   string
	action string
	fields url.Values
}

// sent is the form that a request brought.
func (q *Request) sent() typed {
	return typed{q.formPage(), q.URL.Path, q.PostForm}
}

// formPage is the page that an act's form stands on: as the browser says, and else as the
// act's path does.
func (q *Request) formPage() string {
	if u, err := url.Parse(q.Referer()); err == nil && u.Host == q.Host && u.Path != "" {
		return u.RequestURI()
	}
	return q.back()
}

// again says that a form is shown once more with what was typed, because of an error that the
// person, or time, can mend.
func again(err error) bool {
	s := statusOf(err)
	return s.Code == http.StatusUnprocessableEntity || s.Code == http.StatusConflict || errors.Is(err, fixity.ErrBusy) || errors.Is(err, fixity.ErrAway) || errors.Is(err, stores.ErrWindow)
}

// showAgain answers with the page of a form, as it is now: why the form was refused stands
// above, and what was typed stands in its fields. It is false, and nothing was answered, if
// that page doesn't have the form any more.
func (q *Request) showAgain(f typed, s Status) bool {
	u, err := url.ParseRequestURI(f.page)
	if err != nil || f.page == "" {
		return false
	}
	r := q.Request.Clone(q.Context())
	r.Method, r.URL, r.RequestURI = http.MethodGet, u, f.page
	r.Body, r.ContentLength, r.Form, r.PostForm, r.MultipartForm = http.NoBody, 0, nil, nil, nil
	for _, h := range []string{"Content-Type", "Content-Length", "Range", "If-Modified-Since", "If-None-Match"} {
		r.Header.Del(h)
	}
	if live(r) {
		return false
	}
	var page kept
	q.Site.mux.ServeHTTP(&page, r)
	if page.code != http.StatusOK || !strings.HasPrefix(page.Header().Get("Content-Type"), "text/html") {
		return false
	}
	text, there := refill(page.body.Bytes(), f, s)
	if !there {
		return false
	}
	q.W.Header().Set("Content-Type", "text/html; charset=utf-8")
	q.W.WriteHeader(s.Code)
	_, _ = q.W.Write(text) // whoever doesn't take it is gone
	return true
}

// kept is an answer that is kept instead of sent.
type kept struct {
	header http.Header
	code   int
	body   bytes.Buffer
}

func (k *kept) Header() http.Header {
	if k.header == nil {
		k.header = http.Header{}
	}
	return k.header
}

func (k *kept) WriteHeader(code int) {
	if k.code == 0 {
		k.code = code
	}
}

func (k *kept) Write(b []byte) (int, error) {
	k.WriteHeader(http.StatusOK)
	return k.body.Write(b)
}

// marks are the hidden fields by which a form says what was shown.
var marks = []string{"saw", "all"}

// formAgain is the id of the form that was refused.
const formAgain = "once-more"

// refill puts what was typed into the fields of a form, and above the page why the form was
// refused. Ticks, choices and numbers are a person's word about what was shown: they stay
// away if the form is about something else now. It is false if the page has no such form.
func refill(page []byte, f typed, s Status) ([]byte, bool) {
	forms := formsOf(page, f)
	at := slices.IndexFunc(forms, func(x formSeen) bool { return x.is })
	if at < 0 {
		return nil, false
	}
	same := forms[at].same
	var out bytes.Buffer
	z := html.NewTokenizer(bytes.NewReader(page))
	form, details, in, choice := -1, -1, false, ""
	for z.Next() != html.ErrorToken {
		raw := string(z.Raw())
		t := z.Token()
		start := t.Type == html.StartTagToken || t.Type == html.SelfClosingTagToken
		switch {
		case t.Data == "title" && t.Type == html.StartTagToken:
			out.WriteString(raw + html.EscapeString(s.Title) + " · ")
			continue
		case t.Data == "main" && t.Type == html.StartTagToken:
			out.WriteString(raw + "\n" + notice(s))
			continue
		case t.Data == "details" && start:
			details++
			if slices.Contains(forms[at].details, details) {
				set(&t, "open", "")
				raw = t.String()
			}
		case t.Data == "form" && start:
			form++
			if in = form == at; in {
				set(&t, "id", formAgain)
				raw = t.String()
			}
		case t.Data == "form" && t.Type == html.EndTagToken:
			in = false
		case in && t.Data == "input" && start:
			if fill(&t, f.fields, same) {
				raw = t.String()
			}
		case in && t.Data == "select" && start:
			choice = attr(t, "name")
		case in && t.Data == "option" && start && f.fields.Has(choice):
			unset(&t, "selected")
			if attr(t, "value") == f.fields.Get(choice) {
				set(&t, "selected", "")
			}
			raw = t.String()
		}
		out.WriteString(raw)
	}
	return out.Bytes(), errors.Is(z.Err(), io.EOF)
}

func notice(s Status) string {
	var b strings.Builder
	b.WriteString(`<div class="notice" role="alert"><p class="lead need">` + html.EscapeString(s.Title) + ".</p>")
	for _, l := range strings.Split(s.Text, "\n") {
		b.WriteString("<p>" + html.EscapeString(Shown(l)) + "</p>")
	}
	b.WriteString(`<p><a href="#` + formAgain + `">To the form: what you typed is still there</a></p></div>` + "\n")
	return b.String()
}

// formSeen is a form of a page.
type formSeen struct {
	is      bool  // it is the one that was sent
	same    bool  // it is about what was shown then
	details []int // that it stands in, counted from the first of the page
}

func formsOf(page []byte, f typed) (out []formSeen) {
	z := html.NewTokenizer(bytes.NewReader(page))
	var open []int
	n, in := -1, false
	for z.Next() != html.ErrorToken {
		t := z.Token()
		switch start := t.Type == html.StartTagToken || t.Type == html.SelfClosingTagToken; {
		case t.Data == "details" && start:
			n++
			open = append(open, n)
		case t.Data == "details" && t.Type == html.EndTagToken && len(open) > 0:
			open = open[:len(open)-1]
		case t.Data == "form" && start:
			in = true
			out = append(out, formSeen{is: attr(t, "method") == "post" && attr(t, "action") == f.action, same: true, details: slices.Clone(open)})
		case t.Data == "form" && t.Type == html.EndTagToken:
			in = false
		case in && t.Data == "input" && attr(t, "type") == "hidden":
			x, name := &out[len(out)-1], attr(t, "name")
			equal := attr(t, "value") == f.fields.Get(name)
			switch {
			case slices.Contains(marks, name):
				x.same = x.same && equal
			case !equal:
				x.is = false
			}
		}
	}
	return out
}

// fill puts what was typed into a field; false leaves the field as it is.
func fill(t *html.Token, typed url.Values, same bool) bool {
	name := attr(*t, "name")
	switch attr(*t, "type") {
	case "checkbox", "radio":
		if !same {
			return false
		}
		unset(t, "checked")
		if slices.Contains(typed[name], attr(*t, "value")) {
			set(t, "checked", "")
		}
		return true
	case "", "text", "search", "email", "url", "tel", "number", "date":
		if !typed.Has(name) || !same && attr(*t, "inputmode") == "numeric" {
			return false
		}
		set(t, "value", typed.Get(name))
		return true
	}
	return false // hidden fields are the page's own, and a password is typed anew
}

func attr(t html.Token, name string) string {
	for _, a := range t.Attr {
		if a.Key == name {
			return a.Val
		}
	}
	return ""
}

func unset(t *html.Token, name string) {
	t.Attr = slices.DeleteFunc(t.Attr, func(a html.Attribute) bool { return a.Key == name })
}

func set(t *html.Token, name, value string) {
	unset(t, name)
	t.Attr = append(t.Attr, html.Attribute{Key: name, Val: value})
}
