package ledger_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// What can't be transferred again is one step more urgent, and comes first in lists; once the register says so no more, neither is so.
func TestWhatCannotBeTransferredAgainComesFirst(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		other := w.take(masters, "QV-0106/QV-0106_A.wav", "o", true, "studio", "vault")
		f := w.take(masters, side, "a", true, "studio", "vault")
		w.move("vault", masters, "QV-0106/QV-0106_A.wav", "QV-0106/other.wav")
		w.move("vault", masters, side, "QV-0107/other.wav")
		w.audit("vault", order{})
		w.found(other, "vault", fixity.Misplaced, fixity.Tidy)
		w.found(f, "vault", fixity.Misplaced, fixity.Tidy)
		says := func(cannot bool) {
			w.tx(func(x *ledger.Tx) error {
				return x.Register.PutSays([]fixity.RegisterSays{{Item: "QV-0107", Side: "A", Unplayable: cannot, Text: "{}"}, {Item: "QV-0106", Text: "{}"}}, "Ada Wren")
			})
		}
		first := func(u fixity.Urgency) (items []string) {
			w.view(func(x *ledger.Tx) error {
				fs, err := x.Findings.Page(u, 0, 1)
				for len(fs) > 0 && err == nil {
					items = append(items, fs[0].Path[:7])
					fs, err = x.Findings.Page(u, fs[0].ID, 1)
				}
				return err
			})
			return items
		}
		says(true)
		w.found(other, "vault", fixity.Misplaced, fixity.Tidy)
		if fd := w.found(f, "vault", fixity.Misplaced, fixity.AtRisk); !fd.Once {
			t.Error("the finding doesn't know that its item can't be transferred again")
		}
		// Judged anew, it stays so.
		w.audit("vault", order{})
		w.found(f, "vault", fixity.Misplaced, fixity.AtRisk)
		// In its urgency it comes before others, on every page of one.
		w.rot("studio", masters, side, "b")
		w.rot("studio", masters, "QV-0106/QV-0106_A.wav", "b")
		w.audit("studio", order{full: true})
		w.found(other, "studio", fixity.Altered, fixity.AtRisk)
		if got := first(fixity.AtRisk); len(got) != 3 || got[0] != "QV-0107" || got[1] != "QV-0107" || got[2] != "QV-0106" {
			t.Errorf("the list begins with %q", got)
		}
		says(false)
		if fd := w.found(f, "vault", fixity.Misplaced, fixity.Tidy); fd.Once {
			t.Error("it stays so once the register says it no more")
		}
	})
}

