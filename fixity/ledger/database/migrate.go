package database

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"

	"github.com/pressly/goose/v3"

	"firmus/fixity"
)

// Migrate brings the schema up to date, each step in a transaction. A schema
// newer than the newest migration here is refused before anything is written.
//
// Two processes may begin or bring up the same ledger at the same moment: who
// changes the schema holds a lock, as on a store. migrations are files of SQL in two
// folders, sqlite and postgres; state is the folder of the locks, by who opens the ledger
// at the time now.
func (d *DB) Migrate(ctx context.Context, migrations fs.FS, state, by string, now time.Time) error {
	p, err := d.provider(migrations)
	if err != nil {
		return fmt.Errorf("migrations: %w", err)
	}
	newest := int64(0)
	for _, s := range p.ListSources() {
		newest = max(newest, s.Version)
	}
	have := int64(0)
	if !Fresh(d.o) {
		have, err = d.SchemaVersion(ctx)
		if err == nil && have == newest {
			return nil
		}
		// Busy: another process is making the file what this one waits for.
		if err != nil && !errors.Is(d.Translate(err), fixity.ErrBusy) {
			return err
		}
	}
	if have > newest {
		return fmt.Errorf("%w: its schema is %d, this program knows %d; nothing was changed", ErrNewer, have, newest)
	}
	unlock, err := d.Lock(ctx, Locks{State: state}, ".schema", by, d.o.Waiting, func() time.Time { return now })
	if err != nil {
		return err
	}
	defer unlock()
	if have, err = d.SchemaVersion(ctx); err != nil || have == newest {
		return err
	}
	if have == 0 && !d.postgres {
		if err := d.onlyOurs(ctx); err != nil {
			return err
		}
	}
	if !d.postgres {
		// No step waits for the drive: one that a power cut takes back is done anew by the
		// next opening, and the next Write makes all of them last.
		if _, err := d.w.ExecContext(ctx, `PRAGMA synchronous = NORMAL`); err != nil {
			return err
		}
	}
	if _, err = p.Up(ctx); err != nil {
		return fmt.Errorf("migrate the schema: %w", err)
	}
	if !d.postgres {
		_, err = d.w.ExecContext(ctx, `PRAGMA synchronous = FULL`)
	}
	return err
}

func (d *DB) provider(migrations fs.FS) (*goose.Provider, error) {
	dialect, folder := goose.DialectSQLite3, "sqlite"
	if d.postgres {
		dialect, folder = goose.DialectPostgres, "postgres"
	}
	files, err := fs.Sub(migrations, folder)
	if err != nil {
		return nil, err
	}
	return goose.NewProvider(dialect, d.w, files, goose.WithDisableGlobalRegistry(true))
}

// Fresh says that there is no file of a database yet. Even to look into one that is being
// made would be in the way of who makes it.
func Fresh(o Options) bool {
	if o.URL != "" {
		return false
	}
	st, err := os.Stat(o.Path)
	return errors.Is(err, fs.ErrNotExist) || err == nil && st.Mode().IsRegular() && st.Size() == 0
}

// onlyOurs refuses a file that has tables and no schema version: it is another
// program's, or what tells the version was lost.
func (d *DB) onlyOurs(ctx context.Context) error {
	var n int
	err := d.r.QueryRowContext(ctx, `SELECT count(*) FROM sqlite_master WHERE name NOT LIKE 'sqlite|_%' ESCAPE '|' AND name <> 'goose_db_version'`).Scan(&n)
	if err == nil && n > 0 {
		err = fmt.Errorf("%w: the file is a database without the schema of a ledger; nothing was changed", ErrDamaged)
	}
	return err
}

// SchemaVersion reads the migration table without goose, which would make it.
func (d *DB) SchemaVersion(ctx context.Context) (int64, error) {
	if has, err := d.HasTable(ctx, "goose_db_version"); err != nil || !has {
		return 0, err
	}
	var v sql.NullInt64
	err := d.Ask(ctx, `SELECT max(version_id) FROM goose_db_version`, nil, &v)
	return v.Int64, err
}

// HasTable says whether there is a table of a name.
func (d *DB) HasTable(ctx context.Context, name string) (bool, error) {
	q := `SELECT count(*) FROM sqlite_master WHERE name = $1`
	if d.postgres {
		q = `SELECT count(*) FROM information_schema.tables WHERE table_name = $1 AND table_schema = current_schema()`
	}
	var n int
	err := d.Ask(ctx, q, []any{name}, &n)
	return n > 0, err
}
