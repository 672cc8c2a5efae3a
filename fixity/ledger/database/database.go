// Package database keeps a ledger's tables: a file of SQLite's, or a schema of
// PostgreSQL's. It opens them, brings their schema up to date, locks, and runs one
// transaction after another; it knows no table of the ledger's.
package database

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/stdlib"
	"modernc.org/sqlite"

	"firmus/fixity"
	"firmus/fixity/ledger/private"
)

// Options say where the database is.
type Options struct {
	Path      string        // SQLite: the file; made if it isn't there
	URL       string        // PostgreSQL instead: a connection URL
	Waiting   time.Duration // how long to wait for another writer
	MustExist bool          // refuse to make a new one
}

// DB is an open database. It is safe for concurrent use.
type DB struct {
	o        Options
	w, r     *sql.DB
	locks    *sql.DB // PostgreSQL: a session for each lock
	postgres bool
	lines    *lines           // PostgreSQL: its connections
	at       openFiles        // SQLite: which files are open
	open     opened           // SQLite: its connections
	session  driver.Connector // SQLite: begins another one that may write
}

// A busy ledger or one that can't be used is told apart by these.
var (
	// ErrNewer: written by a newer Firmus; it was not touched.
	ErrNewer = errors.New("ledger is from a newer version")
	// ErrDamaged: the database's own structure is broken.
	ErrDamaged = errors.New("ledger is damaged")
	// ErrPlace: it lies where a database can't be kept safely.
	ErrPlace = errors.New("ledger lies on a network share")
)

// wayOut is what a person can do about a damaged ledger.
const wayOut = `say the same again, since a drive may give a wrong reading once. If that is said again, stop the daemon, then bring it back from a backup: firmus ledger restore`

// Where is the ledger's file, or its URL without a password.
func (d *DB) Where() string {
	if !d.postgres {
		return d.o.Path
	}
	u, err := url.Parse(d.o.URL)
	if err != nil {
		return "at its URL"
	}
	return u.Redacted()
}

// Close ends all connections. Of a ledger that is gone they are left to the end of the
// process: SQLite removes the -wal by its name when it closes a file, and that may be
// another ledger's by now.
func (d *DB) Close() error {
	if d.elsewhere() {
		return nil
	}
	if d.lines != nil {
		d.lines.hangUp()
	}
	last := d.open.release()
	err := d.w.Close()
	if d.r != d.w {
		err = errors.Join(err, d.r.Close())
	}
	err = errors.Join(err, last())
	if d.locks != nil {
		err = errors.Join(err, d.locks.Close())
	}
	return err
}

// Open connects to a database, or makes the file of one. Errors wrap ErrDamaged, ErrPlace
// or fixity.ErrNotFound (MustExist); the file is unchanged after each of them.
func Open(o Options) (*DB, error) {
	d := &DB{o: o, postgres: o.URL != ""}
	return d, d.connect()
}

// Dial makes connections to PostgreSQL's server for others that use the same database: each ends
// with an error, as this one's do, once the server says nothing any more.
func (d *DB) Dial(ctx context.Context, network, addr string) (net.Conn, error) {
	return d.lines.dial(ctx, network, addr)
}

// Postgres says that it is one of PostgreSQL's.
func (d *DB) Postgres() bool { return d.postgres }

// mostSessions is how many transactions one process has at the same time in PostgreSQL.
const mostSessions = 8

func (d *DB) connect() error {
	if d.postgres {
		c, err := pgx.ParseConfig(d.o.URL)
		if err != nil {
			return fmt.Errorf("ledger: %w", err)
		}
		d.lines = newLines()
		d.lines.watch(&c.Config)
		db := stdlib.OpenDB(*c)
		db.SetMaxOpenConns(mostSessions)
		// By itself it keeps two: where three were at work, each transaction would begin a session
		// anew, with all its statements to be prepared.
		db.SetMaxIdleConns(mostSessions)
		db.SetConnMaxIdleTime(time.Minute)
		d.w, d.r = db, db
		// A lock keeps its session for as long as an audit runs: in the pool above, an
		// intake that locks eight stores would leave none to write with. Not idle: a
		// session that is given back ends, and its locks and its name with it.
		c = c.Copy()
		missed(c.RuntimeParams)
		d.locks = stdlib.OpenDB(*c)
		d.locks.SetMaxIdleConns(0)
		return nil
	}
	if err := checkPlace(filepath.Dir(d.o.Path)); err != nil {
		return fmt.Errorf("ledger %s: %w", d.o.Path, err)
	}
	st, err := os.Stat(d.o.Path)
	switch {
	case errors.Is(err, os.ErrNotExist) && d.o.MustExist:
		return fmt.Errorf("ledger %s: %w", d.o.Path, fixity.ErrNotFound)
	case err == nil && st.Mode().IsRegular() && st.Size() == 0 && d.o.MustExist:
		return fmt.Errorf("ledger %s: %w: the file is empty", d.o.Path, ErrDamaged)
	case errors.Is(err, os.ErrNotExist):
		// SQLite gives its -wal and -shm the file's own mode.
		f, err := private.OpenFile(d.o.Path, os.O_RDWR|os.O_CREATE)
		if err != nil {
			return fmt.Errorf("ledger %s: %w", d.o.Path, err)
		}
		f.Close()
	case err == nil && st.Size() > 0:
		if err := checkHeader(d.o.Path); err != nil {
			return fmt.Errorf("ledger %s: %w", d.o.Path, err)
		}
	}
	// Pragmas stand in the DSN so that every connection has them. synchronous FULL:
	// an acknowledged commit outlives a power cut; on macOS that takes fullfsync besides, since
	// fsync(2) leaves it in the drive's own cache there (SQLite, PRAGMA fullfsync). _txlock: a transaction that will
	// write takes the write lock at its beginning and so can't fail half-way. mode=rw: a
	// connection that is made later, when the file is gone, makes no other.
	name := dsn(d.o.Path) + fmt.Sprintf("?mode=rw&_pragma=busy_timeout(%d)&_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)&_pragma=fullfsync(1)&_pragma=checkpoint_fullfsync(1)&_pragma=foreign_keys(1)&_txlock=immediate", d.o.Waiting.Milliseconds())
	w, err := sqlite.NewConnector(name)
	if err != nil {
		return fmt.Errorf("ledger %s: %w", d.o.Path, err)
	}
	r, err := sqlite.NewConnector(name + "&_pragma=query_only(1)")
	if err != nil {
		return fmt.Errorf("ledger %s: %w", d.o.Path, err)
	}
	d.w, d.r, d.session = sql.OpenDB(keeping{w, &d.open}), sql.OpenDB(keeping{r, &d.open}), w
	d.w.SetMaxOpenConns(1)
	d.r.SetMaxOpenConns(4)
	d.r.SetMaxIdleConns(4)
	return nil
}