// What can't be transferred again is read before all else, wherever it lies: in one folder with
// the rest, in a folder that comes later, in an audit of everything and in one of what is due.
func TestWhatCannotBeTransferredAgainIsReadFirst(t *testing.T) {
	t.Parallel()
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d, byName(t))
		var all []ledger.File
		for _, p := range []string{"QV-0101_A.wav", "QV-0102_A.wav", "QV-0103_A.wav", "box 1/QV-0104_A.wav", "box 1/QV-0105_A.wav", "box 2/QV-0106_A.wav", "box 2/QV-0107_A.wav"} {
			all = append(all, w.take(masters, p, p, true, "vault"))
		}
		w.tx(func(x *ledger.Tx) error {
			return x.Register.PutSays([]fixity.RegisterSays{{Item: "QV-0102", Unplayable: true, Text: "{}"}, {Item: "QV-0105", Side: "A", Unplayable: true, Text: "{}"},
				{Item: "QV-0105", Side: "B", Unplayable: true, Text: "{}"}, {Item: "QV-0107", Unplayable: true, Text: "{}"}, {Item: "QV-0101", Text: "{}"}}, "Ada Wren")
		})
		w.pass(40 * day)
		once := []int{1, 4, 6}
		for _, o := range []order{{full: true}, {}, {full: true, under: "box 1"}, {under: "QV-0102_A.wav", full: true}} {
			o.stopAt = fixity.PhaseRead
			w.pass(time.Hour)
			a := w.audit("vault", o)
			read := func() (out []int) {
				for i, f := range all {
					if w.copyOf(f, "vault").Read.At.Equal(w.clock) {
						out = append(out, i)
					}
				}
				return out
			}
			var want []int
			for _, i := range once {
				if o.under == "" || o.under == all[i].Path || ledger.Top(all[i].Path) == o.under {
					want = append(want, i)
				}
			}
			if got := read(); !slices.Equal(got, want) {
				t.Errorf("%+v: first %v, want %v", o, got, want)
			}
			w.phase(a, fixity.PhaseRead, o)
			want = nil
			for i, f := range all {
				if o.under == "" || o.under == f.Path || ledger.Top(f.Path) == o.under {
					want = append(want, i)
				}
			}
			if got := read(); !slices.Equal(got, want) {
				t.Errorf("%+v: in all %v, want %v", o, got, want)
			}
			w.pass(40 * day)
		}
		var n, left int64
		db := w.d.raw()
		if err := db.QueryRow(`SELECT count(*) FROM read_first`).Scan(&left); err != nil || left > 0 {
			t.Errorf("%d places are left to be read first, %v", left, err)
		}
		// Whatever the number of readings of a file, each was told once.
		if err := db.QueryRow(`SELECT sum(n) FROM reading WHERE event >= 0`).Scan(&n); err != nil || n != 7+7+2+1 {
			t.Errorf("%d readings, %v", n, err)
		}
		w.tx(func(x *ledger.Tx) error { return x.Register.PutSays(nil, "Ada Wren") })
		a := w.audit("vault", order{stopAt: fixity.PhaseFirst})
		if w.view(func(x *ledger.Tx) (err error) { a, err = x.Audits.Get(a.ID); return err }); a.Phase != fixity.PhaseRead {
			t.Errorf("with nothing to be read first the audit is in %q", a.Phase)
		}
		sound(t, w.l)
	})
}

// byName has items told by the names of files, in whatever folder they lie.
func byName(t testing.TB) func(*ledger.Options) {
	p, err := care.NewPattern("{item}_{side}.wav")
	if err != nil {
		t.Fatal(err)
	}
	return func(o *ledger.Options) {
		o.Rules.Sets = slices.Clone(o.Rules.Sets)
		o.Rules.Sets[0].Pattern = p
	}
}

// Of a cloud's bytes a day, what can't be transferred again takes its part first, however
// long the rest has been due, and no more than the day has.
func TestWhatCannotBeTransferredAgainTakesTheDayFirst(t *testing.T) {
	t.Parallel()
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d, byName(t), func(o *ledger.Options) {
			o.Rules.Stores = slices.Clone(o.Rules.Stores)
			o.Rules.Stores[1].ReadADay = 250_000
		})
		var all []ledger.File
		says := []fixity.RegisterSays{}
		for i := range 6 {
			all = append(all, w.take(masters, fmt.Sprintf("QV-%04d_A.wav", 100+i), fmt.Sprintf("%04d", i), true, "vault"))
			if i >= 3 {
				says = append(says, fixity.RegisterSays{Item: fmt.Sprintf("QV-%04d", 100+i), Unplayable: true, Text: "{}"})
			}
			w.pass(day)
		}
		w.tx(func(x *ledger.Tx) error { return x.Register.PutSays(says, "Ada Wren") })
		w.pass(35 * day)
		var got [][]int
		for range 3 {
			w.audit("vault", order{})
			var read []int
			for i, f := range all {
				if w.copyOf(f, "vault").Read.At.Equal(w.clock) {
					read = append(read, i)
				}
			}
			got = append(got, read)
			if err := w.l.CountServiceRead(t.Context(), w.clock, "vault", 100_004*int64(len(read))); err != nil {
				t.Fatal(err)
			}
			w.pass(day)
		}
		if want := [][]int{{3, 4}, {0, 5}, {1, 2}}; fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("read on three days: %v, want %v", got, want)
		}
		sound(t, w.l)
	})
}
