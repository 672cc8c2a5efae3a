package ledger

import (
	"cmp"
	"context"
	"crypto/rand"
	"embed"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger/database"
	"firmus/fixity/ledger/record"
)

//go:embed migrations/sqlite/*.sql migrations/postgres/*.sql
var migrations embed.FS

// What of the database is seen by who opens a ledger.
var (
	ErrNewer   = database.ErrNewer
	ErrDamaged = database.ErrDamaged
	ErrPlace   = database.ErrPlace
	ErrGone    = database.ErrGone
	ErrFull    = database.ErrFull
	LockState  = database.LockState
)

// LockedError says who holds a lock.
type LockedError = database.LockedError

// As the database has times and truths.
var (
	nanos     = database.Nanos
	fromNanos = database.Time
	b2i       = database.Bit
)

// Options say where the ledger is and by which rules it judges.
type Options struct {
	Path    string // SQLite: the file; made if it isn't there
	URL     string // PostgreSQL instead: a connection URL
	State   string // folder of the key and the locks
	Rules   care.Rules
	Now     time.Time      // carried by what Open itself records
	By      string         // the person or program that opens it
	Host    string         // the computer that reads, where several share the ledger
	Waiting time.Duration  // how long to wait for another writer; default 10 s
	Zone    *time.Location // whose midnight begins a day of reading over the net; nil is UTC
	// Clock is that of this computer where others share the ledger: what is recorded while it is
	// apart from the database's by more than Apart, or bears a time so far in the future, is refused
	// (ErrClock). Nil: times aren't compared.
	Clock func() time.Time
	// Committed is told of the events of each committed transaction, in order.
	Committed func([]Event)
	MustExist bool // refuse to make a new one
	moves     bool // it is to be moved: one that isn't in use is opened, too
	// TakesUp has the Rules keep the stores that were retired: one of them is to be taken up
	// again. Else they are as if they weren't in the configuration.
	TakesUp bool
}

// Ledger is an open ledger. It is safe for concurrent use.
type Ledger struct {
	o      Options
	db     *database.DB
	origin string // of the log: names these holdings
	schema int64  // the version of the schema
}

// Open opens or makes the ledger, brings its schema up to date and begins its log
// if it has none. Errors wrap fixity.ErrBusy, ErrNewer, ErrDamaged, ErrPlace or
// fixity.ErrNotFound (MustExist); the file is unchanged after each of them.
func Open(ctx context.Context, o Options) (*Ledger, error) {
	db, err := database.Open(o.place())
	if err != nil {
		return nil, err
	}
	l := &Ledger{o: o, db: db}
	if err = l.prepare(ctx); err == nil {
		err = db.Pin(ctx)
	}
	if err != nil {
		l.Close()
		return nil, fmt.Errorf("ledger %s: %w", l.Where(), db.Translate(err))
	}
	if !o.moves {
		if err := l.inUse(ctx); err != nil {
			l.Close()
			return nil, fmt.Errorf("ledger %s: %w", l.Where(), err)
		}
	}
	if !o.TakesUp {
		if err := l.View(ctx, func(t *Tx) error {
			retired, err := t.Stores.Retired()
			l.o.Rules = o.Rules.Without(retired)
			return err
		}); err != nil {
			l.Close()
			return nil, err
		}
	}
	return l, nil
}

func (o Options) place() database.Options {
	return database.Options{Path: o.Path, URL: o.URL, Waiting: cmp.Or(o.Waiting, 10*time.Second), MustExist: o.MustExist}
}

// Where is the ledger's file, or its URL without a password.
func (l *Ledger) Where() string { return l.db.Where() }

// Close ends all connections.
func (l *Ledger) Close() error { return l.db.Close() }

// Here says that the ledger that is open is the one at its place. The error wraps ErrGone.
func (l *Ledger) Here() error { return l.db.Here() }

// Snapshot writes a whole copy of the ledger into a file that isn't there yet. ok is false
// on PostgreSQL, which has backups of its own; the event files are complete.
func (l *Ledger) Snapshot(ctx context.Context, file string) (ok bool, err error) {
	return l.db.Snapshot(ctx, file)
}

