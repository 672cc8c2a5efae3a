package register

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"unicode"

	"firmus/fixity"
	"firmus/fixity/spelling"
)

// Columns says which column tells what, by the words of its header.
type Columns map[Field]string

// Order is how a register is to be read.
type Order struct {
	Sheet   string // "": the only one that has the columns
	Columns Columns
}

// Table is a register that was read.
type Table struct {
	Sheet    string
	Header   int      // the line that names the columns
	Columns  Columns  // the header's words, as the sheet writes them
	Words    []string // all words of the header line, in their order
	Rows     []Row
	Problems []Problem // of cells and lines by themselves
	Hidden   int       // rows that are hidden, also by a filter; they are read like others
	Comments int       // remarks on cells, which aren't read
	Notes    []string  // sentences about the file as a whole
	End      End
}

// mostKept is how many cells a register may have in columns that are read. As rows they take
// some 100 bytes each, and their texts besides.
const mostKept = 3_000_000

// Header lines are looked for so far down.
const mostHeader = 50

// errEnough ends a look at a sheet's beginning.
var errEnough = errors.New("enough was read")

// Word is a word of a column as it is compared: without case and doubled blanks.
func Word(s string) string { return strings.ToLower(strings.Join(strings.Fields(s), " ")) }

// Read reads the register in a book. The error is an *Unreadable, or the context's.
func Read(ctx context.Context, file string, b Book, o Order) (Table, error) {
	s, line, err := find(ctx, file, b, o)
	if err != nil {
		return Table{}, err
	}
	at := line.at
	t := Table{Sheet: s.Name, Header: line.number, Columns: Columns{}, Words: line.words, Notes: b.Notes, End: b.End}
	for f, i := range at {
		t.Columns[f] = line.words[i]
	}
	order := slices.DeleteFunc(slices.Clone(Fields), func(f Field) bool { _, ok := at[f]; return !ok })
	names := make([]string, len(line.words))
	for i := range names {
		names[i] = Letters(i)
	}
	mapped := map[int]bool{}
	for _, i := range at {
		mapped[i] = true
	}
	kept := 0
	found, err := s.Lines(ctx, func(l Line) error {
		if l.Number <= line.number {
			return nil
		}
		row := Row{Sheet: s.Name, Line: l.Number, Hidden: l.Hidden}
		n := 0
		for _, f := range order {
			if i := at[f]; i < len(l.Cells) && !blank(l.Cells[i]) {
				n++
			}
		}
		if n == 0 {
			return nil // nothing that anybody asked for
		}
		if kept += max(n, 1); kept > mostKept {
			return &Unreadable{Why: TooLarge, Row: l.Number, Text: fmt.Sprintf("its rows hold more than %d cells, which no register does", mostKept)}
		}
		row.Cells = make(map[Field]Cell, n)
		for _, f := range order {
			i := at[f]
			if i >= len(l.Cells) || blank(l.Cells[i]) {
				if f == Restricted { // blank it says something, other than no such column
					row.Cells[f] = Cell{Column: names[i]}
				}
				continue
			}
			c := l.Cells[i]
			c.Text, c.Column = strings.TrimFunc(c.Text, unicode.IsSpace), names[i]
			row.Cells[f] = c
		}
		for i, c := range l.Cells {
			if text := strings.TrimFunc(c.Text, unicode.IsSpace); text != "" && !mapped[i] {
				row.Rest = append(row.Rest, Other{Header: headerOf(line.words, i), Text: text, Column: Letters(i)})
			}
		}
		if l.Hidden {
			t.Hidden++
		}
		t.Rows = append(t.Rows, row)
		return nil
	})
	if err != nil {
		return Table{}, named(err, file, s.Name)
	}
	t.Comments = found.Comments
	if !t.merge(found.Merged, at) {
		return Table{}, &Unreadable{Why: TooLarge, File: file, Sheet: s.Name, Text: "its merged cells cover one another, or more rows and text than any register has. Take the merging out where it isn't needed"}
	}
	for _, p := range found.Problems {
		p.Sheet = s.Name
		t.Problems = append(t.Problems, p)
	}
	t.look(order)
	return t, nil
}

// headerOf is what the header calls a column; its letters if it has no words for it.
func headerOf(words []string, i int) string {
	if i < len(words) && strings.TrimSpace(words[i]) != "" {
		return words[i]
	}
	return Letters(i)
}

// blank says that a cell holds nothing a person sees.
func blank(c Cell) bool {
	return c.Kind != UnsavedCell && strings.TrimFunc(c.Text, unicode.IsSpace) == ""
}

