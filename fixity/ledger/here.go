package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
)

// ErrGone: the ledger's file was removed or replaced, or its folder unmounted, while the
// program had it open. What is written then goes into a file that nobody finds again, so
// nothing is read or written any more.
var ErrGone = errors.New("the ledger is gone")

// openFiles are an open ledger: its file and what SQLite keeps beside it. A
// connection is held as long as the ledger is open, so that SQLite itself never
// removes the -wal meanwhile: another one there is another hand's.
type openFiles struct{ file, wal fs.FileInfo }

// pin notes which files are open, and holds a connection to them.
func (l *Ledger) pin(ctx context.Context) (err error) {
	if l.postgres {
		return nil
	}
	if l.held, err = l.r.Conn(ctx); err != nil {
		return err
	}
	if err := l.held.PingContext(ctx); err != nil {
		return err
	}
	if l.at.file, err = identity(l.o.Path); err != nil {
		return err
	}
	l.at.wal, err = identity(l.o.Path + "-wal")
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
func (l *Ledger) elsewhere() bool {
	if l.at.file == nil {
		return false
	}
	if now, err := os.Stat(l.o.Path); err != nil || !os.SameFile(now, l.at.file) {
		return true
	}
	now, err := os.Stat(l.o.Path + "-wal")
	return err == nil && l.at.wal != nil && !os.SameFile(now, l.at.wal)
}

// Origin names the holdings whose ledger it is.
func (l *Ledger) Origin() string { return l.origin }

// OriginAt reads the origin of the ledger in a file without changing anything.
func OriginAt(ctx context.Context, path string) (origin string, err error) {
	if _, err := os.Stat(path); err != nil {
		return "", err
	}
	dsn := (&url.URL{Scheme: "file", Opaque: (&url.URL{Path: filepath.ToSlash(path)}).EscapedPath()}).String() + "?mode=ro&_pragma=busy_timeout(1000)&_pragma=query_only(1)"
	db, err := sql.Open("sqlite", dsn)
	if err != nil {
		return "", err
	}
	defer db.Close()
	return origin, db.QueryRowContext(ctx, `SELECT origin FROM log_head`).Scan(&origin)
}

// Here says that the ledger that is open is the one at its path. The error wraps ErrGone
// and says in words what is there instead. On PostgreSQL it is always there.
func (l *Ledger) Here() error {
	if l.at.file == nil {
		return nil
	}
	for _, x := range []struct {
		path string
		was  fs.FileInfo
	}{{l.o.Path, l.at.file}, {l.o.Path + "-wal", l.at.wal}} {
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
