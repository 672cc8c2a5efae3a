package register_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/cmd/firmus/internal/register"
	"firmus/fixity"
)

// sheetOf is a sheet out of lines with | between the cells; "" is a line that isn't there.
func sheetOf(name string, merged []register.Merge, lines ...string) register.Sheet {
	return register.Sheet{Name: name, Lines: func(_ context.Context, each func(register.Line) error) (register.Found, error) {
		for i, l := range lines {
			if l == "" {
				continue
			}
			line := register.Line{Number: i + 1}
			for _, c := range strings.Split(l, "|") {
				cell := register.Cell{Text: c}
				if c != "" {
					cell.Kind = register.TextCell
				}
				line.Cells = append(line.Cells, cell)
			}
			if err := each(line); err != nil {
				return register.Found{}, err
			}
		}
		return register.Found{Merged: merged}, nil
	}}
}

func texts(t register.Table, fields ...register.Field) (out []string) {
	for _, r := range t.Rows {
		var row []string
		for _, f := range fields {
			row = append(row, r.Text(f))
		}
		out = append(out, strings.Join(row, "|"))
	}
	return out
}

var columns = register.Columns{register.Item: "Number", register.Side: "Side", register.Restricted: "Open?"}

func TestRead(t *testing.T) {
	b := register.Book{Sheets: []register.Sheet{
		sheetOf("Notes", nil, "What we do", "Number of reels|12"),
		sheetOf("Reels", []register.Merge{{Line: 4, LastLine: 5}}, "Register of the survey", "", " number |Title|SIDE|Open?", "QV-1|x|A|yes", "|y|B|perhaps", "", "|z|A|", "QV-3||A|Perhaps"),
	}}
	got, err := register.Read(t.Context(), "r.ods", b, register.Order{Columns: columns})
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff([]string{"QV-1|A", "QV-1|B", "|A", "QV-3|A"}, texts(got, register.Item, register.Side)); d != "" {
		t.Error(d)
	}
}

func TestUnreadable(t *testing.T) {
	reels := sheetOf("Reels", nil, "Number|Side|Open?", "QV-1|A|yes")
	for _, test := range []struct {
		name   string
		sheets []register.Sheet
		sheet  string
		want   register.Unreadable
		says   string
	}{
		{"a sheet renamed", []register.Sheet{reels}, "Reel", register.Unreadable{Why: register.OtherSheet}, `sheet = "Reels"`},
		{"two sheets alike", []register.Sheet{reels, sheetOf("Old", nil, "Number|Side|Open?")}, "", register.Unreadable{Why: register.OtherSheet}, `"Reels", "Old"`},
		{"a column that vanished", []register.Sheet{sheetOf("Reels", nil, "Number|Sides|Open?")}, "", register.Unreadable{Why: register.OtherColumns, Sheet: "Reels", Column: "Side"}, `If "Sides" is the column now`},
		{"a column twice", []register.Sheet{sheetOf("Reels", nil, "Number|Side|Open?|side")}, "", register.Unreadable{Why: register.OtherColumns, Sheet: "Reels", Column: "Side"}, "B and D"},
		{"no header", []register.Sheet{sheetOf("Reels", nil, "a|b")}, "", register.Unreadable{Why: register.OtherColumns, Sheet: "Reels", Column: "Number"}, "none of the first"},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := register.Read(t.Context(), "r.ods", register.Book{Sheets: test.sheets}, register.Order{Sheet: test.sheet, Columns: columns})
			var u *register.Unreadable
			if !errors.As(err, &u) || !errors.Is(err, fixity.ErrRefused) {
				t.Fatalf("%v", err)
			}
			if u.Why != test.want.Why || u.Sheet != test.want.Sheet || u.Column != test.want.Column || !strings.Contains(u.Text, test.says) {
				t.Errorf("%+v", u)
			}
		})
	}
}

