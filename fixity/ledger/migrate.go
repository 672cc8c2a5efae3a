package ledger

import (
	"context"
	"database/sql"
	"embed"
	"fmt"
	"io/fs"
	"time"

	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"
)

//go:embed migrations/sqlite/*.sql migrations/postgres/*.sql
var migrations embed.FS

// migrate brings the schema up to date, each step in a transaction. A schema
// newer than the newest migration here is refused before anything is written.
func (l *Ledger) migrate(ctx context.Context) error {
	dialect, folder := goose.DialectSQLite3, "migrations/sqlite"
	opts := []goose.ProviderOption{goose.WithDisableGlobalRegistry(true)}
	if l.postgres {
		dialect, folder = goose.DialectPostgres, "migrations/postgres"
		locker, err := lock.NewPostgresSessionLocker()
		if err != nil {
			return err
		}
		opts = append(opts, goose.WithSessionLocker(locker))
	}
	files, err := fs.Sub(migrations, folder)
	if err != nil {
		return err
	}
	p, err := goose.NewProvider(dialect, l.w, files, opts...)
	if err != nil {
		return fmt.Errorf("migrations: %w", err)
	}
	newest := int64(0)
	for _, s := range p.ListSources() {
		newest = max(newest, s.Version)
	}
	have, err := l.schemaVersion(ctx)
	switch {
	case err != nil:
		return err
	case have > newest:
		return fmt.Errorf("%w: its schema is %d, this program knows %d; nothing was changed", ErrNewer, have, newest)
	case have == newest:
		return nil
	case have == 0 && !l.postgres:
		if err := l.onlyOurs(ctx); err != nil {
			return err
		}
	}
	// Another process may begin the same ledger at the same moment, and one of the
	// two then finds that a table is there already.
	for try := 1; ; try++ {
		if _, err = p.Up(ctx); err == nil {
			return nil
		}
		if have, err2 := l.schemaVersion(ctx); err2 == nil && have == newest {
			return nil
		}
		if try == 3 {
			return fmt.Errorf("migrate the schema: %w", err)
		}
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-time.After(100 * time.Millisecond):
		}
	}
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
