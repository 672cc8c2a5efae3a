package ledger

import (
	"context"
	"crypto/rand"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"time"

	"github.com/jackc/pgx/v5/pgconn"
	_ "github.com/jackc/pgx/v5/stdlib" // PostgreSQL
	"modernc.org/sqlite"

	"firmus/fixity"
	"firmus/fixity/ledger/private"
	"firmus/fixity/policy"
)

// Options say where the ledger is and by which rules it judges.
type Options struct {
	Path    string // SQLite: the file; made if it isn't there
	URL     string // PostgreSQL instead: a connection URL
	State   string // folder of the key and the locks
	Rules   policy.Rules
	Now     time.Time      // carried by what Open itself records
	By      string         // the person or program that opens it
	Waiting time.Duration  // how long to wait for another writer; default 10 s
	Zone    *time.Location // whose midnight begins a day of reading over the net; nil is UTC
	// Committed is told of the events of each committed transaction, in order.
	Committed func([]Event)
	MustExist bool // refuse to make a new one
}

// Ledger is an open ledger. It is safe for concurrent use.
type Ledger struct {
	o        Options
	w, r     *sql.DB
	locks    *sql.DB // PostgreSQL: a session for each store that is locked
	postgres bool
	origin   string    // of the log: names these holdings
	schema   int64     // the version of the schema
	at       openFiles // SQLite: which files are open
	held     *sql.Conn
}

// A busy ledger or one that can't be used is told apart by these.
var (
	// ErrNewer: written by a newer Firmus; it was not touched.
	ErrNewer = errors.New("ledger is from a newer version")
	// ErrDamaged: the database's own structure is broken.
	ErrDamaged = errors.New("ledger is damaged")
	// ErrPlace: the ledger lies where a database can't be kept safely.
	ErrPlace = errors.New("ledger lies on a network share")
)

// wayOut is what a person can do about a damaged ledger.
const wayOut = `stop the daemon, then bring it back from a backup: firmus ledger restore`

// Open opens or makes the ledger, brings its schema up to date and begins its log
// if it has none. Errors wrap fixity.ErrBusy, ErrNewer, ErrDamaged, ErrPlace or
// fixity.ErrNotFound (MustExist); the file is unchanged after each of them.
func Open(ctx context.Context, o Options) (*Ledger, error) {
	if o.Waiting == 0 {
		o.Waiting = 10 * time.Second
	}
	l := &Ledger{o: o, postgres: o.URL != ""}
	if err := l.connect(); err != nil {
		return nil, err
	}
	if err := l.prepare(ctx); err != nil {
		l.Close()
		return nil, fmt.Errorf("ledger %s: %w", l.Where(), l.translate(err))
	}
	if err := l.pin(ctx); err != nil {
		l.Close()
		return nil, fmt.Errorf("ledger %s: %w", l.Where(), l.translate(err))
	}
	return l, nil
}

// Where is the ledger's file, or its URL without a password.
func (l *Ledger) Where() string {
	if !l.postgres {
		return l.o.Path
	}
	u, err := url.Parse(l.o.URL)
	if err != nil {
		return "at its URL"
	}
	return u.Redacted()
}

// State is the folder of the key and the locks.
func (l *Ledger) State() string { return l.o.State }

// Rules are those the ledger judges by.
func (l *Ledger) Rules() policy.Rules { return l.o.Rules }

// Close ends all connections. Of a ledger that is gone they are left to the end of the
// process: SQLite removes the -wal by its name when it closes a file, and that may be
// another ledger's by now.
func (l *Ledger) Close() error {
	if l.elsewhere() {
		return nil
	}
	var err error
	if l.held != nil {
		err = l.held.Close()
	}
	err = errors.Join(err, l.w.Close())
	if l.r != l.w {
		err = errors.Join(err, l.r.Close())
	}
	if l.locks != nil {
		err = errors.Join(err, l.locks.Close())
	}
	return err
}

