package acts_test

import (
	"path/filepath"
	"testing"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// What is recorded while the event files are counted lacks in none: they are the record's, and
// stay where they are.
func TestAnEventRecordedMeanwhileLacksInNoFile(t *testing.T) {
	onEach(t, func(w *world) {
		w.held("masters/QV-0107/QV-0107_A.wav")
		known, err := w.app.Acts.Stores().Known(w.Context(), "vault")
		w.must(err)
		over := make(chan error, 1)
		go func() {
			for range 200 {
				if err := w.app.Ledger.Tx(w.Context(), w.now, func(t *ledger.Tx) error {
					return t.Stores.Adopt("vault", "masters", fixity.Identity{Holdings: known.Holdings, Store: known.Identity, Set: "masters"}, "Ada Wren", "a test")
				}); err != nil {
					over <- err
					return
				}
			}
			over <- nil
		}()
		for counted := 0; ; counted++ {
			w.app.Events.BringUp(true)
			select {
			case err := <-over:
				if w.must(err); counted < 3 {
					t.Errorf("they were counted %d times", counted)
				}
			default:
				continue
			}
			break
		}
		if aside, err := filepath.Glob(w.at("state/events-aside-*")); err != nil || len(aside) > 0 {
			t.Errorf("set aside: %q, %v", aside, err)
		}
	})
}
