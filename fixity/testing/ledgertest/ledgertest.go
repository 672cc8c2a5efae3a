// Package ledgertest gives a test the place of a new ledger: a file, or a database of its
// own on the PostgreSQL server that FIRMUS_TEST_POSTGRES names. It is for tests only.
package ledgertest

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"firmus/fixity/ledger"
	"firmus/fixity/ledger/database"
)

// Postgres names a PostgreSQL database, by its URL, whose user may make others.
const Postgres = "FIRMUS_TEST_POSTGRES"

// Place is where a ledger is kept.
type Place struct {
	Path  string // of the file; "" on PostgreSQL
	URL   string // "" for a file
	State string // the state folder
}

// Options are those of a ledger there, without rules, time and person.
func (p Place) Options() ledger.Options {
	return ledger.Options{Path: p.Path, URL: p.URL, State: p.State}
}

// Config is the part of a configuration that names the place; "" for a file, which lies
// in the state folder.
func (p Place) Config() string {
	if p.URL == "" {
		return ""
	}
	return fmt.Sprintf("\n[ledger]\nurl = %q\n", p.URL)
}

// OnEach runs a test on each database: "sqlite", and "postgres", which is skipped where
// none is named. Both run in parallel with others, as most of the time goes by waiting
// for a drive.
func OnEach(t *testing.T, test func(t *testing.T, p Place)) {
	t.Helper()
	t.Run("sqlite", func(t *testing.T) { t.Parallel(); test(t, Ready(t, t.TempDir())) })
	t.Run("postgres", func(t *testing.T) { t.Parallel(); test(t, Database(t, t.TempDir())) })
}

// File is a place in a state folder. There is nothing yet.
func File(state string) Place { return Place{Path: filepath.Join(state, "ledger.db"), State: state} }

// Ready is a place in a state folder, which is made if it isn't there, with an empty ledger: it
// has its tables, and no record was begun.
func Ready(t testing.TB, state string) Place {
	t.Helper()
	p := File(state)
	whole, err := readyFile()
	if err == nil {
		err = os.MkdirAll(state, 0o700)
	}
	if err == nil {
		err = os.WriteFile(p.Path, whole, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// readyFile is made once: the steps of the schema take longer than many a test.
var readyFile = sync.OnceValues(func() ([]byte, error) {
	dir, err := os.MkdirTemp("", "ledgertest")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	p := File(dir)
	if err := migrate(database.Options{Path: p.Path}); err != nil {
		return nil, err
	}
	return os.ReadFile(p.Path)
})

func migrate(o database.Options) error {
	state, err := os.MkdirTemp("", "ledgertest")
	if err != nil {
		return err
	}
	defer os.RemoveAll(state)
	o.Waiting = 10 * time.Second
	db, err := database.Open(o)
	if err != nil {
		return err
	}
	err = db.Migrate(context.Background(), ledger.Migrations(), state, "a test", time.Unix(0, 0))
	return errors.Join(err, db.Close())
}

// Database is a database with an empty ledger that is dropped at the test's end. The test
// is skipped where none is named.
func Database(t testing.TB, state string) Place {
	t.Helper()
	return dropped(t, state, readyDatabase)
}

// Nothing is a database without a table that is dropped at the test's end. The test is
// skipped where none is named.
func Nothing(t testing.TB, state string) Place {
	t.Helper()
	return dropped(t, state, func() (string, error) { return "template0", nil })
}

func dropped(t testing.TB, state string, like func() (string, error)) Place {
	t.Helper()
	base := os.Getenv(Postgres)
	if base == "" {
		t.Skip(Postgres + " names no database: .ci/run has a step of its own that does")
	}
	admin, err := sql.Open("pgx", base)
	if err != nil {
		t.Fatal(err)
	}
	admin.SetMaxIdleConns(0) // many tests at once would use up the server's connections
	from, err := like()
	if err != nil {
		t.Fatal(err)
	}
	name := "t" + strings.ToLower(rand.Text())
	if _, err := admin.Exec(`CREATE DATABASE ` + name + ` TEMPLATE ` + from + ` STRATEGY file_copy`); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if _, err := admin.Exec(`DROP DATABASE ` + name + ` WITH (FORCE)`); err != nil {
			t.Error(err)
		}
		admin.Close()
	})
	at, err := named(base, name)
	if err != nil {
		t.Fatal(err)
	}
	return Place{URL: at, State: state}
}

// named is a database's URL with another name.
func named(base, name string) (string, error) {
	u, err := url.Parse(base)
	if err != nil {
		return "", err
	}
	u.Path = "/" + name
	return u.String(), nil
}

// readyDatabase makes the database that others are made like, and gives its name, which
// goes with the steps of the schema. It stays, for all that test after this.
var readyDatabase = sync.OnceValues(func() (name string, err error) {
	sum := sha256.New()
	if err := fs.WalkDir(ledger.Migrations(), "postgres", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		text, err := fs.ReadFile(ledger.Migrations(), path)
		fmt.Fprintf(sum, "%s %d\n%s", path, len(text), text)
		return err
	}); err != nil {
		return "", err
	}
	name = fmt.Sprintf("ledgertest_%x", sum.Sum(nil)[:12])
	ctx, base := context.Background(), os.Getenv(Postgres)
	admin, err := sql.Open("pgx", base)
	if err != nil {
		return "", err
	}
	defer admin.Close()
	c, err := admin.Conn(ctx)
	if err != nil {
		return "", err
	}
	defer c.Close()           // and with it the lock
	const lock = 0x7265616479 // "ready"
	if _, err := c.ExecContext(ctx, `SELECT pg_advisory_lock($1)`, int64(lock)); err != nil {
		return "", err
	}
	var there int
	if err := c.QueryRowContext(ctx, `SELECT count(*) FROM pg_database WHERE datname = $1`, name).Scan(&there); err != nil || there > 0 {
		return name, err
	}
	making := name + "_making" // of one that was killed
	if _, err := c.ExecContext(ctx, `DROP DATABASE IF EXISTS `+making+` WITH (FORCE)`); err != nil {
		return "", err
	}
	if _, err := c.ExecContext(ctx, `CREATE DATABASE `+making); err != nil {
		return "", err
	}
	at, err := named(base, making)
	if err != nil {
		return "", err
	}
	if err := migrate(database.Options{URL: at}); err != nil {
		return "", err
	}
	// The server may need a moment to end the last connection.
	_, err = c.ExecContext(ctx, `SELECT pg_terminate_backend(pid, 10000) FROM pg_stat_activity WHERE datname = $1`, making)
	if err == nil {
		_, err = c.ExecContext(ctx, `ALTER DATABASE `+making+` RENAME TO `+name)
	}
	return name, err
})

// Here is a database where one is named, and else a file: for suites that run whole on
// either.
func Here(t testing.TB, state string) Place {
	t.Helper()
	if os.Getenv(Postgres) != "" {
		return Database(t, state)
	}
	return File(state)
}
