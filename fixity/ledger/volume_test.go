package ledger_test

import (
	"fmt"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// TestOneVolumeNeverCountsTwice: what one process finds out about volumes is what every
// transaction counts by from then on, in each count of copies; and two names of one file
// are one copy.
func TestOneVolumeNeverCountsTwice(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d, func(o *ledger.Options) {
			o.Rules.Stores = slices.Clone(o.Rules.Stores)
			o.Rules.Copies, o.Rules.Within = 2, 3*day
		})
		two := w.take(masters, "QV-0107/a.wav", "one", true, "studio", "vault")
		w.take(masters, "QV-0108/a.wav", "two", true, "studio", "vault", "attic")
		w.pass(10 * day)
		counts := func(want ...ledger.CopiesCount) {
			t.Helper()
			w.view(func(x *ledger.Tx) error {
				got, err := x.Copies.CountsByNumber()
				if diff := cmp.Diff(want, got); diff != "" {
					t.Errorf("copies (-want +got):\n%s", diff)
				}
				return err
			})
		}
		few := func(want int64) {
			t.Helper()
			w.tx(func(x *ledger.Tx) error { return x.Audits.JudgeTooFew("studio", "Ada Wren") })
			w.view(func(x *ledger.Tx) error {
				fs, err := x.Findings.Open("studio")
				var n int64
				for _, f := range fs {
					if f.Kind == fixity.TooFew {
						n += f.Count
						if x, ok := f.Facts.Find(fixity.SuchAs); !ok || len(x.Places) != 1 {
							t.Errorf("no file is named: %+v", f.Facts)
						}
					}
				}
				if n != want {
					t.Errorf("%d files with too few copies, want %d", n, want)
				}
				return err
			})
		}
		others := func(want string) {
			t.Helper()
			w.view(func(x *ledger.Tx) error {
				fs, only, err := x.Copies.SaveFirst("studio", 10)
				got := fmt.Sprint(only, ":")
				for _, f := range fs {
					got += fmt.Sprintf(" %s %d %v", f.File.Path, f.Others, f.In)
				}
				if got != want {
					t.Errorf("besides studio: %s, want %s", got, want)
				}
				return err
			})
		}
		counts(ledger.CopiesCount{Copies: 2, Files: 1, Read: 1}, ledger.CopiesCount{Copies: 3, Files: 1, Read: 1})
		few(0)
		others("0: QV-0107/a.wav 1 [vault] QV-0108/a.wav 2 [attic vault]")

		on := map[care.RootOf]string{}
		for _, set := range []string{"masters", "access"} {
			on[care.RootOf{Store: "studio", Set: set}] = "one"
			on[care.RootOf{Store: "vault", Set: set}] = "one"
			on[care.RootOf{Store: "attic", Set: set}] = "two"
		}
		w.tx(func(x *ledger.Tx) error { return x.Stores.PutVolumes(on) })
		counts(ledger.CopiesCount{Copies: 1, Files: 1, Read: 1}, ledger.CopiesCount{Copies: 2, Files: 1, Read: 1})
		few(1)
		others("1: QV-0107/a.wav 0 [] QV-0108/a.wav 1 [attic]")

		// The vault moves to a drive of its own, but its copy of one file is a second name.
		for _, set := range []string{"masters", "access"} {
			on[care.RootOf{Store: "vault", Set: set}] = "three"
		}
		w.tx(func(x *ledger.Tx) error {
			if _, err := x.Copies.SetSameAs(w.copyOf(two, "vault"), "studio"); err != nil {
				return err
			}
			return x.Stores.PutVolumes(on)
		})
		if got := w.copyOf(two, "vault").SameAs; got != "studio" {
			t.Errorf("the vault's copy is the same file as in %q", got)
		}
		counts(ledger.CopiesCount{Copies: 1, Files: 1, Read: 1}, ledger.CopiesCount{Copies: 3, Files: 1, Read: 1})
		few(1)
		others("1: QV-0107/a.wav 0 [] QV-0108/a.wav 2 [attic vault]")
		w.tx(func(x *ledger.Tx) error { _, err := x.Copies.SetSameAs(w.copyOf(two, "vault"), ""); return err })
		few(0)
	})
}
