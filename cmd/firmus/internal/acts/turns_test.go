package acts_test

import (
	"context"
	"fmt"
	"sync/atomic"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/disk"
)

// No file in the arrivals store can be opened any more once it was listed: an intake says so of
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
		var tried atomic.Int32 // how often a file was opened since the listing is in the ledger
		w.app.Acts.Root = func(store, set string, c fixity.Cache) (stores.Root, error) {
			r, err := root(store, set, c)
			if d, ok := r.(*disk.Dir); ok && store == "studio" && set == "masters" && c == fixity.Allowed { // only files and lists are read so
				return closing{d, func() bool {
					listed := w.app.Ledger.View(w.Context(), func(t *ledger.Tx) error {
						_, err := t.Strays.At(store, set, "QV-0107/QV-0107_A_00.wav")
						return err
					}) == nil
					if listed {
						tried.Add(1)
					}
					return listed
				}}, err
			}
			return r, err
		}
		ctx, cancel := context.WithTimeout(w.Context(), time.Minute)
		defer cancel()
		res, err := w.app.Receiving.Intake(ctx, receiving.IntakeOrder{Cache: fixity.Allowed})
		if err != nil || res.Taken != 0 || len(res.Trouble) != files || int(tried.Load()) < files {
			t.Fatalf("intake: %v, %d taken, told of %d files, %d were tried since they were listed: %q", err, res.Taken, len(res.Trouble), tried.Load(), res.Trouble)
		}
		w.app.Acts.Root = root
		res, err = w.app.Receiving.Intake(w.Context(), receiving.IntakeOrder{})
		if w.must(err); res.Taken != files {
			t.Errorf("afterwards: %+v", res)
		}
	})
}

// closing is a root that lets no file be opened from some time on.
type closing struct {
	*disk.Dir
	closed func() bool
}

func (d closing) Open(ctx context.Context, e fixity.Entry, offset int64) (fixity.Reader, error) {
	if d.closed() {
		return nil, fmt.Errorf("open the root: %w", fixity.ErrDenied)
	}
	return d.Dir.Open(ctx, e, offset)
}

func (d closing) Begin(ctx context.Context, p string) (fixity.Entry, fixity.Reader, error) {
	if d.closed() {
		return fixity.Entry{}, nil, fmt.Errorf("open the root: %w", fixity.ErrDenied)
	}
	return d.Dir.Begin(ctx, p)
}