// CheckPages asks the database itself whether its pages and indexes fit together, before
// anything else of it is believed. The error wraps ErrDamaged.
func (l *Ledger) CheckPages(ctx context.Context) error { return l.db.CheckPages(ctx) }

// Prune makes sure that a ledger is one file with all that was committed, and closes it.
func (l *Ledger) Prune(ctx context.Context) error { return l.db.Prune(ctx) }

// LockStore takes the lock on a store, so that nobody else reads it at the same
// time. It dies with the process that holds it. While another one does, it is
// tried again until wait is over; then the error is a *LockedError. who says who
// takes it. With a PostgreSQL ledger it holds for all hosts that share it.
func (l *Ledger) LockStore(ctx context.Context, name, who string, wait time.Duration, now func() time.Time) (unlock func(), err error) {
	return l.db.Lock(ctx, database.Locks{State: l.o.State, Of: l.origin}, storeLock(name), who, wait, now)
}

// storeLock is the name of a store's lock: none begins with a dot, as those of LockOwn do.
func storeLock(store string) string {
	if strings.HasPrefix(store, ".") {
		return "store" + store
	}
	return store
}

// HoldStore is LockStore for what is done under the lock: the context ends with an error that
// wraps fixity.ErrBusy once it is held no more. shared: many may hold it so at the same time, on
// whatever hosts; who has it alone keeps all of them out.
func (l *Ledger) HoldStore(ctx context.Context, name, who string, wait time.Duration, now func() time.Time, shared bool) (_ context.Context, unlock func(), err error) {
	unlock, still, err := l.db.LockFor(ctx, database.Locks{State: l.o.State, Of: l.origin, Shared: shared}, storeLock(name), who, wait, now)
	if err != nil {
		return ctx, nil, err
	}
	ctx, unlock = l.While(ctx, unlock, still)
	return ctx, unlock, nil
}

// stillEvery is how often it is asked whether a lock is still held.
const stillEvery = time.Second

// While gives a context that ends once a lock is held no more, with an error that wraps
// fixity.ErrBusy, and what unlocks it and ends the asking.
func (l *Ledger) While(ctx context.Context, unlock func(), still func(context.Context) error) (context.Context, func()) {
	if !l.Shared() {
		return ctx, unlock
	}
	ctx, cancel := context.WithCancelCause(ctx)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for {
			select {
			case <-ctx.Done():
				return
			case <-time.After(stillEvery):
			}
			if err := still(ctx); err != nil && ctx.Err() == nil {
				cancel(fmt.Errorf("the lock was lost with the connection to the database, and may be another's: %w", fixity.ErrBusy))
			}
		}
	}()
	return ctx, func() { cancel(nil); <-ended; unlock() }
}

// HeldOwn says whether somebody holds a lock of LockOwn's, on whatever host, and who. Without
// PostgreSQL nobody is known to.
func (l *Ledger) HeldOwn(ctx context.Context, name string) (held bool, holder string, err error) {
	held, holder, err = l.db.Held(ctx, database.Locks{Of: l.origin}, "."+name)
	return held, holder, l.db.Translate(err)
}

// Dial connects to the server of a ledger on PostgreSQL, for others that use its database.
func (l *Ledger) Dial(ctx context.Context, network, addr string) (net.Conn, error) {
	return l.db.Dial(ctx, network, addr)
}

// Shared says that hosts may share the ledger.
func (l *Ledger) Shared() bool { return l.db.Postgres() }

// LockOwn is LockStore for what is no store: the daemon, the event files, a drive. Its
// file begins with a dot, which no store's does.
func (l *Ledger) LockOwn(ctx context.Context, name, who string, wait time.Duration, now func() time.Time) (unlock func(), err error) {
	return l.db.Lock(ctx, database.Locks{State: l.o.State, Of: l.origin}, "."+name, who, wait, now)
}

// HoldOwn is LockOwn for what is held for long: still says that it is held no more, because the
// connection to PostgreSQL was lost.
func (l *Ledger) HoldOwn(ctx context.Context, name, who string, wait time.Duration, now func() time.Time) (unlock func(), still func(context.Context) error, err error) {
	return l.db.LockFor(ctx, database.Locks{State: l.o.State, Of: l.origin}, "."+name, who, wait, now)
}