func (l *Ledger) connect() error {
	if l.postgres {
		db, err := sql.Open("pgx", l.o.URL)
		if err != nil {
			return fmt.Errorf("ledger: %w", err)
		}
		db.SetMaxOpenConns(8)
		l.w, l.r = db, db
		// A lock keeps its session for as long as an audit runs: in the pool above, an
		// intake that locks eight stores would leave none to write with. Not idle: a
		// session that is given back ends, and its locks and its name with it.
		if l.locks, err = sql.Open("pgx", l.o.URL); err != nil {
			return fmt.Errorf("ledger: %w", err)
		}
		l.locks.SetMaxIdleConns(0)
		return nil
	}
	if err := checkPlace(filepath.Dir(l.o.Path)); err != nil {
		return fmt.Errorf("ledger %s: %w", l.o.Path, err)
	}
	st, err := os.Stat(l.o.Path)
	switch {
	case errors.Is(err, os.ErrNotExist) && l.o.MustExist:
		return fmt.Errorf("ledger %s: %w", l.o.Path, fixity.ErrNotFound)
	case err == nil && st.Mode().IsRegular() && st.Size() == 0 && l.o.MustExist:
		return fmt.Errorf("ledger %s: %w: the file is empty", l.o.Path, ErrDamaged)
	case errors.Is(err, os.ErrNotExist):
		// SQLite gives its -wal and -shm the file's own mode.
		f, err := private.OpenFile(l.o.Path, os.O_RDWR|os.O_CREATE)
		if err != nil {
			return fmt.Errorf("ledger %s: %w", l.o.Path, err)
		}
		f.Close()
	case err == nil && st.Size() > 0:
		if err := checkHeader(l.o.Path); err != nil {
			return fmt.Errorf("ledger %s: %w", l.o.Path, err)
		}
	}
	// Pragmas stand in the DSN so that every connection has them. synchronous FULL:
	// an acknowledged commit outlives a power cut. _txlock: a transaction that will
	// write takes the write lock at its beginning and so can't fail half-way.
	dsn := (&url.URL{Scheme: "file", Opaque: (&url.URL{Path: filepath.ToSlash(l.o.Path)}).EscapedPath()}).String() +
		fmt.Sprintf("?_pragma=busy_timeout(%d)&_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)&_pragma=foreign_keys(1)&_txlock=immediate", l.o.Waiting.Milliseconds())
	if l.w, err = sql.Open("sqlite", dsn); err != nil {
		return fmt.Errorf("ledger %s: %w", l.o.Path, err)
	}
	l.w.SetMaxOpenConns(1)
	if l.r, err = sql.Open("sqlite", dsn+"&_pragma=query_only(1)"); err != nil {
		return fmt.Errorf("ledger %s: %w", l.o.Path, err)
	}
	l.r.SetMaxOpenConns(5) // one of them is held
	return nil
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

func (l *Ledger) prepare(ctx context.Context) error {
	if err := l.migrate(ctx); err != nil {
		return err
	}
	var err error
	if l.schema, err = l.schemaVersion(ctx); err != nil {
		return err
	}
	err = l.r.QueryRowContext(ctx, `SELECT origin FROM log_head`).Scan(&l.origin)
	if err == nil {
		if err := l.stateOnce(ctx); err != nil {
			return err
		}
		return l.judgeNotes(ctx)
	}
	if !errors.Is(err, sql.ErrNoRows) {
		return err
	}
	id := NewID()
	origin := originOf(id)
	err = l.Tx(ctx, l.o.Now, func(t *Tx) error {
		// A head that is gone is no reason to begin anew beside what is there.
		var events, files int64
		if err := t.row(`SELECT (SELECT count(*) FROM event), (SELECT count(*) FROM file)`, nil, &events, &files); err != nil {
			return err
		}
		if events+files > 0 {
			var heads int64
			if err := t.row(`SELECT count(*) FROM log_head`, nil, &heads); err != nil || heads > 0 {
				return err // another process has begun it meanwhile
			}
			return fmt.Errorf("%w: the head of its record is gone", ErrDamaged)
		}
		n, err := t.exec(`INSERT INTO log_head (id, origin, size, root) VALUES (1, $1, 0, $2) ON CONFLICT DO NOTHING`, origin, emptyRoot[:])
		if err != nil || n == 0 {
			return err
		}
		if _, err := t.exec(`INSERT INTO holdings (id, begun) VALUES ($1, $2)`, id, nanos(t.now)); err != nil {
			return err
		}
		l.origin = origin
		k, err := l.Key()
		if err != nil {
			return err
		}
		t.Event(Event{Verb: fixity.LedgerBegun, By: l.o.By, Data: map[string]any{"holdings": id, "key": k.Public, "schema": l.schema}})
		return t.putKey(k.Public, 0)
	})
	if err != nil {
		return err
	}
	return l.r.QueryRowContext(ctx, `SELECT origin FROM log_head`).Scan(&l.origin)
}

// stateOnce states what is in a ledger that an earlier version began.
func (l *Ledger) stateOnce(ctx context.Context) error {
	var asked int64
	if err := l.r.QueryRowContext(ctx, `SELECT count(*) FROM stated WHERE id = 0`).Scan(&asked); err != nil || asked == 0 {
		return err
	}
	return l.Tx(ctx, l.o.Now, (*Tx).stateOnce)
}

func originOf(holdings string) string { return "firmus/" + holdings }

// NewID is a random identity for holdings or a store: 32 hexadecimal digits.
func NewID() string {
	var b [16]byte
	_, _ = rand.Read(b[:]) // never fails (crypto/rand)
	return hex.EncodeToString(b[:])
}

// ErrFull says that the drive with the ledger has no room. Nothing was changed.
var ErrFull = errors.New("no room left to write (nothing was changed)")

// translate gives the errors of both databases the names of this package.
func (l *Ledger) translate(err error) error {
	var se *sqlite.Error
	if errors.As(err, &se) {
		if se.Code() == 4874 { // SQLITE_IOERR_SHMSIZE: not even the file beside the -wal
			return fmt.Errorf("%w: %w", ErrFull, err)
		}
		switch se.Code() & 0xff {
		case 5, 6: // SQLITE_BUSY, SQLITE_LOCKED
			return fmt.Errorf("%w: another process has been writing to it for %s: %w", fixity.ErrBusy, l.o.Waiting, err)
		case 11, 26: // SQLITE_CORRUPT, SQLITE_NOTADB
			return fmt.Errorf("%w: %s: %w", ErrDamaged, wayOut, err)
		case 13: // SQLITE_FULL
			return fmt.Errorf("%w: %w", ErrFull, err)
		}
	}
	var pe *pgconn.PgError
	if errors.As(err, &pe) && pe.Code == "55P03" { // lock_not_available
		return fmt.Errorf("%w: another process has been writing to it for %s: %w", fixity.ErrBusy, l.o.Waiting, err)
	}
	return err
}

func nanos(t time.Time) int64 {
	if t.IsZero() {
		return 0
	}
	return t.UnixNano()
}

func fromNanos(n int64) time.Time {
	if n == 0 {
		return time.Time{}
	}
	return time.Unix(0, n).UTC()
}

func b2i(b bool) int64 {
	if b {
		return 1
	}
	return 0
}
