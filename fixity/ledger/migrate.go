package ledger

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"

	"github.com/pressly/goose/v3"

	"firmus/fixity"
)

//go:embed migrations/sqlite/*.sql migrations/postgres/*.sql
var migrations embed.FS

// migrate brings the schema up to date, each step in a transaction. A schema
// newer than the newest migration here is refused before anything is written.
//
// Two processes may begin or bring up the same ledger at the same moment: who
// changes the schema holds a lock, as on a store.
func (l *Ledger) migrate(ctx context.Context) error {
	p, err := l.provider()
	if err != nil {
		return fmt.Errorf("migrations: %w", err)
	}
	newest := int64(0)
	for _, s := range p.ListSources() {
		newest = max(newest, s.Version)
	}
	have := int64(0)
	if !l.fresh() {
		have, err = l.schemaVersion(ctx)
		if err == nil && have == newest {
			return nil
		}
		// Busy: another process is making the file what this one waits for.
		if err != nil && !errors.Is(l.translate(err), fixity.ErrBusy) {
			return err
		}
	}
	if have > newest {
		return fmt.Errorf("%w: its schema is %d, this program knows %d; nothing was changed", ErrNewer, have, newest)
	}
	unlock, err := l.LockStore(ctx, ".schema", l.o.By, l.o.Waiting, func() time.Time { return l.o.Now })
	if err != nil {
		return err
	}
	defer unlock()
	if have, err = l.schemaVersion(ctx); err != nil || have == newest {
		return err
	}
	if have == 0 && !l.postgres {
		if err := l.onlyOurs(ctx); err != nil {
			return err
		}
	}
	if _, err = p.Up(ctx); err != nil {
		return fmt.Errorf("migrate the schema: %w", err)
	}
	return nil
}

func (l *Ledger) provider() (*goose.Provider, error) {
	dialect, folder := goose.DialectSQLite3, "migrations/sqlite"
	if l.postgres {
		dialect, folder = goose.DialectPostgres, "migrations/postgres"
	}
	files, err := fs.Sub(migrations, folder)
	if err != nil {
		return nil, err
	}
	return goose.NewProvider(dialect, l.w, files, goose.WithDisableGlobalRegistry(true))
}

// fresh says that there is no database yet. Even to look into one that is being
// made would be in the way of who makes it.
func (l *Ledger) fresh() bool {
	if l.postgres {
		return false
	}
	st, err := os.Stat(l.o.Path)
	return errors.Is(err, fs.ErrNotExist) || err == nil && st.Mode().IsRegular() && st.Size() == 0
}

// onlyOurs refuses a file that has tables and no schema version: it is another
// program's, or what tells the version was lost.
func (l *Ledger) onlyOurs(ctx context.Context) error {
	var n int
	err := l.r.QueryRowContext(ctx, `SELECT count(*) FROM sqlite_master WHERE name NOT LIKE 'sqlite|_%' ESCAPE '|' AND name <> 'goose_db_version'`).Scan(&n)
	if err == nil && n > 0 {
		err = fmt.Errorf("%w: the file is a database without the schema of a ledger; nothing was changed", ErrDamaged)
	}
	return err
}

// schemaVersion reads the migration table without goose, which would make it.
func (l *Ledger) schemaVersion(ctx context.Context) (int64, error) {
	q := `SELECT count(*) FROM sqlite_master WHERE name = 'goose_db_version'`
	if l.postgres {
		q = `SELECT count(*) FROM information_schema.tables WHERE table_name = 'goose_db_version' AND table_schema = current_schema()`
	}
	var n int
	if err := l.r.QueryRowContext(ctx, q).Scan(&n); err != nil || n == 0 {
		return 0, err
	}
	var v sql.NullInt64
	err := l.r.QueryRowContext(ctx, `SELECT max(version_id) FROM goose_db_version`).Scan(&v)
	return v.Int64, err
}
