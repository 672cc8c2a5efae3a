package ledger_test

import (
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// A damaged copy that was copied over a good one isn't told as one more damage.
func TestAWrongWayCopyIsNotJustAnotherAltered(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		f := w.take(masters, side, "one", true, "studio", "vault")
		w.audit("vault", order{full: true})
		intact := w.copyOf(f, "vault").Read.At
		w.rot("studio", masters, side, "oNe")
		w.audit("studio", order{full: true})
		if x := w.finding(f, "studio"); x.WrongWay() != "" {
			t.Errorf("what rotted is told as copied from %s", x.WrongWay())
		}
		w.pass(time.Hour)
		w.put("vault", masters, side, "oNe")
		w.audit("vault", order{})
		x := w.finding(f, "vault")
		if x.WrongWay() != "studio" || !x.Facts.IntactAt.Equal(intact) || x.Urgency != fixity.NoneIntact {
			t.Errorf("wrong way %q, intact at %s (want %s), %s", x.WrongWay(), x.Facts.IntactAt, intact, x.Urgency)
		}
		// It stays told while the same bytes are seen, and isn't turned round.
		w.pass(day)
		w.audit("studio", order{full: true})
		w.audit("vault", order{full: true})
		if x := w.finding(f, "vault"); x.WrongWay() != "studio" {
			t.Error("it is told no longer")
		}
		if x := w.finding(f, "studio"); x.WrongWay() != "" {
			t.Errorf("the studio's rot is told as copied from %s", x.WrongWay())
		}
	})
}

// The damaged bytes are known again after their own store was put right.
func TestAnExchangeOfGoodAndDamagedIsKnownAgain(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		f := w.take(masters, side, "one", true, "studio", "vault")
		w.rot("studio", masters, side, "oNe")
		w.audit("studio", order{full: true})
		w.pass(time.Hour)
		w.put("studio", masters, side, "one")
		w.audit("studio", order{})
		w.quiet(f, "studio")
		w.put("vault", masters, side, "oNe")
		w.audit("vault", order{})
		if x := w.finding(f, "vault"); x.WrongWay() != "studio" || x.Urgency != fixity.AtRisk {
			t.Errorf("wrong way %q, %s", x.WrongWay(), x.Urgency)
		}
	})
}

func TestWhatIsNoWrongWay(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name string
		do   func(w *world, f ledger.File)
	}{
		{"other damage in each", func(w *world, f ledger.File) { w.put("vault", masters, side, "onE") }},
		{"both are empty", func(w *world, f ledger.File) {
			w.put("studio", masters, side, "")
			w.audit("studio", order{full: true})
			w.put("vault", masters, side, "")
		}},
		{"it is missing", func(w *world, f ledger.File) { w.remove("vault", masters, side) }},
	} {
		t.Run(tc.name, func(t *testing.T) {
			inWorld(t, func(w *world) {
				f := w.take(masters, side, "one", true, "studio", "vault")
				w.rot("studio", masters, side, "oNe")
				w.audit("studio", order{full: true})
				w.pass(time.Hour)
				tc.do(w, f)
				w.audit("vault", order{full: true})
				if x := w.finding(f, "vault"); x.WrongWay() != "" {
					w.Errorf("told as copied from %s", x.WrongWay())
				}
			})
		})
	}
}

// An access file with two intact copies left is only to tidy; not if somebody copies the
// wrong way round.
func TestAWrongWayCopyIsNeverOnlyToTidy(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		f := w.take(access, side, "cut", true, "studio", "vault", "attic")
		w.tx(func(x *ledger.Tx) error { return x.Files.Finish(f, "Ada Wren", "done") })
		w.rot("studio", access, side, "cUt")
		w.audit("studio", order{full: true})
		w.put("vault", access, side, "cUt")
		w.audit("vault", order{full: true})
		if x := w.finding(f, "vault"); x.WrongWay() != "studio" || x.Urgency.Level() < fixity.AtRisk.Level() {
			w.Errorf("%q, %s", x.WrongWay(), x.Urgency)
		}
	})
}
