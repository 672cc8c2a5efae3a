package site

import (
	"cmp"
	"strings"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/report"
)

// options are what a form asks in the place of a command's option.
var options = map[string]string{
	"new-transfer":   "choose “" + report.Meant["new-transfer"] + "”",
	"description":    "choose “" + report.Meant["description"] + "”",
	"lost-otherwise": "choose “" + report.Meant["lost-otherwise"] + "”",
	"master":         "choose “" + report.Meant["master"] + "”",
	"files":          "type it",
	"from":           "choose it under “Take it from”",
	"discs":          "type it",
	"any-gain":       "tick “Whatever their levels are”",
	"sides":          "fill in “Sides”",
	"edited":         "tick “" + report.Meant["edited"] + "”",
	"reason":         "type it",
	"paused":         "tick the box",
}

// Words are how things are ordered on pages.
func Words() archive.Words {
	return archive.Words{
		Option: func(name string) string {
			if w, ok := options[name]; ok {
				return w
			}
			return "--" + name
		},
		Order: func(o report.Order) string { _, text := linkOf(o, ""); return text },
	}
}

// linkOf is where pages have the form for an order, and the order in the words of its
// buttons. The path is "" if there is nothing to open; here is that of the page on which it
// is said.
func linkOf(o report.Order, here string) (path, text string) {
	f, ok := o.Form()
	switch {
	case !ok:
		return "", "on the computer that Firmus runs on, type " + o.Command()
	case f.Path == "":
		return "", f.Do
	case f.Here(here):
		if i := strings.IndexByte(f.Path, '#'); i >= 0 {
			path = f.Path[i:]
		}
		return path, cmp.Or(f.Do, "this page")
	case f.Do == "":
		return f.Path, f.On
	}
	return f.Path, f.Do + ", on " + f.On
}

// Step is one of report's, as a page shows it.
type Step struct {
	Text, Then []piece
	Lines      []report.Line
}

// piece is a piece of a step: text, or a link to the form for an order.
type piece struct{ Path, Text string }

// Steps are what is to be done, with a link to the form for each order.
func (q *Request) Steps(all []report.Step) (out []Step) {
	pieces := func(s report.Saying) (ps []piece) {
		for _, p := range s {
			if p.Order == nil {
				ps = append(ps, piece{Text: p.Text})
				continue
			}
			path, text := linkOf(*p.Order, q.URL.Path)
			ps = append(ps, piece{path, text})
		}
		return ps
	}
	for _, s := range all {
		out = append(out, Step{pieces(s.Text), pieces(s.Then), s.Lines})
	}
	return out
}
