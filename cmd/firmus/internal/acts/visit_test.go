package acts_test

import (
	"os"
	"testing"
	"time"

	"firmus/fixity/ledger"
)

// A visiting drive that went while it was read has not been read: it is read when it comes again,
// however soon, and only then is it left in peace.
func TestAVisitThatWasBrokenOffIsNoVisit(t *testing.T) {
	onEach(t, func(w *world) {
		w.held("masters/QV-0107/QV-0107_A.wav")
		begun := 0
		visit := func(outcome string) {
			t.Helper()
			w.now = w.now.Add(time.Minute)
			v, err := w.app.Acts.Visit(w.Context(), "vault", false, func() { begun++ })
			if w.must(err); v.Outcome != outcome || v.Read != (outcome != "") || v.Before.IsZero() != (outcome != "") {
				t.Errorf("the visit ended %+v, want %q", v, outcome)
			}
		}
		w.must(os.Rename(w.at("vault"), w.at("unplugged")))
		visit(ledger.FiringAway)
		w.must(os.Rename(w.at("unplugged"), w.at("vault")))
		visit(ledger.FiringDone)
		visit("")
		if begun != 2 {
			t.Errorf("it was read %d times", begun)
		}
	})
}
