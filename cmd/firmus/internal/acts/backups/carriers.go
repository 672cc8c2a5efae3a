package backups

import (
	"context"
	"errors"
	"os"
	"path/filepath"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/fixity"
)

// carriersList is the list of carriers in a backup.
const carriersList = "discs.csv"

// KeepList writes the list of carriers into the newest backups of the ledger at once: what
// was typed by a person isn't to wait for the night. A store that is away, or has no
// backup yet, gets it then; its trouble is said, and isn't that of what was just done.
func (e Acts) KeepList(ctx context.Context) {
	tmp, done, err := e.StateScratch(ctx, archive.ListScratch)
	if err != nil {
		e.Sayf("list of discs: %v", err)
		return
	}
	defer done()
	file, err := e.listFile(ctx, tmp)
	if err != nil {
		e.Sayf("list of discs: %v", err)
		return
	}
	for _, s := range e.Kept() {
		err := e.inGenerations(ctx, s, func(ctx context.Context, g generations) error { return g.renew(ctx, carriersList, file) })
		if err != nil && !errors.Is(err, fixity.ErrAway) {
			e.Sayf("the list of discs could not be written to %s: %v", s, err)
		}
	}
}

// listFile writes the list of carriers into a folder.
func (e Acts) listFile(ctx context.Context, dir string) (file string, err error) {
	file = filepath.Join(dir, carriersList)
	f, err := os.OpenFile(file, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return "", err
	}
	err = e.Carriers.WriteList(ctx, f)
	return file, errors.Join(err, f.Close())
}
