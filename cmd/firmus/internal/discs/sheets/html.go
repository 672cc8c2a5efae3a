package sheets

import (
	"bytes"
	_ "embed"
	"html/template"
	"io"
	"strings"
	"sync"

	"firmus/cmd/firmus/internal/sheet"
)

//go:embed sheet.html
var sheetText string

var sheetPage = sync.OnceValue(func() *template.Template {
	return template.Must(template.New("sheet").Funcs(template.FuncMap{
		"underscores": func(n int) string { return strings.Repeat("_", n) },
		"ticked":      func(b box) bool { return b == ticked },
		"unbroken":    sheet.Unbroken,
		"head": func(t table, i int) string {
			if i < len(t.Head) {
				return t.Head[i]
			}
			return ""
		},
		"right": func(t table, i int) bool { return t.Right[i] },
	}).Parse(sheetText))
})

// writeHTML renders the page as one file, in one write; nothing is written if that
// fails.
func (p page) writeHTML(w io.Writer) error {
	var b bytes.Buffer
	if err := sheetPage().Execute(&b, p); err != nil {
		return err
	}
	_, err := w.Write(b.Bytes())
	return err
}
