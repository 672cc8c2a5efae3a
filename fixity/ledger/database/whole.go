package database

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
)

// Snapshot writes a whole copy of the ledger into a file that isn't there yet. It
// works beside readers and writers, in a session of its own: the one that writes would be held up,
// and would have to prepare all its statements anew. On PostgreSQL there is none: that has backups
// of its own, and the event files are complete.
func (d *DB) Snapshot(ctx context.Context, file string) (ok bool, err error) {
	if d.postgres {
		return false, nil
	}
	own := sql.OpenDB(d.session)
	defer own.Close()
	own.SetMaxOpenConns(1)
	if err := own.PingContext(ctx); err != nil {
		return false, fmt.Errorf("snapshot of the ledger: %w", d.Translate(err))
	}
	if err := d.Here(); err != nil { // the session may be of another file
		return false, err
	}
	if _, err := own.ExecContext(ctx, `VACUUM INTO $1`, file); err != nil {
		return false, fmt.Errorf("snapshot of the ledger: %w", d.Translate(err))
	}
	return true, d.Here()
}

// CheckPages asks the database itself whether its pages and indexes fit together, before
// anything else of it is believed; what isn't right is asked about twice, for one reading may
// go wrong. The error wraps ErrDamaged. PostgreSQL has tools of its own for that, and isn't
// asked.
func (d *DB) CheckPages(ctx context.Context) error {
	if d.postgres {
		return nil
	}
	err := d.checkPages(ctx)
	if errors.Is(err, ErrDamaged) {
		err = d.checkPages(ctx)
	}
	return err
}

func (d *DB) checkPages(ctx context.Context) error {
	rs, err := d.r.QueryContext(ctx, `PRAGMA integrity_check(3)`)
	if err != nil {
		return d.Translate(err)
	}
	defer rs.Close()
	var said []string
	for rs.Next() {
		var s string
		if err := rs.Scan(&s); err != nil {
			return d.Translate(err)
		}
		if s != "ok" {
			said = append(said, s)
		}
	}
	if err := rs.Err(); err != nil {
		return d.Translate(err)
	}
	if len(said) > 0 {
		return fmt.Errorf("%w: %q", ErrDamaged, said)
	}
	return nil
}

// Prune makes sure that a database is one file with all that was committed: it moves what
// stands in the write-ahead log, and ends all connections.
func (d *DB) Prune(ctx context.Context) error {
	_, err := d.w.ExecContext(ctx, `PRAGMA wal_checkpoint(TRUNCATE)`)
	return errors.Join(err, d.Close())
}

// Peek reads one row of a file of SQLite's without changing anything.
func Peek(ctx context.Context, path, query string, into ...any) error {
	if _, err := os.Stat(path); err != nil {
		return err
	}
	db, err := sql.Open("sqlite", dsn(path)+"?mode=ro&_pragma=busy_timeout(1000)&_pragma=query_only(1)")
	if err != nil {
		return err
	}
	defer db.Close()
	return db.QueryRowContext(ctx, query).Scan(into...)
}

// dsn is a file as the driver is told of it.
func dsn(path string) string {
	return (&url.URL{Scheme: "file", Opaque: (&url.URL{Path: filepath.ToSlash(path)}).EscapedPath()}).String()
}