// named fills in of an *Unreadable what the reader of a sheet doesn't know.
func named(err error, file, sheet string) error {
	var u *Unreadable
	if errors.As(err, &u) {
		if u.File == "" {
			u.File = file
		}
		if u.Sheet == "" {
			u.Sheet = sheet
		}
	}
	return err
}

// Limits of what merged cells give to the rows that they cover.
const (
	mostCovered    = 2_000_000
	mostMergedText = 64 << 20 // bytes
)

// merge gives the value of merged cells to each row that they cover; false if that is more
// than any register needs.
func (t *Table) merge(merged []Merge, at map[Field]int) bool {
	fields := map[int][]Field{} // of each column
	for f, col := range at {
		fields[col] = append(fields[col], f)
	}
	covered, text := 0, 0
	for _, m := range merged {
		if m.LastLine == m.Line || len(fields[m.Column]) == 0 {
			continue
		}
		first, ok := slices.BinarySearchFunc(t.Rows, m.Line, func(r Row, line int) int { return r.Line - line })
		if !ok {
			continue
		}
		for _, f := range fields[m.Column] {
			c, ok := t.Rows[first].Cells[f]
			if !ok {
				continue
			}
			c.Over = m.Line
			t.Rows[first].Cells[f] = c
			for i := first + 1; i < len(t.Rows) && t.Rows[i].Line <= m.LastLine; i++ {
				if covered++; covered > mostCovered {
					return false
				}
				if t.Rows[i].Cells[f].Kind != "" {
					continue
				}
				if text += len(c.Text); text > mostMergedText {
					return false
				}
				t.Rows[i].Cells[f] = c
			}
		}
	}
	return true
}

// look tells of cells that can't be read.
func (t *Table) look(order []Field) {
	for _, r := range t.Rows {
		say := func(f Field, kind string, is Telling, values ...any) {
			t.Problems = append(t.Problems, Problem{Sheet: t.Sheet, Row: r.Line, Column: t.Columns[f], Kind: kind, Tells: Tell(is, values...)})
		}
		for _, f := range order {
			switch c := r.Cells[f]; {
			case c.Kind == ErrorCell:
				say(f, "error", ErrorShown, c.Text)
			case c.Kind == UnsavedCell:
				say(f, "unsaved", ValueUnsaved)
			case strings.ContainsRune(c.Text, unicode.ReplacementChar):
				say(f, "letters", LetterLost, c.Text)
			}
		}
	}
	slices.SortStableFunc(t.Problems, func(a, b Problem) int { return a.Row - b.Row })
}

// header is a line that may name the columns.
type header struct {
	number int
	words  []string      // of each column, as they stand
	at     map[Field]int // column of each field
	lacks  []Field
	twice  Field
	both   [2]int // the columns of twice
}

// against finds the columns in a line.
func (h *header) against(c Columns) {
	h.at, h.lacks, h.twice = map[Field]int{}, nil, ""
	for _, f := range Fields {
		want, ok := c[f]
		if !ok {
			continue
		}
		at := -1
		for i, w := range h.words {
			if Word(w) != Word(want) {
				continue
			}
			if at >= 0 && h.twice == "" {
				h.twice, h.both = f, [2]int{at, i}
			}
			if at < 0 {
				at = i
			}
		}
		if at < 0 {
			h.lacks = append(h.lacks, f)
			continue
		}
		h.at[f] = at
	}
}

// lineOf is a line as words.
func lineOf(l Line) header {
	h := header{number: l.Number, words: make([]string, len(l.Cells))}
	for i, c := range l.Cells {
		h.words[i] = strings.Join(strings.Fields(c.Text), " ")
	}
	return h
}

// over is a header of two lines: the words of the lower one, and those above where it has none.
func (h header) over(lower header) header {
	out := header{number: lower.number, words: make([]string, max(len(h.words), len(lower.words)))}
	copy(out.words, h.words)
	for i, w := range lower.words {
		if w != "" {
			out.words[i] = w
		}
	}
	return out
}

// head gives the first lines of a sheet, and each two of them as one.
func head(ctx context.Context, s Sheet, each func(header) bool) error {
	n := 0
	var above header
	_, err := s.Lines(ctx, func(l Line) error {
		h := lineOf(l)
		if n++; n > mostHeader || !each(h) {
			return errEnough
		}
		if above.number > 0 && above.number == h.number-1 && !each(above.over(h)) {
			return errEnough
		}
		above = h
		return nil
	})
	if errors.Is(err, errEnough) {
		return nil
	}
	return err
}

