package ledger

import (
	"context"
	"database/sql"
	"embed"
	"fmt"
	"io/fs"

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
	}
	if _, err := p.Up(ctx); err != nil {
		return fmt.Errorf("migrate the schema: %w", err)
	}
	return nil
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
