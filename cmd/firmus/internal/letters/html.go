package letters

import (
	"html/template"
	"strings"
	"sync"

	"firmus/cmd/firmus/internal/report"
	"firmus/fixity/expr"
)

// The HTML beside the text says the same and loads nothing.
var htmlPage = sync.OnceValue(func() *template.Template {
	return template.Must(template.New("letter").Funcs(template.FuncMap{"place": report.ShowPlace, "linked": linked}).Parse(`<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><title>{{.Subject}}</title></head>
<body style="font-family:sans-serif;max-width:48em;line-height:1.4">
{{range .Page.Lead}}<p style="font-size:1.1em;margin:0.3em 0">{{.}}</p>
{{end}}{{range .Page.Parts}}{{if .Title}}<h2 style="font-size:1em;margin:1.2em 0 0.3em">{{.Title}}</h2>
{{end}}{{if .Facts}}<table>{{range .Facts}}
<tr><th scope="row" style="text-align:left;vertical-align:top;padding-right:1em">{{.Label}}</th><td>{{.Text}}</td></tr>{{end}}
</table>
{{end}}{{if .Table.Rows}}<table>{{if .Table.Head}}
<tr>{{range .Table.Head}}<th scope="col" style="text-align:left;padding-right:1em">{{.}}</th>{{end}}</tr>{{end}}{{range .Table.Rows}}
<tr>{{range .}}<td style="vertical-align:top;padding-right:1em">{{.}}</td>{{end}}</tr>{{end}}
</table>
{{end}}{{if .Steps}}<ol>{{range .Steps}}
<li>{{template "step" .}}</li>{{end}}
</ol>
{{end}}{{if .Listed}}<ul>{{range .Listed}}
<li>{{template "step" .}}</li>{{end}}
</ul>
{{end}}{{range .Lines}}<p style="margin:0.3em 0">{{.}}</p>
{{end}}{{if .Link}}<p style="margin:0.3em 0"><a href="{{.Link}}">{{.Link}}</a></p>
{{end}}{{end}}</body></html>
{{define "step"}}{{template "linked" linked .Text}}{{if .Lines}}<table>{{range .Lines}}
<tr><th scope="row" style="text-align:left;vertical-align:top;padding-right:1em">{{.Label}}</th><td style="font-family:monospace;white-space:pre-wrap;overflow-wrap:anywhere">{{place .Path}}</td></tr>{{end}}
</table>{{end}}{{template "linked" linked .Then}}{{end}}{{define "linked"}}{{range .}}{{if .Link}}<a href="{{.Text}}">{{.Text}}</a>{{else}}{{.Text}}{{end}}{{end}}{{end}}`))
})

// address is one of the pages, in a text.
var address = expr.Once(`https?://[^\s]*[^\s.,:;)]`)

// piece is a piece of a text, or a link in it.
type piece struct {
	Text string
	Link bool
}

// linked cuts a text where addresses of pages stand in it.
func linked(s string) (out []piece) {
	from := 0
	for _, at := range address().FindAllStringIndex(s, -1) {
		out = append(out, piece{s[from:at[0]], false}, piece{s[at[0]:at[1]], true})
		from = at[1]
	}
	return append(out, piece{s[from:], false})
}

func (p page) html(subject string) (string, error) {
	var b strings.Builder
	err := htmlPage().Execute(&b, struct {
		Subject string
		Page    page
	}{subject, p})
	return b.String(), err
}
