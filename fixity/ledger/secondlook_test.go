package ledger_test

import (
	"testing"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// TestWhatASecondLookShowsIsNeverGone: a file and a stray that are shown again are as
// before. A file that is not is missing, with what is said of it.
func TestWhatASecondLookShowsIsNeverGone(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		again := w.take(masters, "QV-0107/a.wav", "one", true, "studio", "vault")
		gone := w.take(masters, "QV-0107/b.wav", "two", true, "studio", "vault")
		w.put("vault", masters, "QV-0107/stray.wav", "a stray")
		w.audit("vault", order{})
		shown := w.entries("vault", masters, "QV-0107")
		for _, p := range []string{"QV-0107/a.wav", "QV-0107/b.wav", "QV-0107/stray.wav"} {
			w.remove("vault", masters, p)
		}
		w.put("vault", masters, "QV-0107/c.wav", "the folder is there")
		a, jobs := w.shardsOf("vault", fixity.PhaseList)
		for _, j := range jobs {
			w.list(w.claim(j), order{})
		}
		found := map[string]ledger.SecondLook{"QV-0107/b.wav": {Said: []fixity.Fact{{Is: fixity.InBin}}}}
		for _, e := range shown {
			if e.Path != "QV-0107/b.wav" {
				found[e.Path] = ledger.SecondLook{There: true, Entry: e}
				w.put("vault", masters, e.Path, map[string]string{"QV-0107/a.wav": "one", "QV-0107/stray.wav": "a stray"}[e.Path])
			}
		}
		lacking := func(want int) {
			t.Helper()
			w.view(func(x *ledger.Tx) error {
				got, err := x.Audits.GonePaths(a, masters)
				if len(got) != want {
					t.Errorf("gone: %v", got)
				}
				return err
			})
		}
		lacking(3)
		for range 2 { // after a crash it is done again
			if err := w.record().SecondLook(t.Context(), a, masters, found); err != nil {
				t.Fatal(err)
			}
			lacking(1)
		}
		for _, p := range []fixity.Phase{fixity.PhaseList, fixity.PhaseProve, fixity.PhaseRead} {
			w.phase(a, p, order{})
		}
		w.quiet(again, "vault")
		if f := w.found(gone, "vault", fixity.Missing, fixity.AtRisk); !f.Facts.Tells(fixity.InBin) {
			t.Errorf("facts %v", f.Facts.Seen)
		}
		w.view(func(x *ledger.Tx) error { _, err := x.Strays.At("vault", masters, "QV-0107/stray.wav"); return err })
	})
}
