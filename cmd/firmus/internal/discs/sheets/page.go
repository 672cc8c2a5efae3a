package sheets

import (
	"fmt"
	"strings"
	"time"
	"unicode"

	"firmus/cmd/firmus/internal/report"
)

// page is a sheet before it becomes text or HTML: both say the same words.
type page struct {
	Archive string
	Title   string
	Number  string // large, on paper
	Blocks  []block
}

// block is one part of a page; one of its fields is set, besides Title.
type block struct {
	Title   string
	Verdict *verdictBox
	Facts   []fact
	Table   *table
	Steps   []line
	Surface *drawing
	Lines   []line
}

type verdictBox struct {
	Label string // "VERDICT"
	Main  string
	More  []line
}

// fact is a row with its name before it.
type fact struct {
	Label string
	Lines []line
}

type table struct {
	Head  []string
	Right []bool // columns of numbers
	Rows  [][]line
}

// line is a paragraph, or a cell.
type line struct {
	Parts []part
	Small bool
}

// part is a piece of a line: text, a name of what follows, a blank to fill in, a box
// to tick, or a gap.
type part struct {
	Text  string
	Label bool
	Blank int // characters wide
	Box   box
	Gap   bool
	Whole bool // a path: no line ends in it
}

type box uint8

const (
	noBox box = iota
	open
	ticked
)

func tick(b bool) part {
	if b {
		return part{Box: ticked}
	}
	return part{Box: open}
}

func label(s string) part { return part{Text: s, Label: true} }

func blank(n int) part { return part{Blank: n} }

var gap = part{Gap: true}

// or is a text, or a blank where it isn't known.
func or(s string, n int) part {
	if s = clean(s); s != "" {
		return part{Text: s}
	}
	return blank(n)
}

func sayf(format string, args ...any) line {
	return line{Parts: []part{{Text: fmt.Sprintf(format, args...)}}}
}

func smallf(format string, args ...any) line {
	l := sayf(format, args...)
	l.Small = true
	return l
}

func row(parts ...part) line { return line{Parts: parts} }

func rows(name string, lines ...line) fact { return fact{name, lines} }

// add appends a row unless it has no lines.
func (b *block) add(name string, lines ...line) {
	if len(lines) > 0 {
		b.Facts = append(b.Facts, rows(name, lines...))
	}
}

// clean is a text that a person typed, without what would disturb a terminal.
func clean(s string) string {
	return strings.Join(strings.Fields(strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || unicode.Is(unicode.Cf, r) || r == unicode.ReplacementChar {
			return ' '
		}
		return r
	}, s)), " ")
}

// name is a file's path, quoted where it holds what can't be seen.
func name(p string) string { return report.Show(p) }

func day(t time.Time) string { return t.Local().Format("2 Jan 2006") }

// length is a number of sound sectors as hours, minutes and seconds.
func length(sectors int64) string {
	s := ceil(sectors, audioSectors)
	return fmt.Sprintf("%02d:%02d:%02d", s/3600, s/60%60, s%60)
}