// missed has the server miss a session within a minute whose computer lost its power or its
// line: its locks are others' then. By itself it asks after two hours (PostgreSQL's
// documentation, section 20.3.2, tcp_keepalives_idle).
func missed(params map[string]string) {
	for k, v := range map[string]string{"tcp_keepalives_idle": "20", "tcp_keepalives_interval": "5", "tcp_keepalives_count": "4"} {
		if _, has := params[k]; !has {
			params[k] = v
		}
	}
}

// checkHeader refuses a file that doesn't begin as a database does (SQLite's "Database
// File Format", section 1.3): one of a few bytes would be taken for an empty one, and
// begun anew.
func checkHeader(path string) error {
	const magic = "SQLite format 3\x00"
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	head := make([]byte, 100)
	n, err := io.ReadFull(f, head)
	if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
		return err
	}
	if n < len(head) || string(head[:len(magic)]) != magic {
		return fmt.Errorf("%w: the file is no database, or only the beginning of one; nothing was changed: %s", ErrDamaged, wayOut)
	}
	return nil
}

// ErrFull says that the drive with the ledger has no room. Nothing was changed.
var ErrFull = errors.New("no room left to write")

// full is an ErrFull that says where room must be made. The database's own words are no help.
type full struct {
	where string
	err   error
}

func (f *full) Error() string {
	return fmt.Sprintf("the drive with %s is full, and the ledger needs some room there, to be read as well. Nothing was changed. Make room on that drive, then say the same again", f.where)
}

func (f *full) Unwrap() []error { return []error{ErrFull, f.err} }

func (d *DB) full(err error) error {
	if d.postgres {
		return &full{"the database of " + d.Where(), err}
	}
	return &full{filepath.Dir(d.o.Path), err}
}

// Translate gives the errors of both databases the names of this package.
func (d *DB) Translate(err error) error {
	var se *sqlite.Error
	if errors.As(err, &se) {
		if se.Code() == 4874 { // SQLITE_IOERR_SHMSIZE: not even the file beside the -wal
			return d.full(err)
		}
		switch se.Code() & 0xff {
		case 5, 6: // SQLITE_BUSY, SQLITE_LOCKED
			return fmt.Errorf("%w: another process has been writing to it for %s: %w", fixity.ErrBusy, d.o.Waiting, err)
		case 11, 26: // SQLITE_CORRUPT, SQLITE_NOTADB
			return fmt.Errorf("%w: %s: %w", ErrDamaged, wayOut, err)
		case 13: // SQLITE_FULL
			return d.full(err)
		case 10: // SQLITE_IOERR
			return fmt.Errorf("the drive with the ledger %s gives an error. What was to be written last isn't there; what was written before is. Look whether that drive is well and connected, then say the same again: %w", d.o.Path, err)
		}
	}
	var pe *pgconn.PgError
	var ce *pgconn.ConnectError
	if errors.As(err, &ce) && (pgconn.Timeout(err) || errors.Is(err, os.ErrDeadlineExceeded)) {
		return fmt.Errorf("the database doesn't answer: %w", err)
	}
	if errors.As(err, &pe) && pe.Code == "53100" { // disk_full
		return d.full(err)
	}
	if errors.As(err, &pe) && pe.Code == "55P03" { // lock_not_available
		return fmt.Errorf("%w: another process has been writing to it for %s: %w", fixity.ErrBusy, d.o.Waiting, err)
	}
	return err
}
