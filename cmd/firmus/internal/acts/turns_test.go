package acts_test

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// The arrivals store's root can't be opened any more once it was listed: an intake says so of
// each file and ends. There are more files than a drive has readers: a turn that one of them
// keeps is waited for by another.
func TestAnIntakeEndsWhereNothingCanBeOpenedAfterTheListing(t *testing.T) {
	const files = 8
	onEach(t, func(w *world) {
		for i := range files {
			w.put(fmt.Sprintf("masters/QV-0107/QV-0107_A_%02d.wav", i), wave(fmt.Sprint(i)), "studio")
		}
		w.now = w.now.Add(24 * time.Hour)
		root := w.app.Acts.Root
		var mu sync.Mutex
		listed := 0 // how often the root was opened since the listing is in the ledger
		w.app.Acts.Root = func(store, set string, c fixity.Cache) (stores.Root, error) {
			if store != "studio" || set != "masters" || c != fixity.Allowed { // only files and lists are read so
				return root(store, set, c)
			}
			mu.Lock()
			defer mu.Unlock()
			if w.app.Ledger.View(w.Context(), func(t *ledger.Tx) error {
				_, err := t.Strays.At(store, set, "QV-0107/QV-0107_A_00.wav")
				return err
			}) == nil {
				listed++
			}
			if listed > 1 { // the first is for lists beside the files
				return nil, fmt.Errorf("open the root: %w", fixity.ErrDenied)
			}
			return root(store, set, c)
		}
		ctx, cancel := context.WithTimeout(w.Context(), time.Minute)
		defer cancel()
		res, err := w.app.Receiving.Intake(ctx, receiving.IntakeOrder{Cache: fixity.Allowed})
		if err != nil || res.Taken != 0 || len(res.Trouble) != files || listed < files {
			t.Fatalf("intake: %v, %d taken, told of %d files, the root was opened %d times since it was listed: %q", err, res.Taken, len(res.Trouble), listed, res.Trouble)
		}
		w.app.Acts.Root = root
		res, err = w.app.Receiving.Intake(w.Context(), receiving.IntakeOrder{})
		if w.must(err); res.Taken != files {
			t.Errorf("afterwards: %+v", res)
		}
	})
}
