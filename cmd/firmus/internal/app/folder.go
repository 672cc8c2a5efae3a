package app

import (
	"context"
	"errors"

	"firmus/cmd/firmus/internal/guarded"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
	"firmus/replicas/disk"
)

// Folder opens a folder that need not belong to any store.
func Folder(dir string, cache fixity.Cache) (*disk.Dir, error) {
	litter, err := care.NewLeaveOut(nil)
	if err != nil {
		return nil, err
	}
	return disk.Open(dir, disk.Options{Cache: cache, LeaveOut: litter.Match})
}

// WholeFolder opens a folder of which everything is listed, litter too: in a bag
// nothing may lie that its manifests don't know.
func WholeFolder(dir string, cache fixity.Cache) (*disk.Dir, error) {
	return disk.Open(dir, disk.Options{Cache: cache})
}

// apart refuses a folder that is, holds or lies in a store's root, the state folder or a
// backup. A marker of a store of these holdings tells a root at another place.
func (a *App) apart(ctx context.Context, dir string) error {
	ids := map[string]string{}
	if err := a.Ledger.View(ctx, func(t *ledger.Tx) error {
		for _, s := range a.Config.Stores {
			k, err := t.Stores.Get(s.Name)
			if err != nil && !errors.Is(err, fixity.ErrNotFound) {
				return err
			}
			if k.Identity != "" {
				ids[k.Identity] = s.Name
			}
		}
		return nil
	}); err != nil {
		return err
	}
	return guarded.Of(a.Config).Apart(ctx, dir, func(id string) (string, bool) { name, ok := ids[id]; return name, ok })
}
