package ledger_test

import (
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

func registerRows(n int, text func(i int) string) []fixity.RegisterRow {
	var out []fixity.RegisterRow
	for i := range n {
		out = append(out, fixity.RegisterRow{Line: i + 2, Cells: text(i)})
	}
	return out
}

func (w *world) keep(rows []fixity.RegisterRow) (v fixity.RegisterVersion, ok bool) {
	w.Helper()
	w.tx(func(x *ledger.Tx) (err error) {
		v, ok, err = x.Register.Keep(fixity.RegisterVersion{By: "Ada Wren", From: "register.csv", Columns: `{"item":"Number"}`}, slices.Clone(rows))
		return err
	})
	return v, ok
}

// count is how many rows a table of the ledger has.
func (w *world) registerRowsKept() (n int) {
	w.Helper()
	seen := map[int64]bool{}
	w.view(func(x *ledger.Tx) error {
		all, err := x.Register.Versions(0, 1000)
		if err != nil {
			return err
		}
		for _, v := range all {
			rows, err := x.Register.Rows(v)
			if err != nil {
				return fmt.Errorf("version %d: %w", v.N, err)
			}
			if int64(len(rows)) != v.Rows {
				w.Errorf("version %d has %d rows, not %d", v.N, len(rows), v.Rows)
			}
			for _, r := range rows {
				seen[r.ID] = true
			}
		}
		return nil
	})
	return len(seen)
}

// A night without a change costs nothing, a changed row one row, and rows that only stand
// elsewhere none.
func TestARegisterIsKeptByWhatDiffers(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		text := func(i int) string { return fmt.Sprintf(`{"item":"QV-%04d"}`, i/2) } // each twice
		rows := registerRows(300, text)
		if v, ok := w.keep(rows); !ok || v.N != 1 || v.Rows != 300 {
			t.Fatalf("%+v, %v", v, ok)
		}
		w.pass(day)
		if v, ok := w.keep(rows); ok || v.N != 1 {
			t.Errorf("a night without a change made version %d", v.N)
		}
		for _, tc := range []struct {
			name string
			do   func([]fixity.RegisterRow) []fixity.RegisterRow
			more int
		}{
			{"a row is changed", func(r []fixity.RegisterRow) []fixity.RegisterRow { r[7].Cells = `{"item":"other"}`; return r }, 1},
			{"all rows are one line further down", func(r []fixity.RegisterRow) []fixity.RegisterRow {
				for i := range r {
					r[i].Line++
				}
				return r
			}, 0},
			{"a row is put in above", func(r []fixity.RegisterRow) []fixity.RegisterRow {
				for i := range r {
					r[i].Line++
				}
				return append([]fixity.RegisterRow{{Line: 2, Cells: `{"item":"new"}`}}, r...)
			}, 1},
			{"all are turned round", func(r []fixity.RegisterRow) []fixity.RegisterRow {
				for i, j := 0, len(r)-1; i < j; i, j = i+1, j-1 {
					r[i].Cells, r[j].Cells = r[j].Cells, r[i].Cells
				}
				return r
			}, 0},
			{"a row goes", func(r []fixity.RegisterRow) []fixity.RegisterRow { return r[:len(r)-1] }, 0},
			{"none is left", func(r []fixity.RegisterRow) []fixity.RegisterRow { return nil }, 0},
		} {
			before := w.registerRowsKept()
			w.pass(day)
			rows = tc.do(slices.Clone(rows))
			v, ok := w.keep(rows)
			if !ok {
				t.Errorf("%s: no version", tc.name)
			}
			if more := w.registerRowsKept() - before; more != tc.more {
				t.Errorf("%s: %d rows more, want %d", tc.name, more, tc.more)
			}
			w.view(func(x *ledger.Tx) error {
				got, err := x.Register.Rows(v)
				for i := range rows {
					if i < len(got) && (got[i].Line != rows[i].Line || got[i].Cells != rows[i].Cells) {
						t.Fatalf("%s: row %d is %+v, want %+v", tc.name, i, got[i], rows[i])
					}
				}
				return err
			})
		}
		if _, err := w.l.Verify(t.Context()); err != nil {
			t.Error(err)
		}
	})
}

// Rows that aren't those that were read are not believed.
func TestARowOfTheRegisterThatWasEditedIsNoticed(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		v, _ := w.keep(registerRows(3, func(i int) string { return fmt.Sprint(i) }))
		if _, err := w.d.raw().Exec(`UPDATE register_row SET cells = '7' WHERE id = 2`); err != nil {
			t.Fatal(err)
		}
		err := w.l.View(t.Context(), func(x *ledger.Tx) error { _, err := x.Register.Rows(v); return err })
		if !errors.Is(err, ledger.ErrDamaged) {
			t.Errorf("%v", err)
		}
	})
}

func problems(lines ...int) (out []fixity.RegisterProblem) {
	for _, l := range lines {
		out = append(out, fixity.RegisterProblem{Key: fmt.Sprint("length", l), Line: l, Column: "Length", Kind: "length", Tells: []string{"says", fmt.Sprint(l)}})
	}
	return out
}

