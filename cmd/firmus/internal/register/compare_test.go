package register_test

import (
	"fmt"
	"slices"
	"strconv"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/register"
)

func row(line int, cells ...string) register.Row {
	r := register.Row{Line: line, Cells: map[register.Field]register.Cell{}}
	for i := 0; i < len(cells); i += 2 {
		if f := register.Field(cells[i]); slices.Contains(register.Fields, f) {
			r.Cells[f] = register.Cell{Text: cells[i+1], Kind: register.TextCell}
		} else {
			r.Rest = append(r.Rest, register.Other{Header: cells[i], Text: cells[i+1]})
		}
	}
	return r
}

// reels is a register with a row for each side.
func reels(n int) (out []register.Row) {
	for i := range n {
		out = append(out, row(i+2, "item", fmt.Sprintf("QV-%04d", i/2+1), "side", string(rune('A'+i%2)), "title", fmt.Sprint("Song ", i), "length", fmt.Sprintf("31:%02d", i%60),
			"barcode", strconv.Itoa(30234000000000+i*7), "condition", []string{"good", "sheds", "brittle"}[i%3], "Shelf", fmt.Sprint("R", i/10)))
	}
	return out
}

// again copies rows and changes them.
func again(rows []register.Row, do func(i int, r *register.Row)) []register.Row {
	out := slices.Clone(rows)
	for i := range out {
		cells := map[register.Field]register.Cell{}
		for f, c := range out[i].Cells {
			cells[f] = c
		}
		out[i].Cells, out[i].Rest = cells, slices.Clone(out[i].Rest)
		do(i, &out[i])
	}
	return out
}

func say(r *register.Row, f register.Field, text string) { r.Cells[f] = register.Cell{Text: text} }

func TestCompare(t *testing.T) {
	t.Parallel()
	base := reels(200)
	nothing := func(int, *register.Row) {}
	type want struct{ added, deleted, changed, moved, torn, filled int }
	for _, tc := range []struct {
		name          string
		before, after []register.Row
		want          want
	}{
		{"nothing", base, again(base, nothing), want{}},
		{"all rows are one line further down", base, again(base, func(_ int, r *register.Row) { r.Line++ }), want{}},
		{"a row is put in above", base, append([]register.Row{row(2, "item", "QV-0900", "title", "New")}, again(base, func(_ int, r *register.Row) { r.Line++ })...), want{added: 1}},
		{"a row goes", base, slices.Concat(base[:50], base[51:]), want{deleted: 1}},
		{"a cell", base, again(base, func(i int, r *register.Row) {
			if i == 7 {
				say(r, register.Condition, "sheds, do not play again")
			}
		}), want{changed: 1}},
		{"a number is corrected", base, again(base, func(i int, r *register.Row) {
			if i == 7 {
				say(r, register.Item, "QV-0444")
			}
		}), want{changed: 1}},
		{"another reel in its place", base, again(base, func(i int, r *register.Row) {
			if i == 7 {
				*r = row(9, "item", "QV-0444", "side", "A", "title", "Else", "length", "2:00", "barcode", "1")
			}
		}), want{added: 1, deleted: 1}},
		{"sorted as a whole", base, func() []register.Row {
			out := again(base, nothing)
			slices.Reverse(out)
			return out
		}(), want{moved: 199}},
		{"one row is dragged down", base, slices.Concat(base[:10], base[11:100], base[10:11], base[100:]), want{moved: 1}},
		{"a column is sorted by itself", base, again(base, func(i int, r *register.Row) { say(r, register.Barcode, base[199-i].Text(register.Barcode)) }), want{changed: 200, torn: 1}},
		{"the numbers are sorted by themselves", base, again(base, func(i int, r *register.Row) {
			say(r, register.Item, base[(i+100)%200].Text(register.Item))
			say(r, register.Side, base[(i+100)%200].Text(register.Side))
		}), want{changed: 200, torn: 1}},
		{"a column slips by one", base, again(base, func(i int, r *register.Row) {
			say(r, register.Title, "")
			if i > 0 {
				say(r, register.Title, base[i-1].Text(register.Title))
			}
		}), want{changed: 200, torn: 1}},
		{"two values are exchanged", base, again(base, func(i int, r *register.Row) {
			if i == 3 || i == 9 {
				say(r, register.Barcode, base[12-i].Text(register.Barcode))
			}
		}), want{changed: 2}},
		{"a column is filled down", base, again(base, func(i int, r *register.Row) {
			if i >= 20 && i < 60 {
				say(r, register.Title, base[19].Text(register.Title))
			}
		}), want{changed: 40, filled: 1}},
		{"a column is emptied", base, again(base, func(i int, r *register.Row) {
			if i >= 20 && i < 60 {
				say(r, register.Title, "")
			}
		}), want{changed: 40, filled: 1}},
		{"blanks are filled in", again(base, func(i int, r *register.Row) { delete(r.Cells, register.Condition) }),
			again(base, func(i int, r *register.Row) { say(r, register.Condition, "good") }), want{changed: 200}},
		{"one word becomes another all the way down", again(base, func(i int, r *register.Row) { say(r, register.Condition, "ok") }),
			again(base, func(i int, r *register.Row) { say(r, register.Condition, "good") }), want{changed: 200}},
		{"a word is struck out here and written there", base, again(base, func(i int, r *register.Row) { say(r, register.Condition, []string{"sheds", "good"}[i%2]) }), want{changed: 134}},
		{"a header that nothing is mapped to is renamed", base, again(base, func(i int, r *register.Row) { r.Rest[0].Header = "Place" }), want{}},
		{"the same row many times over", slices.Repeat(base[:1], 100), slices.Repeat(base[:1], 103), want{added: 3}},
		{"rows without a number", again(base, func(_ int, r *register.Row) { delete(r.Cells, register.Item) }), again(base, func(i int, r *register.Row) {
			delete(r.Cells, register.Item)
			if i == 5 {
				say(r, register.Title, "Another")
			}
		}), want{changed: 1}},
		{"it is empty now", base, nil, want{deleted: 200}},
		{"it was empty", nil, base, want{added: 200}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			c := register.Compare(tc.before, tc.after)
			got := want{len(c.Added), len(c.Deleted), len(c.Changed), c.Moved, len(c.Torn), len(c.Filled)}
			if got != tc.want {
				t.Errorf("%+v, want %+v", got, tc.want)
			}
			if c.None() != (got == want{}) {
				t.Errorf("None is %v", c.None())
			}
		})
	}
}