func TestLetters(t *testing.T) {
	for i, want := range map[int]string{0: "A", 25: "Z", 26: "AA", 701: "ZZ", 702: "AAA", 16383: "XFD"} {
		if got := register.Letters(i); got != want {
			t.Errorf("%d: %s, not %s", i, got, want)
		}
	}
}

// A blank cell of the column of restrictions is there, for it restricts; others aren't kept.
func TestBlankRestricts(t *testing.T) {
	b := register.Book{Sheets: []register.Sheet{sheetOf("", nil, "Number|Side|Open?", "QV-1|A|", "QV-2")}}
	got, err := register.Read(t.Context(), "r.csv", b, register.Order{Columns: columns})
	if err != nil || len(got.Rows) != 2 {
		t.Fatal(got, err)
	}
	for _, r := range got.Rows {
		if c, ok := r.Cells[register.Restricted]; !ok || c.Text != "" || c.Column != "C" {
			t.Errorf("row %d: %+v, %v", r.Line, c, ok)
		}
	}
	if _, ok := got.Rows[1].Cells[register.Side]; ok {
		t.Error("a blank cell is kept")
	}
}

func TestPropose(t *testing.T) {
	b := register.Book{Sheets: []register.Sheet{
		sheetOf("Notes", nil, "Title|Something"),
		sheetOf("Reels", nil, "Quillmere Valley Song Survey", "Reel No.|Side|TITLE|Time|Disc no.|Disc no.|Mood", "QV-1|A"),
	}}
	p, err := register.Propose(t.Context(), "r.ods", b, "")
	if err != nil {
		t.Fatal(err)
	}
	want := register.Columns{register.Item: "Reel No.", register.Side: "Side", register.Title: "TITLE", register.Length: "Time"}
	if d := cmp.Diff(want, p.Columns); d != "" || p.Sheet != "Reels" {
		t.Error(p.Sheet, d)
	}
	if d := cmp.Diff([]string{"Disc no.", "Disc no.", "Mood"}, p.Free); d != "" {
		t.Error(d)
	}
}

// What nobody mapped is kept all the same, so that a row can be copied whole.
func TestARowIsReadWhole(t *testing.T) {
	b := register.Book{Sheets: []register.Sheet{sheetOf("", nil, "Number|Shelf||Side", "QV-1|R 7|old|A|beyond", "QV-2|||B")}}
	got, err := register.Read(t.Context(), "r.csv", b, register.Order{Columns: register.Columns{register.Item: "Number", register.Side: "Side"}})
	if err != nil {
		t.Fatal(err)
	}
	want := []register.Other{{Header: "Shelf", Text: "R 7", Column: "B"}, {Header: "C", Text: "old", Column: "C"}, {Header: "E", Text: "beyond", Column: "E"}}
	if d := cmp.Diff(want, got.Rows[0].Rest); d != "" || got.Rows[1].Rest != nil {
		t.Error(d, got.Rows[1].Rest)
	}
	if s := got.Rows[0].Tabbed(); s != "QV-1\tR 7\told\tA\tbeyond" {
		t.Errorf("%q", s)
	}
	odd := register.Row{Cells: map[register.Field]register.Cell{register.Item: {Text: "=1+1", Column: "1"}, register.Notes: {Text: "a\tb \"c\"", Column: "3"}}}
	if s := odd.Tabbed(); s != "'=1+1\t\t\"a\tb \"\"c\"\"\"" {
		t.Errorf("%q", s)
	}
}

