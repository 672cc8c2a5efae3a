// Package sheet is a page to print before it becomes text or HTML: plain data, from which
// both are made, so that they say the same words.
package sheet

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"strings"
	"sync"
	"unicode/utf8"

	"firmus/fixity/expr"
)

// Sheet is a statement, or a page for the desk, before it becomes text or HTML: both say
// the same words. It prints on A4 and on letter paper.
type Sheet struct {
	Archive string // the holdings' name
	Title   string
	Under   string // a line below the title; may be ""
	Blocks  []Block
	Style   template.CSS // of its figures, behind its own; may be ""
}

// Block is one part of a sheet.
type Block struct {
	Title string
	// Figure is a picture of what the block says in words too; text has none.
	Figure template.HTML
	Facts  [][2]string // a row each, with its name before it
	Table  *Table
	Steps  []string // numbered
	Lines  []string
	List   []string // things with their paths, one a line and never broken
	Mono   []string // commands and paths, one a line and never broken
}

// Table is rows below a head.
type Table struct {
	Head  []string
	Right []bool // columns of numbers
	Rows  [][]string
}

// sheetWidth is the most columns of a sheet as text; paths and tables may take more.
const sheetWidth = 100

// Text writes the sheet for a terminal.
func (s Sheet) Text(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n%s\n", s.Archive, s.Title)
	if s.Under != "" {
		b.WriteString(s.Under + "\n")
	}
	for _, bl := range s.Blocks {
		b.WriteString("\n")
		if bl.Title != "" {
			b.WriteString(bl.Title + "\n")
		}
		widest := 0
		for _, f := range bl.Facts {
			widest = max(widest, utf8.RuneCountInString(f[0]))
		}
		for _, f := range bl.Facts {
			fill(&b, "  "+f[0]+strings.Repeat(" ", widest-utf8.RuneCountInString(f[0])+2), f[1])
		}
		if bl.Table != nil {
			bl.Table.text(&b)
		}
		for i, step := range bl.Steps {
			fill(&b, fmt.Sprintf("  %d. ", i+1), step)
		}
		for _, l := range bl.Lines {
			fill(&b, "  ", l)
		}
		for _, l := range bl.List {
			b.WriteString("  " + l + "\n")
		}
		for _, l := range bl.Mono {
			b.WriteString("     " + l + "\n")
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// fill writes a text behind a first word, broken at blanks.
func fill(b *strings.Builder, first, text string) {
	indent := strings.Repeat(" ", utf8.RuneCountInString(first))
	at, begun := utf8.RuneCountInString(first), false
	b.WriteString(first)
	for _, word := range strings.Fields(text) {
		n := utf8.RuneCountInString(word)
		switch {
		case !begun:
		case at+1+n > sheetWidth:
			b.WriteString("\n" + indent)
			at = len(indent)
		default:
			b.WriteByte(' ')
			at++
		}
		b.WriteString(word)
		at, begun = at+n, true
	}
	b.WriteByte('\n')
}

func (t Table) text(b *strings.Builder) {
	width := make([]int, len(t.Head))
	for _, r := range append([][]string{t.Head}, t.Rows...) {
		for i, c := range r {
			width[i] = max(width[i], utf8.RuneCountInString(c))
		}
	}
	for _, r := range append([][]string{t.Head}, t.Rows...) {
		var l strings.Builder
		for i, c := range r {
			space := strings.Repeat(" ", width[i]-utf8.RuneCountInString(c))
			if l.WriteString("  "); i < len(t.Right) && t.Right[i] {
				l.WriteString(space + c)
			} else {
				l.WriteString(c + space)
			}
		}
		b.WriteString(strings.TrimRight(l.String(), " ") + "\n")
	}
}

//go:embed sheet.html
var sheetText string

var options = expr.Once(`(^|\s)(--[a-z-]+)`)

// Unbroken is a text for a page on which no line ends within the name of an option: who
// types "-- drive" from paper gets an error.
func Unbroken(text string) template.HTML {
	return template.HTML(options().ReplaceAllString(template.HTMLEscapeString(text), `$1<span class="option">$2</span>`))
}

var sheetPage = sync.OnceValue(func() *template.Template {
	return template.Must(template.New("sheet").Funcs(template.FuncMap{
		"right":    func(t *Table, i int) bool { return i < len(t.Right) && t.Right[i] },
		"unbroken": Unbroken,
	}).Parse(sheetText))
})

// HTML writes the sheet as one page to print. Nothing is written before the page is
// whole.
func (s Sheet) HTML(w io.Writer) error {
	var b bytes.Buffer
	if err := sheetPage().Execute(&b, s); err != nil {
		return err
	}
	_, err := w.Write(b.Bytes())
	return err
}
