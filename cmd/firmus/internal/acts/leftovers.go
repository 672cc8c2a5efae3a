package acts

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/ledger/private"
)

// Swept is a root in which Firmus writes, and can clear away what it left.
type Swept interface {
	// Sweep removes new files of ours that never took their place. Nobody may be writing.
	Sweep(ctx context.Context) (removed int, err error)
	// SweepOwn does so in one of our own folders, which Sweep leaves alone.
	SweepOwn(ctx context.Context, folder string) (removed int, err error)
	// Restrict gives one of our own folders, and all in it, modes and a group (negative: as
	// it is). mk makes the folder if it isn't there.
	Restrict(ctx context.Context, folder string, file, dir fs.FileMode, group int, mk bool) error
}

// closeBackup lets those read a backup, in a store, who may read the ledger.
func (e *Env) closeBackup(ctx context.Context, w Swept, mk bool) error {
	m := private.Of(e.Ledger.State())
	return w.Restrict(ctx, BackupFolder, m.File, m.Dir, m.Group(), mk)
}

// sweep clears away what earlier runs left in a store's sets. The caller holds the
// store's lock, as whoever writes there does: what is there is nobody's.
func (e *Env) sweep(ctx context.Context, store string, sets []string) error {
	if s, _ := e.Rules.Store(store); !s.Arrivals && !e.writesInto(store) {
		return nil
	}
	for _, set := range sets {
		root, err := e.Root(store, set, fixity.Bypassed)
		if err != nil {
			return err
		}
		w, ok := root.(Swept)
		if !ok {
			continue
		}
		n, err := w.Sweep(ctx)
		if err != nil && !errors.Is(err, fixity.ErrAway) {
			return err
		}
		if err := e.closeBackup(ctx, w, false); err != nil && !errors.Is(err, fixity.ErrAway) {
			return err
		}
		if n > 0 {
			e.say("store %s, set %s: %d unfinished files that an earlier run of Firmus left were cleared away", store, set, n)
		}
	}
	return nil
}

// scratchLock is held by who makes something in the state folder to be copied into stores,
// and while it is copied.
const scratchLock = ".scratch"

// ofState are the names of what is made there; all of it goes with who made it.
var ofState = []string{".firmus-backup-*", ".firmus-discs-*"}

// ofRestore is what a killed restore was making a ledger in. It is needed as long as there
// is no ledger, and no restore works beside one that is open.
const ofRestore = ".firmus-restore"

// ofMoments are files that are there for a moment, and made without a lock.
var ofMoments = []string{".firmus-key-*", ".firmus-check-*"}

// stateScratch makes a folder in the state folder. While it is there no other process
// has one: what an earlier one left is removed first. done removes it.
func (e *Env) stateScratch(ctx context.Context, pattern string) (dir string, done func(), err error) {
	unlock, err := e.lock(ctx, scratchLock, time.Minute)
	if err != nil {
		var held *ledger.LockedError
		if errors.As(err, &held) {
			err = fmt.Errorf("%s is writing a backup: %w", held.Holder, fixity.ErrBusy)
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

// sweepState clears away what earlier runs left in the state folder, unless another
// process has something there just now.
func (e *Env) sweepState(ctx context.Context) {
	if unlock, err := e.lock(ctx, scratchLock, 0); err == nil {
		e.clearState()
		unlock()
	}
}

// clearState is called with the lock held. What can't be removed is left for the next.
func (e *Env) clearState() {
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
		if x.IsDir() && x.Name() == ofRestore && e.Ledger.Here() == nil {
			_ = os.RemoveAll(path)
		}
		if st, err := x.Info(); err == nil && st.Mode().IsRegular() && matches(ofMoments, x.Name()) && e.Now().Sub(st.ModTime()) > time.Hour {
			_ = os.Remove(path)
		}
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
