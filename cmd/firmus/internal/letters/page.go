package letters

import (
	"strings"
	"unicode/utf8"

	"firmus/cmd/firmus/internal/report"
	"firmus/fixity/expr"
	"firmus/fixity/ledger"
)

// page is what a letter says, before it is text or HTML.
type page struct {
	Lead  []string // the lines that suffice on a phone
	Parts []part
}

// part is a piece of a page. Of its fields only one is used besides the title.
type part struct {
	Title string
	Facts []fact
	Table table
	Steps []step
	// Listed are things with their places, without numbers.
	Listed []step
	Lines  []string
	Link   string // of a page that shows it and has a form for what is to be done; "" without pages
}

// step is one of report's, in a letter's words.
type step struct {
	report.Step
	Text, Then string
}

// order is an order in a letter's words.
func (w words) order(o report.Order) string { return report.LetterSay(w.pages)(o) }

// show is where all that is known of a finding stands.
func (w words) show(f ledger.Finding) string {
	return w.order(report.Order{Act: report.ShowFinding, Findings: []int64{f.ID}})
}

// steps puts steps into a letter's words: where the form is, and what may be typed instead.
func (w words) steps(all []report.Step) (out []step) {
	for _, s := range all {
		out = append(out, step{s, s.Text.In(w.order), s.Then.In(w.order)})
	}
	return out
}

type fact struct{ Label, Text string }

// table has columns as wide as their widest cell; the last one is wrapped.
type table struct {
	Head  []string // none if empty
	Rows  [][]string
	Right []bool // columns of numbers
}

// facts adds one that has something to say.
func (p *part) fact(label, text string) {
	if text != "" {
		p.Facts = append(p.Facts, fact{label, text})
	}
}

func (p *page) add(x part) {
	if len(x.Facts)+len(x.Steps)+len(x.Listed)+len(x.Lines)+len(x.Table.Rows)+len(x.Link) > 0 {
		p.Parts = append(p.Parts, x)
	}
}

const (
	width  = 78 // characters a line, as mail programs and RFC 5322, 2.1.1 like it
	labels = 14 // width of the column of labels
)

// text is the page as plain text. Lines end with "\n".
func (p page) text() string {
	var b strings.Builder
	for _, l := range p.Lead {
		wrapped(&b, "", "", l)
	}
	for _, x := range p.Parts {
		b.WriteString("\n")
		if x.Title != "" {
			wrapped(&b, "", "", x.Title)
		}
		for _, f := range x.Facts {
			wrapped(&b, padded(f.Label, labels-1, false)+" ", strings.Repeat(" ", labels), f.Text)
		}
		x.Table.text(&b)
		for i, s := range x.Steps {
			stepText(&b, "  "+number(i+1)+". ", "     ", s)
		}
		for _, s := range x.Listed {
			stepText(&b, "  ", "  ", s)
		}
		for _, l := range x.Lines {
			wrapped(&b, "", "", l)
		}
		if x.Link != "" {
			b.WriteString("  " + x.Link + "\n")
		}
	}
	return b.String()
}

// stepText writes a step. Its places stand on lines of their own and are not broken.
func stepText(b *strings.Builder, first, then string, s step) {
	wrapped(b, first, then, s.Text)
	for _, row := range s.Rows() {
		b.WriteString(then + "  " + row + "\n")
	}
	if s.Then != "" {
		wrapped(b, then, then, s.Then)
	}
}

func (t table) text(b *strings.Builder) {
	rows := t.Rows
	if len(t.Head) > 0 {
		rows = append([][]string{t.Head}, rows...)
	}
	var widths []int
	for _, r := range rows {
		for i, c := range r {
			if i == len(widths) {
				widths = append(widths, 0)
			}
			widths[i] = max(widths[i], utf8.RuneCountInString(c))
		}
	}
	for _, r := range rows {
		first, hang := "  ", 2
		for i, c := range r[:len(r)-1] {
			first += padded(c, widths[i], i < len(t.Right) && t.Right[i]) + "  "
			hang += widths[i] + 2
		}
		wrapped(b, first, strings.Repeat(" ", hang), r[len(r)-1])
	}
}

func padded(s string, n int, right bool) string {
	fill := strings.Repeat(" ", max(0, n-utf8.RuneCountInString(s)))
	if right {
		return fill + s
	}
	return s + fill
}

// command is what a person is to type: it stands on one line. Our own name is
// written small in commands only.
var command = expr.Once(`\bfirmus( ([a-z][a-z-]*|--[a-z]+|[0-9]+|"…"))+`)

const glue = "\x00" // stands for a blank that isn't broken at; no text holds one

// wrapped writes text broken between words. A word that is longer than a line
// stands in one by itself: cut, it could not be found or typed.
func wrapped(b *strings.Builder, first, then, text string) {
	line, n, empty := first, utf8.RuneCountInString(first), true
	text = command().ReplaceAllStringFunc(text, func(s string) string { return strings.ReplaceAll(s, " ", glue) })
	for word := range strings.FieldsSeq(text) {
		word = strings.ReplaceAll(word, glue, " ")
		w := utf8.RuneCountInString(word)
		if !empty && n+1+w > width {
			b.WriteString(strings.TrimRight(line, " ") + "\n")
			line, n, empty = then, utf8.RuneCountInString(then), true
		}
		if !empty {
			line, n = line+" ", n+1
		}
		line, n, empty = line+word, n+w, false
	}
	b.WriteString(strings.TrimRight(line, " ") + "\n")
}
