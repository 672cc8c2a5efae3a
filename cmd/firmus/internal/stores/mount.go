package stores

import (
	"context"
	"fmt"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// noteMounts keeps which first-level folders lie on another volume than their root.
func (w *way) noteMounts(ctx context.Context, folders []string) error {
	in, ok := w.in.(Mounting)
	if !ok {
		return nil
	}
	now, err := ask(ctx, w, func(ctx context.Context) (map[string]fixity.Lies, error) { return in.Mounts(ctx, folders) })
	if err != nil || len(now) == 0 {
		return err
	}
	known, err := w.mounts(ctx)
	if err != nil {
		return err
	}
	for folder := range known {
		delete(now, folder)
	}
	if len(now) == 0 {
		return nil
	}
	return w.s.Ledger.Tx(ctx, w.s.Now(), func(t *ledger.Tx) error {
		for folder, l := range now {
			if err := t.Stores.PutMount(w.store, w.set, folder, l.ID); err != nil {
				return err
			}
		}
		return nil
	})
}

func (w *way) mounts(ctx context.Context) (known map[string]string, err error) {
	err = w.s.Ledger.View(ctx, func(t *ledger.Tx) error { known, err = t.Stores.Mounts(w.store, w.set); return err })
	return known, err
}

// mounted says why nothing is known of a first-level folder now: the volume that it lies
// on isn't mounted there. The files below it are then no more missing than those of a
// store that is away.
func (w *way) mounted(ctx context.Context, folder string) error {
	in, ok := w.in.(Mounting)
	if w.u == nil || folder == "" || !ok {
		return nil
	}
	known, err := w.mounts(ctx)
	if err != nil {
		return err
	}
	was, lay := known[folder]
	if !lay {
		return nil
	}
	now, err := ask(ctx, w, func(ctx context.Context) (map[string]fixity.Lies, error) { return in.Mounts(ctx, []string{folder}) })
	if err != nil {
		return err
	}
	what := "the volume that it lay on is not mounted"
	if is, lies := now[folder]; lies {
		if is.ID == was || is.ID == "" || was == "" {
			return nil
		}
		what = "another volume is mounted there"
	}
	return fmt.Errorf("the folder %s/%s is away: %s. Mount it; if its files lie there all the same, say so with \"firmus store adopt %s\"",
		w.s.Where(w.store, w.set), ledger.DisplayPath(folder), what, w.store)
}
