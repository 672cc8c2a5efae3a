package acts_test

import (
	"fmt"
	"testing"

	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/fixity/ledger"
)

// Files of several batches are all taken in and counted, in the order of their paths, though one
// batch is committed while the next one is read.
func TestTakeInMany(t *testing.T) {
	onEach(t, func(w *world) {
		const n = 613
		for i := range n {
			w.put(fmt.Sprintf("masters/QV-%04d/%03d.wav", i/40, i), fmt.Appendf(nil, "file %d", i), "studio")
		}
		res, err := w.app.Receiving.Intake(w.Context(), receiving.IntakeOrder{})
		if err != nil || res.Taken != n || res.OneOnly != n {
			t.Fatalf("%d taken, %d of one store, %v, %v", res.Taken, res.OneOnly, res.Trouble, err)
		}
		w.must(w.app.Ledger.View(w.Context(), func(x *ledger.Tx) error {
			i := int64(0)
			return x.Files.Each("masters", "", n+1, func(f ledger.File) error {
				if i++; f.ID != i || f.Version != 1 {
					t.Errorf("file %d, version %d, in place %d: %s", f.ID, f.Version, i, f.Path)
				}
				return nil
			})
		}))
		if again, err := w.app.Receiving.Intake(w.Context(), receiving.IntakeOrder{}); err != nil || again.Taken != 0 {
			t.Errorf("once more: %+v, %v", again, err)
		}
	})
}
