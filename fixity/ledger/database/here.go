package database

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// ErrGone: the ledger's file was removed or replaced, or its folder unmounted, while the
// program had it open. What is written then goes into a file that nobody finds again, so
// nothing is read or written any more.
var ErrGone = errors.New("the ledger is gone")

// openFiles are an open ledger: its file and what SQLite keeps beside it. A
// connection is there as long as the ledger is open, so that SQLite itself never
// removes the -wal meanwhile: another one there is another hand's.
type openFiles struct{ file, wal fs.FileInfo }

// Pin notes which files are open. From then on there is always a connection to them, until
// Close.
func (d *DB) Pin(ctx context.Context) (err error) {
	if d.postgres {
		return nil
	}
	d.open.hold()
	if err := d.r.PingContext(ctx); err != nil {
		return err
	}
	if d.at.file, err = identity(d.o.Path); err != nil {
		return err
	}
	d.at.wal, err = identity(d.o.Path + "-wal")
	if errors.Is(err, fs.ErrNotExist) {
		err = nil // none is kept: nothing to compare
	}
	return err
}

// identity is what tells the file at a path from another one put there.
func identity(path string) (fs.FileInfo, error) {
	fi, err := os.Stat(path)
	if err == nil {
		os.SameFile(fi, fi) // Windows asks for the file's number the first time it is compared
	}
	return fi, err
}

// elsewhere says that the open file, or its -wal, isn't what lies at its path and that
// something else may. Where just the -wal was removed, closing brings what is in it into
// the file.
func (d *DB) elsewhere() bool {
	if d.at.file == nil {
		return false
	}
	if now, err := os.Stat(d.o.Path); err != nil || !os.SameFile(now, d.at.file) {
		return true
	}
	now, err := os.Stat(d.o.Path + "-wal")
	return err == nil && d.at.wal != nil && !os.SameFile(now, d.at.wal)
}

// Here says that the ledger that is open is the one at its path. The error wraps ErrGone
// and says in words what is there instead. On PostgreSQL it is always there.
func (d *DB) Here() error {
	if d.at.file == nil {
		return nil
	}
	for _, x := range []struct {
		path string
		was  fs.FileInfo
	}{{d.o.Path, d.at.file}, {d.o.Path + "-wal", d.at.wal}} {
		if x.was == nil {
			continue
		}
		switch now, err := os.Stat(x.path); {
		case err == nil && os.SameFile(now, x.was):
		case err == nil:
			return fmt.Errorf("%w: %s was replaced by another file while Firmus runs", ErrGone, x.path)
		case !errors.Is(err, fs.ErrNotExist):
			return fmt.Errorf("%w: %s can't be looked at any more: %w", ErrGone, x.path, err)
		default:
			what := x.path
			if _, err := os.Stat(filepath.Dir(x.path)); err != nil {
				what = "the folder " + filepath.Dir(x.path)
			}
			return fmt.Errorf("%w: %s was removed or renamed, or its drive unmounted, while Firmus runs", ErrGone, what)
		}
	}
	return nil
}
