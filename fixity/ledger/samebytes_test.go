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

// loseAll takes files in, has one store lose them all and then the other, and says how long
// the second audit takes. Each file's bytes are named by of.
func loseAll(w *world, n int, of func(i int) string) time.Duration {
	w.Helper()
	var files []ledger.File
	w.tx(func(x *ledger.Tx) error {
		for i := range n {
			f, err := w.takeIn(x, masters, fmt.Sprintf("QV-0001/notes %04d.txt", i), of(i), true, "studio", "vault")
			if err != nil {
				return err
			}
			files = append(files, f)
		}
		return nil
	})
	w.take(masters, "QV-0001/stays.wav", "what stays", true, "studio", "vault")
	var took time.Duration
	for _, store := range []string{"studio", "vault"} {
		w.pass(time.Hour)
		for _, f := range files {
			w.remove(store, masters, f.Path)
		}
		began := time.Now()
		w.audit(store, order{set: masters})
		took = time.Since(began)
	}
	for _, f := range files {
		w.found(f, "vault", fixity.Missing, fixity.NoneIntact)
	}
	return took
}

// A file of notes that each folder has, the same everywhere, takes no longer to lose than files
// that differ, and each loss is told once.
func TestManyFilesWithTheSameBytesAreLostAtOnce(t *testing.T) {
	n := 2000
	if testing.Short() {
		n = 100
	}
	w := newWorld(t, onSQLite(t))
	same := loseAll(w, n, func(int) string { return "the same notes" })
	// In the vault all become lost together; those of the studio rise by it, once each.
	if got := w.verbs(); got[fixity.FindingRaised] != n {
		t.Errorf("of %d files: %v", n, got)
	}
	other := loseAll(newWorld(t, onSQLite(t)), n, func(i int) string { return fmt.Sprint("notes ", i) })
	t.Logf("%d files lost: with the same bytes %v, with others %v: %.2f times", n, same, other, float64(same)/float64(other))
	if n == 2000 && same > 3*other {
		t.Errorf("the same bytes take %v, others %v", same, other)
	}
}

// Copies that count for nothing use up no places: one that does is found behind any number.
func TestSameBytesAreFoundBehindWhatDoesNotCount(t *testing.T) {
	t.Parallel()
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		for i := range 60 {
			w.take(masters, fmt.Sprintf("QV-%04d/notes.txt", i), "notes", true, "attic")
		}
		whole := w.take(masters, "QV-0900/notes.txt", "notes", true, "vault")
		own := w.take(masters, "QV-0901/notes.txt", "notes", true)
		w.l.Close()
		fewer := rules
		fewer.Stores = slices.DeleteFunc(slices.Clone(rules.Stores), func(s care.Store) bool { return s.Name == "attic" })
		w.l = d.open(func(o *ledger.Options) { o.Rules = fewer })
		w.view(func(x *ledger.Tx) error {
			same, err := x.Copies.SameBytes(own.ID, 1)
			if err != nil || len(same) != 1 || same[0].File != whole.ID || same[0].Store != "vault" {
				t.Errorf("%+v, %v", same, err)
			}
			return nil
		})
	})
}

// Judging a file again because others with its bytes changed bears the name, and the audit,
// of the first of these; a file that was judged in the transaction keeps its own.
func TestInWhoseNameSameBytesAreJudgedAgain(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		a := w.take(masters, "QV-0001/a.wav", "song", true, "studio")
		others := []ledger.File{w.take(masters, "QV-0002/b.wav", "song", true, "studio"), w.take(masters, "QV-0003/c.wav", "song", true, "studio")}
		alter := func(x *ledger.Tx, f ledger.File, by string) error {
			was, err := x.Copies.At("studio", masters, f.Path)
			if err != nil {
				return err
			}
			is := was
			is.State, is.Wrong = fixity.Altered, bytesOf("rot"+f.Path).BLAKE3
			if err := x.Copies.Put(was, is); err != nil {
				return err
			}
			return x.Findings.Rejudge(f.ID, 0, by, "", nil)
		}
		w.tx(func(x *ledger.Tx) error { return alter(x, a, "Theo") })
		w.found(a, "studio", fixity.Altered, fixity.AtRisk)
		w.tx(func(x *ledger.Tx) error {
			if err := alter(x, others[1], "Cy"); err != nil {
				return err
			}
			return alter(x, others[0], "Bea")
		})
		id := w.found(a, "studio", fixity.Altered, fixity.NoneIntact).ID
		w.view(func(x *ledger.Tx) error {
			by := ""
			err := x.Log.Each(0, 1000, func(e ledger.Event) error {
				if e.Verb == fixity.FindingRaised && e.Finding == id {
					by = e.By
				}
				return nil
			})
			if by != "Bea" {
				w.Errorf("raised by %q", by)
			}
			return err
		})
	})
}