// What is said of a mistake names the right column and the right rows.
func TestWhatIsSaidOfATornColumn(t *testing.T) {
	t.Parallel()
	base := reels(100)
	c := register.Compare(base, again(base, func(i int, r *register.Row) { say(r, register.Barcode, base[99-i].Text(register.Barcode)) }))
	if x := c.Torn; len(x) != 1 || x[0].AllOthers || len(x[0].Columns) != 1 || x[0].Columns[0].Field != register.Barcode || x[0].Rows != 100 || x[0].Of != 100 {
		t.Errorf("%+v", x)
	}
	c = register.Compare(base, again(base, func(i int, r *register.Row) {
		say(r, register.Item, base[(i+50)%100].Text(register.Item))
		say(r, register.Side, base[(i+50)%100].Text(register.Side))
	}))
	if x := c.Torn; len(x) != 1 || !x[0].AllOthers || x[0].Columns[0].Field != register.Item {
		t.Errorf("%+v", x)
	}
	c = register.Compare(base, again(base, func(i int, r *register.Row) {
		if i >= 20 && i < 60 {
			say(r, register.Title, "Song 19")
		}
	}))
	if x := c.Filled; len(x) != 1 || x[0].Line != 22 || x[0].Until != 61 || x[0].Rows != 40 || x[0].Cell.After != "Song 19" {
		t.Errorf("%+v", x)
	}
}

func TestARowComesBackAsItWasStored(t *testing.T) {
	t.Parallel()
	for _, text := range []string{"QV-0107", "<script>", "\u202eevil", "a\x00b\x1fc", "\xff", string(make([]byte, 32767))} {
		r := row(7, "item", text, "Shelf", text)
		r.Sheet, r.Hidden = "Reels", true
		got, err := register.FromStored(r.Stored(), 7)
		if err != nil {
			t.Fatal(err)
		}
		if again, err := register.FromStored(got.Stored(), 7); err != nil || got.Stored() != again.Stored() || !got.Hidden || got.Line != 7 {
			t.Errorf("%.20q: %v", text, err)
		}
	}
}

// Nobody waits for a register of 20,000 rows, whatever befell it. What is measured here is
// printed; a comparison of each row with each other would take minutes, which is noticed.
func TestCompareIsQuick(t *testing.T) {
	t.Parallel()
	base := reels(20000)
	for name, after := range map[string][]register.Row{
		"shifted":      again(base, func(_ int, r *register.Row) { r.Line++ }),
		"turned round": func() []register.Row { x := slices.Clone(base); slices.Reverse(x); return x }(),
		"all others": again(base, func(i int, r *register.Row) {
			say(r, register.Item, fmt.Sprint("X", i))
			say(r, register.Title, "-")
			say(r, register.Length, "-")
			say(r, register.Barcode, "-")
			say(r, register.Condition, "-")
		}),
		"numbers torn":     again(base, func(i int, r *register.Row) { say(r, register.Item, base[(i+777)%20000].Text(register.Item)) }),
		"one row, doubled": slices.Repeat(base[:1], 20000),
	} {
		began := time.Now()
		register.Compare(base, after)
		took := time.Since(began)
		t.Logf("%s: %s", name, took)
		if took > time.Minute {
			t.Errorf("%s took %s", name, took)
		}
	}
}

func BenchmarkCompare(b *testing.B) {
	base := reels(20000)
	after := again(base, func(i int, r *register.Row) { say(r, register.Barcode, base[19999-i].Text(register.Barcode)) })
	for b.Loop() {
		register.Compare(base, after)
	}
}
