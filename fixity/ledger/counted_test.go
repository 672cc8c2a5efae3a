package ledger_test

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Whatever somebody changes in the tables of counts is found, and counted anew. So is all of
// a ledger from before there were such tables.
func TestCountsThatAreWrongAreFoundAndCountedAnew(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		w.take(masters, "QV-0107/a.wav", "one", true, "studio", "vault")
		w.take(masters, "QV-0107/b.wav", "two", true, "studio")
		w.take(access, "QV-0108/c.wav", "three", false, "studio", "vault")
		w.audit("studio", order{full: true})
		sound(t, w.l)
		db := d.raw()
		for _, q := range []string{
			`UPDATE tally SET files = files + 1`, `UPDATE tally SET bytes = bytes - 1`, `DELETE FROM tally`,
			`UPDATE extent SET files = files + 1`, `UPDATE extent SET sound = sound + 1`, `UPDATE extent SET unknown = 7`, `UPDATE extent SET held = 'attic'`, `DELETE FROM extent`,
			`UPDATE item SET files = files - 1`, `DELETE FROM item`,
			`UPDATE few SET stores = 1 - stores`, `DELETE FROM few`, `INSERT INTO few (stores, file) VALUES (1, 3)`,
			`UPDATE age SET minute = minute + 1`, `UPDATE age SET files = files + 1`, `DELETE FROM age`,
		} {
			mustExec(t, db, q)
			if err := w.l.CheckCounts(t.Context()); !errors.Is(err, ledger.ErrMiscounted) {
				t.Errorf("%s: %v", q, err)
			}
			if err := w.l.CountAnew(t.Context(), w.now()); err != nil {
				t.Fatal(err)
			}
			if err := w.l.CheckCounts(t.Context()); err != nil {
				t.Fatalf("after %s: %v", q, err)
			}
		}
		if err := w.l.Close(); err != nil {
			t.Fatal(err)
		}
		for _, name := range []string{"extent", "item", "few", "age"} {
			mustExec(t, db, `DELETE FROM `+name)
		}
		mustExec(t, db, `INSERT INTO counter (name, value) VALUES ('files to count', 1)`)
		sound(t, d.open())
	})
}

// Files in few stores are listed the same way whether they are few or most of all, and
// though stores that lie on one volume don't count apart.
func TestThinFilesAreFoundAmongMany(t *testing.T) {
	if testing.Short() {
		t.Skip("11,000 files, one after the other")
	}
	d := onSQLite(t)
	w := newWorld(t, d)
	thin := func(n int) (out []string) {
		w.view(func(x *ledger.Tx) error {
			fs, _, err := x.Copies.Thin(1, n)
			for _, f := range fs {
				out = append(out, fmt.Sprint(f.Copies, " ", f.Path, " ", f.In))
			}
			return err
		})
		return out
	}
	for from := 0; from < ledger.SortedAtOnce+1000; from += 1000 {
		w.tx(func(x *ledger.Tx) error {
			for i := from; i < from+1000; i++ {
				p := fmt.Sprintf("QV-%05d/%05d.wav", i/100, i)
				if _, err := x.Files.Add(masters, p, "Ada Wren", w.now(), true, bytesOf(p)); err != nil {
					return err
				}
			}
			return nil
		})
	}
	var some []ledger.File
	w.view(func(x *ledger.Tx) error {
		return x.Files.Each(masters, "QV-00050/05000.wav", 3, func(f ledger.File) error { some = append(some, f); return nil })
	})
	w.tx(func(x *ledger.Tx) error {
		for _, f := range some {
			if err := x.Copies.Put(ledger.Copy{}, ledger.Copy{Store: "studio", Set: masters, At: f.Path, File: f.ID, State: fixity.Intact, Held: 1, Size: 1}); err != nil {
				return err
			}
		}
		return nil
	})
	if got := thin(2); fmt.Sprint(got) != "[0 QV-00000/00000.wav [] 0 QV-00000/00001.wav []]" {
		t.Errorf("the first two: %q", got)
	}
	all := thin(1 << 20)
	if n := ledger.SortedAtOnce + 1000; len(all) != n || all[n-1] != "1 QV-00050/05003.wav [studio]" || all[n-4] != "0 QV-00109/10999.wav []" {
		t.Errorf("%d files, %q", len(all), all[max(0, len(all)-5):])
	}
	// Of all but three there are copies in two stores from now on.
	w.pass(time.Minute)
	for from := int64(0); from < ledger.SortedAtOnce+1000; from += 1000 {
		w.tx(func(x *ledger.Tx) error {
			return x.Files.Each(masters, fmt.Sprintf("QV-%05d/", from/100), 1000, func(f ledger.File) error {
				for _, s := range []string{"studio", "vault"} {
					if f.ID == some[0].ID || f.ID == some[1].ID || f.ID == some[2].ID {
						continue
					}
					if err := x.Copies.Put(ledger.Copy{}, ledger.Copy{Store: s, Set: masters, At: f.Path, File: f.ID, State: fixity.Intact, Held: 1, Size: 1}); err != nil {
						return err
					}
				}
				return nil
			})
		})
	}
	if got := thin(10); fmt.Sprint(got) != "[1 QV-00050/05001.wav [studio] 1 QV-00050/05002.wav [studio] 1 QV-00050/05003.wav [studio]]" {
		t.Errorf("of which others have two copies: %q", got)
	}
	w.agree()
}