// A merged cell of lengths says so in each row that it covers.
func TestReadMergedLength(t *testing.T) {
	t.Parallel()
	b := register.Book{Sheets: []register.Sheet{sheetOf("Reels", []register.Merge{{Line: 2, LastLine: 3, Column: 2, LastColumn: 2}}, "Number|Side|Length", "QV-1|A|60:02", "QV-1|B|", "QV-2|A|30:00")}}
	table, err := register.Read(t.Context(), "f", b, register.Order{Columns: register.Columns{register.Item: "Number", register.Side: "Side", register.Length: "Length"}})
	if err != nil {
		t.Fatal(err)
	}
	got := ""
	for _, r := range table.Rows {
		got += fmt.Sprintf("%d %s %d;", r.Line, r.Text(register.Length), r.Cells[register.Length].Over)
	}
	if want := "2 60:02 2;3 60:02 2;4 30:00 0;"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

// A header of two lines is read as one, where that names more than either line.
func TestReadTwoHeaderLines(t *testing.T) {
	t.Parallel()
	b := register.Book{Sheets: []register.Sheet{sheetOf("Reels", nil, "The survey", "Number|Side|Contents", "||Title|Length", "QV-1|A|Lark|31:52", "QV-1|B|Wren|28:10")}}
	p, err := register.Propose(t.Context(), "f", b, "")
	if err != nil || p.Columns[register.Length] != "Length" || p.Columns[register.Item] != "Number" || p.Columns[register.Title] != "Title" {
		t.Fatalf("%+v, %v", p, err)
	}
	got, err := register.Read(t.Context(), "f", b, register.Order{Columns: p.Columns})
	if err != nil || got.Header != 3 || len(got.Rows) != 2 || got.Rows[0].Text(register.Length) != "31:52" {
		t.Errorf("%+v, %v", got, err)
	}
	// A line of rows below a whole header is no part of it.
	b = register.Book{Sheets: []register.Sheet{sheetOf("Reels", nil, "Number|Side|Title", "QV-1|A|", "|B|Length")}}
	if got, err := register.Read(t.Context(), "f", b, register.Order{Columns: register.Columns{register.Item: "Number", register.Side: "Side"}}); err != nil || got.Header != 1 || len(got.Rows) != 2 {
		t.Errorf("%+v, %v", got, err)
	}
}

// Blocks of merged cells that cover one another, as no program writes them, end the reading
// before they fill the memory or take for ever.
func TestMergedCellsAreBounded(t *testing.T) {
	const rows = 5_000
	sheet := func(text string, merged []register.Merge) register.Book {
		return register.Book{Sheets: []register.Sheet{{Lines: func(_ context.Context, each func(register.Line) error) (register.Found, error) {
			cell := func(s string) register.Cell { return register.Cell{Text: s, Kind: register.TextCell} }
			if err := each(register.Line{Number: 1, Cells: []register.Cell{cell("Number"), cell("Side")}}); err != nil {
				return register.Found{}, err
			}
			for n := 2; n < rows; n++ {
				c := []register.Cell{{}, cell("A")}
				if n == 2 {
					c[0] = cell(text)
				}
				if err := each(register.Line{Number: n, Cells: c}); err != nil {
					return register.Found{}, err
				}
			}
			return register.Found{Merged: merged}, nil
		}}}}
	}
	o := register.Order{Columns: register.Columns{register.Item: "Number", register.Side: "Side"}}
	all := register.Merge{Line: 2, LastLine: rows, Column: 0}
	for name, c := range map[string]struct {
		b    register.Book
		over bool
	}{
		"one block":     {sheet("QV-0107", []register.Merge{all}), false},
		"over another":  {sheet("QV-0107", slices.Repeat([]register.Merge{all}, 200_000)), true},
		"of a long one": {sheet(strings.Repeat("x", 30_000), []register.Merge{all}), true},
	} {
		began := time.Now()
		table, err := register.Read(t.Context(), "register.xlsx", c.b, o)
		var u *register.Unreadable
		switch {
		case time.Since(began) > 20*time.Second:
			t.Errorf("%s: %s", name, time.Since(began))
		case c.over && (!errors.As(err, &u) || u.Why != register.TooLarge):
			t.Errorf("%s: %v", name, err)
		case !c.over && (err != nil || table.Rows[len(table.Rows)-1].Text(register.Item) != "QV-0107"):
			t.Errorf("%s: %v", name, err)
		}
	}
}