// best is the line of a sheet that names most of the columns.
func best(ctx context.Context, s Sheet, c Columns) (header, error) {
	var out header
	err := head(ctx, s, func(h header) bool {
		if h.against(c); out.at == nil || len(h.at) > len(out.at) {
			out = h
		}
		return len(out.lacks) > 0
	})
	return out, err
}

// find is the sheet that is meant, and its header.
func find(ctx context.Context, file string, b Book, o Order) (Sheet, header, error) {
	fail := func(why Why, sheet, column, format string, args ...any) (Sheet, header, error) {
		return Sheet{}, header{}, &Unreadable{Why: why, File: file, Sheet: sheet, Column: column, Text: fmt.Sprintf(format, args...)}
	}
	if len(o.Columns) == 0 || o.Columns[Item] == "" {
		return fail(NotSet, "", "", `nobody said which column holds the number of the reel. Write it below [register]: columns = { item = "Number" }`)
	}
	var names []string
	for _, s := range b.Sheets {
		names = append(names, s.Name)
	}
	var whole []Sheet
	var heads []header
	var nearest header
	var near Sheet
	found := false
	for _, s := range b.Sheets {
		if o.Sheet != "" && !strings.EqualFold(s.Name, o.Sheet) {
			continue
		}
		found = true
		h, err := best(ctx, s, o.Columns)
		if err != nil {
			return Sheet{}, header{}, named(err, file, s.Name)
		}
		if len(h.at) > 0 && len(h.lacks) == 0 {
			whole, heads = append(whole, s), append(heads, h)
		}
		if nearest.at == nil || len(h.at) > len(nearest.at) {
			nearest, near = h, s
		}
	}
	switch {
	case len(b.Sheets) == 0:
		return fail(NoSheets, "", "", "the file holds no sheet")
	case !found:
		text := fmt.Sprintf("there is no sheet %q. The file has %s.", o.Sheet, quoted(names))
		if n := spelling.Nearest(o.Sheet, names); n != "" {
			text += fmt.Sprintf(" If the sheet has another name now, write sheet = %q below [register].", n)
		}
		return fail(OtherSheet, "", "", "%s", text)
	case len(whole) > 1:
		var alike []string
		for _, s := range whole {
			alike = append(alike, s.Name)
		}
		return fail(OtherSheet, "", "", "more than one sheet has these columns: %s. Say which one is the register: sheet = %q below [register]", quoted(alike), alike[0])
	case len(whole) == 0 && len(nearest.at) == 0:
		want := o.Columns[Item]
		return fail(OtherColumns, near.Name, want, "none of the first %d lines names the columns; the number of the reel is looked for below %q", mostHeader, want)
	case len(whole) == 0:
		var lost, free []string
		for _, f := range nearest.lacks {
			lost = append(lost, o.Columns[f])
		}
		for i, w := range nearest.words {
			if w != "" && !slices.Contains(valuesOf(nearest.at), i) {
				free = append(free, w)
			}
		}
		text := fmt.Sprintf("row %d names the columns, but not %s.", nearest.number, quoted(lost))
		if len(free) > 0 {
			text += " Columns there that nothing is read from: " + quoted(free) + "."
		}
		if n := spelling.Nearest(lost[0], free); n != "" {
			text += fmt.Sprintf(" If %q is the column now, write so in columns below [register].", n)
		} else {
			text += " Put the column back, or change columns below [register]."
		}
		return fail(OtherColumns, near.Name, lost[0], "%s", text)
	}
	if h := heads[0]; h.twice != "" {
		return fail(OtherColumns, whole[0].Name, h.words[h.both[0]], "two columns have that name, %s and %s. Give each its own name", Letters(h.both[0]), Letters(h.both[1]))
	}
	return whole[0], heads[0], nil
}

func valuesOf(m map[Field]int) (out []int) {
	for _, i := range m {
		out = append(out, i)
	}
	return out
}

// quoted joins names for a sentence.
func quoted(names []string) string {
	const most = 12
	more := ""
	if len(names) > most {
		more = " and " + fixity.Count(len(names)-most, "other")
		names = names[:most]
	}
	q := make([]string, len(names))
	for i, n := range names {
		q[i] = fmt.Sprintf("%q", n)
	}
	return strings.Join(q, ", ") + more
}

// Letters is a column's name in a spreadsheet program: A is column 0, AA column 26.
func Letters(i int) string {
	s := ""
	for i++; i > 0; i = (i - 1) / 26 {
		s = string(rune('A'+(i-1)%26)) + s
	}
	return s
}
