package ledger_test

import (
	"slices"
	"testing"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// TestTooFewAfterAPause: after weeks in which nothing was listed, the store that is listed last may
// have had the copies for long; one that isn't listed while others are is not waited for.
func TestTooFewAfterAPause(t *testing.T) {
	t.Parallel()
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d, func(o *ledger.Options) {
			o.Rules.Stores = slices.Clone(o.Rules.Stores)
			o.Rules.Copies, o.Rules.Within = 2, 3*day
		})
		few := func(when string, want bool) {
			t.Helper()
			w.tx(func(x *ledger.Tx) error { return x.Audits.JudgeTooFew("studio", "Ada Wren") })
			w.view(func(x *ledger.Tx) error {
				fs, err := x.Findings.Open("studio")
				if got := slices.ContainsFunc(fs, func(f ledger.Finding) bool { return f.Kind == fixity.TooFew }); got != want {
					t.Errorf("%s: told %v, want %v", when, got, want)
				}
				return err
			})
		}
		all := func() {
			for _, s := range []string{"studio", "vault", "attic"} {
				w.audit(s, order{})
			}
		}
		w.take(masters, side, "one", true, "studio")
		all()
		w.pass(day)
		w.put("vault", masters, side, "one")
		w.pass(21 * day)
		w.audit("studio", order{})
		few("the studio is listed, and the vault isn't yet", false)
		all()
		few("all are listed", false)

		w.pass(day)
		w.take(masters, "QV-0108/QV-0108_A.wav", "two", true, "studio")
		for range 15 {
			w.pass(day)
			w.audit("studio", order{})
		}
		few("the vault isn't listed for half a month, and the studio is each day", true)
	})
}
