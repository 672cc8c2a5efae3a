package ledger_test

import (
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

func TestACachedReadingEndsNoDamage(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		f := w.take(masters, side, "one", true, "studio", "vault")
		w.rot("vault", masters, side, "onE")
		w.audit("vault", order{full: true})
		w.rot("vault", masters, side, "one") // as the page cache has it
		w.cache = fixity.Allowed
		w.audit("vault", order{full: true})
		w.found(f, "vault", fixity.Altered, fixity.AtRisk)
		w.cache = fixity.Bypassed
		w.audit("vault", order{})
		w.quiet(f, "vault")
		w.isIn(f, "vault", fixity.Intact)
	})
}

func TestACachedReadingNeverKeepsThePromise(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		f := w.take(masters, side, "one", true, "studio", "vault")
		at := w.copyOf(f, "vault").Read.At
		w.cache = fixity.Allowed
		for range 4 {
			w.pass(10 * day)
			w.audit("vault", order{full: true})
		}
		if got := w.copyOf(f, "vault").Read; !got.At.Equal(at) || got.Cache != fixity.Bypassed {
			w.Errorf("evidence: %+v", got)
		}
		w.lateIs("vault", 1)
		// Nor does a copy that was never read otherwise.
		g := w.take(masters, "QV-0108/a.wav", "two", true, "studio", "vault")
		for range 4 {
			w.pass(10 * day)
			w.audit("vault", order{full: true})
		}
		if got := w.copyOf(g, "vault").Read; got.Cache != fixity.Allowed {
			w.Errorf("evidence: %+v", got)
		}
		w.lateIs("vault", 2)
		w.cache = fixity.Bypassed
		w.audit("vault", order{})
		w.lateIs("vault", 0)
	})
}

// lateIs says how many files the one finding about a broken promise counts.
func (w *world) lateIs(store string, want int64) {
	w.Helper()
	w.view(func(x *ledger.Tx) error {
		open, err := x.Findings.Open(store)
		var n int64
		for _, f := range open {
			if f.Kind == fixity.Late {
				if n != 0 {
					w.Error("two findings about one promise")
				}
				n = f.Count
			}
		}
		if n != want {
			w.Errorf("%d files are late in %s, want %d", n, store, want)
		}
		return err
	})
}

func TestLateHasADaysGrace(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		w.take(masters, side, "one", true, "studio", "vault")
		// Only the other set is audited, so nothing of this one is read.
		w.pass(31 * day)
		w.audit("vault", order{set: access})
		w.lateIs("vault", 0)
		w.pass(time.Hour)
		w.audit("vault", order{set: access})
		w.lateIs("vault", 1)
		w.audit("vault", order{})
		w.lateIs("vault", 0)
	})
}

func TestAClockThatWasAYearAhead(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		right := w.clock
		w.clock = right.Add(365 * day)
		f := w.take(masters, side, "one", true, "studio", "vault")
		cut := w.take(access, side, "cut", true, "studio")
		w.put("studio", access, side, "cut, trimmed")
		w.audit("studio", order{})
		w.isIn(cut, "studio", fixity.Editing)
		// The clock is set right. What was due in a year is due now.
		w.clock = right
		w.audit("vault", order{})
		if got := w.copyOf(f, "vault"); !got.Read.At.Equal(right) || got.Due.After(right.Add(30*day)) {
			w.Errorf("the copy: read %s, due %s", got.Read.At, got.Due)
		}
		w.audit("studio", order{})
		w.quiet(cut, "vault")
		// Promises and windows count from now, and end.
		w.pass(3*day + time.Hour)
		w.audit("vault", order{})
		w.audit("studio", order{})
		w.found(cut, "vault", fixity.Awaited, fixity.AtRisk)
		w.isIn(cut, "studio", fixity.Intact)
		w.quiet(f, "studio")
		w.quiet(f, "vault")
	})
}

func TestAClockThatWasAYearBehind(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		right := w.clock
		w.clock = right.Add(-365 * day)
		f := w.take(masters, side, "one", true, "studio", "vault")
		w.clock = right
		w.audit("vault", order{})
		w.audit("studio", order{})
		w.isIn(f, "vault", fixity.Intact)
		w.quiet(f, "vault")
		w.lateIs("vault", 0)
		if got := w.copyOf(f, "vault").Read.At; !got.Equal(right) {
			w.Errorf("read %s", got)
		}
	})
}
