package archive

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/beside"
	"firmus/fixity/ledger"
	"firmus/fixity/ledger/private"
)

// CloseBackup lets those read a backup, in a store, who may read the ledger.
func (e *Archive) CloseBackup(ctx context.Context, w stores.Swept, mk bool) error {
	m := private.Of(e.Ledger.State())
	return w.Restrict(ctx, BackupFolder, m.File, m.Dir, m.Group(), mk)
}

// Sweep clears away what earlier runs left in a store's sets. Whoever writes there uses
// the store, so what is there is nobody's.
func (e *Archive) Sweep(ctx context.Context, u *stores.Used, sets []string) error {
	store := u.Rule.Name
	if u.Rule.Kind == CloudKind {
		return nil
	}
	if !u.Rule.Arrivals && !e.WritesInto(store) {
		if err := e.Ledger.View(ctx, func(t *ledger.Tx) error { _, err := t.Log.Last(fixity.RecoveryOrdered, store); return err }); errors.Is(err, fixity.ErrNotFound) {
			return nil // nothing was ever written there
		} else if err != nil {
			return err
		}
	}
	for _, set := range sets {
		root, err := u.Root(set, fixity.Bypassed)
		if err != nil {
			return err
		}
		w, ok := root.(stores.Swept)
		if !ok {
			continue
		}
		n, err := w.Sweep(ctx, nil)
		if err != nil && !errors.Is(err, fixity.ErrAway) {
			return err
		}
		if err := e.CloseBackup(ctx, w, false); err != nil && !errors.Is(err, fixity.ErrAway) {
			return err
		}
		if n > 0 {
			e.Sayf("store %s, set %s: an earlier run of Firmus left %s, which Firmus has cleared away", store, set, fixity.Count(n, "unfinished file"))
		}
	}
	return nil
}

// scratchLock is held by who makes something in the state folder to be copied into stores,
// and while it is copied.
const scratchLock = "scratch"

// What is made there; all of it goes with who made it.
const (
	BackupScratch = ".firmus-backup-*"
	ListScratch   = ".firmus-discs-*"
	DrillScratch  = ".firmus-drill-*"
)

var ofState = []string{BackupScratch, ListScratch, DrillScratch}

// RestoreFolder is what a killed restore was making a ledger in. It is needed as long as there
// is no ledger, and no restore works beside one that is open.
const RestoreFolder = ".firmus-restore"

// ofMoments are files that are there for a moment, and made without that lock.
var ofMoments = []string{".firmus-key-", ".firmus-check-"}

// StateScratch makes a folder in the state folder. While it is there no other process
// has one: what an earlier one left is removed first. done removes it.
func (e *Archive) StateScratch(ctx context.Context, pattern string) (dir string, done func(), err error) {
	unlock, err := e.lockHere(ctx, scratchLock, time.Minute)
	if err != nil {
		var held *ledger.LockedError
		if errors.As(err, &held) {
			err = fmt.Errorf("%s is writing a backup, or brings files back as a proof: %w", held.Holder, fixity.ErrBusy)
		}
		return "", nil, err
	}
	e.clearState()
	dir, err = private.MkdirTemp(e.Ledger.State(), pattern)
	if err != nil {
		unlock()
		return "", nil, err
	}
	return dir, func() { os.RemoveAll(dir); unlock() }, nil
}

// SweepState clears away what earlier runs left in the state folder, unless another
// process has something there just now.
func (e *Archive) SweepState(ctx context.Context) {
	if unlock, err := e.lockHere(ctx, scratchLock, 0); err == nil {
		e.clearState()
		unlock()
	}
}

// clearState is called with the lock held. What can't be removed is left for the next.
func (e *Archive) clearState() {
	entries, err := os.ReadDir(e.Ledger.State())
	if err != nil {
		return
	}
	for _, x := range entries {
		if !strings.HasPrefix(x.Name(), ".firmus-") {
			continue
		}
		path := filepath.Join(e.Ledger.State(), x.Name())
		if x.IsDir() && matches(ofState, x.Name()) {
			_ = os.RemoveAll(path)
		}
		if x.IsDir() && x.Name() == RestoreFolder && e.Ledger.Here() == nil {
			_ = os.RemoveAll(path)
		}
	}
	for _, prefix := range ofMoments {
		beside.Clear(e.Ledger.State(), prefix)
	}
}

func matches(patterns []string, name string) bool {
	for _, p := range patterns {
		if ok, _ := filepath.Match(p, name); ok {
			return true
		}
	}
	return false
}