// Findings of the register are one a kind; what was settled stays quiet, and news is told.
func TestFindingsOfTheRegisterAreGathered(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		put := func(open int64, ps ...fixity.RegisterProblem) {
			t.Helper()
			w.pass(time.Hour)
			w.tx(func(x *ledger.Tx) error {
				n, err := x.Register.PutProblems(ps, "Ada Wren")
				if n != open {
					t.Errorf("%d open, want %d", n, open)
				}
				return err
			})
		}
		find := func(n int) (out []ledger.Finding) {
			t.Helper()
			w.view(func(x *ledger.Tx) (err error) { out, err = x.Findings.Open(""); return err })
			if len(out) != n {
				t.Fatalf("%d findings open, want %d: %+v", len(out), n, out)
			}
			return out
		}
		put(3, problems(2, 3, 40)...)
		f := find(1)[0]
		if f.Subject != fixity.OfRegister || f.Urgency != fixity.Tidy || f.Count != 3 || f.Kind != "length" || len(f.Facts.Seen) != 3 {
			t.Errorf("%+v", f)
		}
		put(2, problems(2, 40)...)
		if g := find(1)[0]; g.ID != f.ID || g.Count != 2 {
			t.Errorf("%+v", g)
		}
		w.tx(func(x *ledger.Tx) error {
			f, err := x.Findings.Get(f.ID)
			if err != nil {
				return err
			}
			return x.Findings.Settle(f, fixity.ByPerson, "Bo Ferry", "that is how it was written")
		})
		put(0, problems(2, 40)...)
		find(0)
		// So does what an earlier version of Firmus kept as a sentence, under another key.
		if _, err := w.d.raw().Exec(`UPDATE register_problem SET key = 'old ' || key, says = 'The row says 3:15.'`); err != nil {
			t.Fatal(err)
		}
		w.view(func(x *ledger.Tx) error {
			ps, err := x.Register.Problems("", 0, "", 9)
			if len(ps) != 2 || len(ps[0].Tells) != 1 || ps[0].Tells[0] != "The row says 3:15." {
				t.Errorf("%+v", ps)
			}
			return err
		})
		put(0, problems(2, 40)...)
		find(0)
		put(1, problems(2, 40, 41)...)
		if g := find(1)[0]; g.ID == f.ID || g.Count != 1 {
			t.Errorf("%+v", g)
		}
		put(0)
		find(0)
		put(2, problems(2, 40)...) // it was mended, and is wrong again: that is news
		find(1)
	})
}

// A register that can't be read is one finding, until it can.
func TestARegisterThatCantBeRead(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		v, _ := w.keep(registerRows(3, func(i int) string { return fmt.Sprint(i) }))
		for range 2 {
			w.pass(day)
			w.tx(func(x *ledger.Tx) error {
				return x.Register.Failed(fixity.RegisterReading{From: "register.csv"}, fixity.Fact{Code: "damaged", Said: []string{"its checksum is wrong", ""}}, "its checksum is wrong", "Ada Wren")
			})
		}
		w.view(func(x *ledger.Tx) error {
			fs, err := x.Findings.Open("")
			if len(fs) != 1 || fs[0].Kind != fixity.NotRead || fs[0].Facts.Seen[0].Version != v.N {
				t.Errorf("%+v", fs)
			}
			now, err2 := x.Register.Version(0)
			if now.N != v.N {
				t.Errorf("version %d is in force", now.N)
			}
			return errors.Join(err, err2)
		})
		w.tx(func(x *ledger.Tx) error { return x.Register.ReadAgain("Ada Wren") })
		w.view(func(x *ledger.Tx) error {
			if fs, err := x.Findings.Open(""); err != nil || len(fs) != 0 {
				t.Errorf("%+v, %v", fs, err)
			}
			return nil
		})
	})
}

func TestWhatTheRegisterSaysIsWrittenWhereItDiffers(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		says := []fixity.RegisterSays{{Item: "QV-0107", Side: "A", Line: 2, Text: "{}"}, {Item: "QV-0107", Line: 3, Restricted: true, Text: "{}"}}
		for _, s := range [][]fixity.RegisterSays{says, says, says[:1], nil} {
			w.tx(func(x *ledger.Tx) error { return x.Register.PutSays(s, "Ada Wren") })
			w.view(func(x *ledger.Tx) error {
				got, err := x.Register.AllSays()
				if len(got) != len(s) {
					t.Errorf("%+v, want %+v", got, s)
				}
				return err
			})
		}
	})
}

// Once the rules say that the register has a column for what isn't for everybody, nothing is
// free by a reading that knew of no such column.
func TestNothingIsFreeByAReadingWithoutTheColumn(t *testing.T) {
	t.Parallel()
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		says := []fixity.RegisterSays{{Item: "QV-0107", Side: "A", Line: 2, Text: "{}"}}
		read := func(columns, row string) {
			w.tx(func(x *ledger.Tx) error {
				_, _, err := x.Register.Keep(fixity.RegisterVersion{By: "Ada Wren", From: "register.csv", Columns: columns}, []fixity.RegisterRow{{Line: 2, Cells: row}})
				return errors.Join(err, x.Register.PutSays(says, "Ada Wren"))
			})
		}
		restricts := func(want bool) {
			w.Helper()
			w.view(func(x *ledger.Tx) error {
				r, err := x.Register.Restricted()
				if got := r.Item("QV-0107", "A"); got != want {
					w.Errorf("restricted: %v, want %v", got, want)
				}
				return err
			})
		}
		read(`{"item":"Number"}`, `{"item":"QV-0107"}`)
		restricts(false)
		w.l.Close()
		w.l = d.open(func(o *ledger.Options) { o.Rules.RestrictsItems = true })
		restricts(true)
		read(`{"item":"Number","restricted":"Access"}`, `{"item":"QV-0107","restricted":"no"}`)
		restricts(false)
	})
}
