package sheets

import (
	"fmt"
	"io"
	"strings"
	"unicode"
)

// Width is the most columns that a sheet for a terminal takes.
const Width = 100

// labelWidth is where a row's text begins behind its name.
const labelWidth = 22

// writeText renders the page for a terminal, in one write.
func (p page) writeText(w io.Writer) error {
	var b strings.Builder
	archive := strings.ToUpper(p.Archive)
	if n := columns(archive) + columns(p.Title); n+3 <= Width {
		fmt.Fprintf(&b, "%s%s%s\n", archive, strings.Repeat(" ", Width-n), p.Title)
	} else {
		wrapped(&b, "", "", archive)
		fmt.Fprintf(&b, "%*s\n", Width, p.Title)
	}
	for _, bl := range p.Blocks {
		b.WriteByte('\n')
		if bl.Title != "" {
			b.WriteString(bl.Title + "\n")
		}
		if v := bl.Verdict; v != nil {
			wrapped(&b, pad(v.Label, labelWidth), strings.Repeat(" ", labelWidth), v.Main)
			for _, l := range v.More {
				wrapped(&b, strings.Repeat(" ", labelWidth), strings.Repeat(" ", labelWidth), l.text())
			}
		}
		for _, f := range bl.Facts {
			first := pad(f.Label, labelWidth)
			for _, l := range f.Lines {
				wrapped(&b, first, strings.Repeat(" ", labelWidth), l.text())
				first = strings.Repeat(" ", labelWidth)
			}
		}
		if bl.Table != nil {
			bl.Table.text(&b)
		}
		for i, l := range bl.Steps {
			wrapped(&b, fmt.Sprintf("%4d. ", i+1), "      ", l.text())
		}
		if bl.Surface != nil {
			bl.Surface.text(&b)
		}
		for _, l := range bl.Lines {
			wrapped(&b, "  ", "  ", l.text())
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// nbsp keeps words together that are wrapped as one.
const nbsp = "\u00a0"

func (l line) text() string {
	var b strings.Builder
	for i, p := range l.Parts {
		b.WriteString(l.Before(i))
		switch {
		case p.Gap:
			b.WriteString("   ")
		case p.Blank > 0:
			b.WriteString(strings.Repeat("_", p.Blank))
		case p.Box == open:
			b.WriteString("[" + nbsp + "]")
		case p.Box == ticked:
			b.WriteString("[x]")
		case p.Whole:
			b.WriteString(strings.ReplaceAll(p.Text, " ", nbsp))
		default:
			b.WriteString(p.Text)
		}
	}
	return b.String()
}

// Before is what stands before a part: a blank, where a line may end, or none; but a
// name isn't parted from what it names, nor a box from the words behind it.
func (l line) Before(i int) string {
	switch {
	case i == 0 || l.Parts[i].Gap || l.Parts[i-1].Gap:
		return ""
	case l.Parts[i-1].Label, l.Parts[i-1].Box != noBox:
		return nbsp
	}
	return " "
}

// wrapped writes a text in lines of at most Width columns, broken at blanks, or
// inside of words that are too long.
func wrapped(b *strings.Builder, first, then, text string) {
	at := columns(first)
	b.WriteString(first)
	empty := true // nothing on this line yet
	for text != "" {
		blanks := len(text) - len(strings.TrimLeft(text, " "))
		word := text[blanks:]
		if i := strings.IndexByte(word, ' '); i >= 0 {
			word = word[:i]
		}
		text = text[blanks+len(word):]
		if empty {
			blanks = 0
		}
		if n := columns(word); !empty && at+blanks+n > Width {
			b.WriteString("\n" + then)
			at, blanks, empty = columns(then), 0, true
		}
		b.WriteString(strings.Repeat(" ", blanks))
		at += blanks
		for _, r := range word {
			n := runeColumns(r)
			if at+n > Width {
				b.WriteString("\n" + then)
				at = columns(then)
			}
			if string(r) == nbsp {
				r = ' '
			}
			b.WriteRune(r)
			at, empty = at+n, false
		}
	}
	b.WriteByte('\n')
}

// text writes a table whose last column that isn't of numbers takes what is left.
func (t table) text(b *strings.Builder) {
	width := make([]int, len(t.Head))
	for i, h := range t.Head {
		width[i] = columns(h)
		for _, r := range t.Rows {
			width[i] = max(width[i], columns(r[i].text()))
		}
	}
	total := 2 * len(width)
	for _, w := range width {
		total += w
	}
	for total > Width { // the widest gives way
		widest := 0
		for i, w := range width {
			if w > width[widest] {
				widest = i
			}
		}
		cut := min(total-Width, max(width[widest]-12, 1))
		width[widest] -= cut
		total -= cut
	}
	line := func(cells []string) {
		split := make([][]string, len(cells))
		deep := 1
		for i, c := range cells {
			split[i] = broken(c, width[i])
			deep = max(deep, len(split[i]))
		}
		for d := range deep {
			var l strings.Builder
			for i := range cells {
				cell := ""
				if d < len(split[i]) {
					cell = split[i][d]
				}
				space := strings.Repeat(" ", max(width[i]-columns(cell), 0))
				l.WriteString("  ")
				if t.Right[i] {
					l.WriteString(space + cell)
				} else {
					l.WriteString(cell + space)
				}
			}
			b.WriteString(strings.TrimRight(l.String(), " ") + "\n")
		}
	}
	line(t.Head)
	for _, r := range t.Rows {
		cells := make([]string, len(r))
		for i, c := range r {
			cells[i] = strings.ReplaceAll(c.text(), nbsp, " ")
		}
		line(cells)
	}
}

// broken cuts a cell into lines of a width, wherever that falls: names have no blanks
// to break at.
func broken(s string, width int) []string {
	var out []string
	var b strings.Builder
	at := 0
	for _, r := range s {
		n := runeColumns(r)
		if at+n > width {
			out = append(out, b.String())
			b.Reset()
			at = 0
		}
		b.WriteRune(r)
		at += n
	}
	return append(out, b.String())
}

func pad(s string, width int) string {
	return s + strings.Repeat(" ", max(width-columns(s), 1))
}

// columns is how many columns of a terminal a text takes.
func columns(s string) int {
	n := 0
	for _, r := range s {
		n += runeColumns(r)
	}
	return n
}

// runeColumns is 0 for what is set on the letter before it, and 2 for what terminals
// show in double width.
func runeColumns(r rune) int {
	switch {
	case unicode.In(r, unicode.Mn, unicode.Me):
		return 0
	case unicode.In(r, unicode.Han, unicode.Hiragana, unicode.Katakana, unicode.Hangul), r >= 0x3000 && r <= 0x303f, r >= 0xff00 && r <= 0xff60, r >= 0x1f300 && r <= 0x1faff:
		return 2
	}
	return 1
}