// LockHere is LockOwn for what is of this computer alone, also where hosts share a
// ledger: a drive.
func (l *Ledger) LockHere(ctx context.Context, name, who string, wait time.Duration, now func() time.Time) (unlock func(), err error) {
	return l.db.Lock(ctx, database.Locks{State: l.o.State, Alone: true}, "."+name, who, wait, now)
}

// Origin names the holdings whose ledger it is.
func (l *Ledger) Origin() string { return l.origin }

// OriginAt reads the origin of the ledger in a file without changing anything.
func OriginAt(ctx context.Context, path string) (origin string, err error) {
	err = database.Peek(ctx, path, `SELECT origin FROM log_head`, &origin)
	return origin, err
}

// State is the folder of the key and the locks.
func (l *Ledger) State() string { return l.o.State }

// Rules are those the ledger judges by: those of Options, without the stores that were
// retired.
func (l *Ledger) Rules() care.Rules { return l.o.Rules }

// Migrations are the steps of the schema, in a folder for each database.
func Migrations() fs.FS {
	files, _ := fs.Sub(migrations, "migrations") // the name is valid
	return files
}

func (l *Ledger) prepare(ctx context.Context) error {
	if err := l.db.Migrate(ctx, Migrations(), l.o.State, l.o.By, l.o.Now); err != nil {
		return err
	}
	var err error
	if l.schema, err = l.db.SchemaVersion(ctx); err != nil {
		return err
	}
	err = l.db.Ask(ctx, `SELECT origin FROM log_head`, nil, &l.origin)
	if err == nil {
		if err := l.stateOnce(ctx); err != nil {
			return err
		}
		return l.owed(ctx)
	}
	if !errors.Is(err, fixity.ErrNotFound) {
		return err
	}
	id := NewID()
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
		if begun, err := t.record.Begin(id); err != nil || !begun {
			return err
		}
		l.origin = record.OriginOf(id)
		k, err := l.Key()
		if err != nil {
			return err
		}
		return t.record.Begun(id, k)
	})
	if err != nil {
		return err
	}
	return l.db.Ask(ctx, `SELECT origin FROM log_head`, nil, &l.origin)
}

// stateOnce states what is in a ledger that an earlier version began.
func (l *Ledger) stateOnce(ctx context.Context) error {
	var asked int64
	if err := l.db.Ask(ctx, `SELECT count(*) FROM stated WHERE id = 0`, nil, &asked); err != nil || asked == 0 {
		return err
	}
	return l.Tx(ctx, l.o.Now, func(t *Tx) error { return t.record.StateOnce() })
}

// owed does once what migrations ask for and SQL can't do. Each is one transaction with the
// mark that it is owed: after a kill it is done anew. What can wait does so until the next
// opening while another process writes.
func (l *Ledger) owed(ctx context.Context) error {
	for _, x := range []struct {
		mark string
		do   func(*Tx) error
		must bool
	}{{"files to count", (*Tx).CountAnew, true}, {"readings to range", func(t *Tx) error { return t.record.RangeReadings() }, true}, {"notes to judge", func(t *Tx) error { return t.Findings.judgeNotes() }, false}} {
		if x.mark == "notes to judge" && len(l.o.Rules.Sets) == 0 {
			continue // nobody knows what is a master, nor where it arrived
		}
		const query = `SELECT count(*) FROM counter WHERE name = $1`
		var owed int64
		if err := l.db.Ask(ctx, query, []any{x.mark}, &owed); err != nil {
			return err
		}
		if owed == 0 {
			continue
		}
		err := l.Tx(ctx, l.o.Now, func(t *Tx) error {
			if err := t.row(query, []any{x.mark}, &owed); err != nil || owed == 0 {
				return err
			}
			if err := x.do(t); err != nil {
				return fmt.Errorf("%s: %w", x.mark, err)
			}
			_, err := t.exec(`DELETE FROM counter WHERE name = $1`, x.mark)
			return err
		})
		if err != nil && (x.must || !errors.Is(err, fixity.ErrBusy)) {
			return err
		}
	}
	return nil
}

// NewID is a random identity for holdings or a store: 32 hexadecimal digits.
func NewID() string {
	var b [16]byte
	_, _ = rand.Read(b[:]) // never fails (crypto/rand)
	return hex.EncodeToString(b[:])
}
