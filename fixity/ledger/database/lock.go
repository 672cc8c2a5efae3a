package database

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"hash/fnv"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5/pgconn"

	"firmus/fixity"
	"firmus/fixity/ledger/private"
)

// Locks say where locks are: in the state folder of one ledger, whose name tells its locks
// from those of others in one database of PostgreSQL's. Alone are locks of this computer
// alone, also where hosts share a database. Shared are locks that many hold at once, while
// nobody has them alone.
type Locks struct {
	State, Of     string
	Alone, Shared bool
}

// Lock takes a lock that dies with the process which holds it. While another one does, it
// is tried again until wait is over; then the error is a *LockedError. who says who takes
// it. It is on the file state/locks/NAME, and on PostgreSQL a session lock besides.
func (d *DB) Lock(ctx context.Context, at Locks, name, who string, wait time.Duration, now func() time.Time) (unlock func(), err error) {
	unlock, _, err = d.LockFor(ctx, at, name, who, wait, now)
	return unlock, err
}

// LockFor is Lock; still says whether the lock is still held: a session of PostgreSQL's, and
// the lock with it, ends with its server. On SQLite it always is.
func (d *DB) LockFor(ctx context.Context, at Locks, name, who string, wait time.Duration, now func() time.Time) (unlock func(), still func(context.Context) error, err error) {
	// Here before a folder is made: where the state folder was may lie nothing.
	if err := d.Here(); err != nil {
		return nil, nil, fmt.Errorf("lock store %s: %w", name, err)
	}
	dir := filepath.Join(at.State, "locks")
	if err := private.MkdirAll(dir); err != nil {
		return nil, nil, fmt.Errorf("lock store %s: %w", name, err)
	}
	f, err := private.OpenFile(filepath.Join(dir, name), os.O_RDWR|os.O_CREATE)
	if err != nil {
		return nil, nil, fmt.Errorf("lock store %s: %w", name, err)
	}
	until := time.Now().Add(wait)
	try := tryLock
	if at.Shared {
		try = tryShare
	}
	for {
		holder := ""
		if err = try(f); err == nil {
			var release func()
			if release, still, holder, err = d.lockSession(ctx, at, name, who, time.Until(until)); err == nil {
				text := fmt.Sprintf("%s (process %d, since %s)\n", who, os.Getpid(), now().UTC().Format("2 Jan 2006 15:04:05 UTC"))
				_ = f.Truncate(0) // the text is for people; the lock is what counts
				_, _ = f.WriteAt([]byte(text), 0)
				return func() {
					release()
					_ = f.Truncate(0)
					unlockFile(f)
					f.Close()
				}, still, nil
			}
			unlockFile(f)
			if !errors.Is(err, fixity.ErrBusy) { // the database doesn't answer
				f.Close()
				return nil, nil, fmt.Errorf("lock store %s: %w", name, err)
			}
		} else if !isHeld(err) {
			f.Close()
			return nil, nil, fmt.Errorf("lock store %s: %w", name, err)
		} else {
			text, _ := os.ReadFile(f.Name())
			holder = strings.TrimSpace(string(text))
		}
		if !time.Now().Before(until) {
			f.Close()
			if holder == "" {
				holder = "another process"
			}
			return nil, nil, &LockedError{strings.TrimPrefix(name, "."), holder}
		}
		select {
		case <-ctx.Done():
			f.Close()
			return nil, nil, context.Cause(ctx)
		case <-time.After(100 * time.Millisecond):
		}
	}
}

// LockedError says who holds the lock on a store, since when. It matches fixity.ErrBusy.
type LockedError struct{ Name, Holder string }

func (e *LockedError) Error() string {
	return fmt.Sprintf("store %s is %v: %s works on it", e.Name, fixity.ErrBusy, e.Holder)
}

// Unwrap gives fixity.ErrBusy.
func (e *LockedError) Unwrap() error { return fixity.ErrBusy }

// lockSession takes PostgreSQL's session lock; nothing on SQLite, or where this computer is
// meant alone.
func (d *DB) lockSession(ctx context.Context, at Locks, name, who string, within time.Duration) (release func(), still func(context.Context) error, holder string, err error) {
	if !d.postgres || at.Alone {
		return func() {}, func(context.Context) error { return nil }, "", nil
	}
	c, err := d.locks.Conn(ctx)
	if err != nil {
		return nil, nil, "", err
	}
	key, shared := at.key(name), ""
	if at.Shared {
		shared = "_shared"
	}
	var got bool
	if err := c.QueryRowContext(ctx, `SELECT pg_try_advisory_lock`+shared+`($1)`, key).Scan(&got); err != nil {
		c.Close()
		return nil, nil, "", err
	}
	if !got && !at.Shared && within > 0 {
		// Many may share it, one after the other and for ever: who waits for it in the database's
		// own queue is let through before any that come later.
		if _, err = c.ExecContext(ctx, `SELECT set_config('lock_timeout', $1, false)`, strconv.FormatInt(max(within.Milliseconds(), 1), 10)); err == nil {
			_, err = c.ExecContext(ctx, `SELECT pg_advisory_lock($1)`, key)
		}
		var pe *pgconn.PgError
		if got = err == nil; !got && (!errors.As(err, &pe) || pe.Code != "55P03") {
			c.Close()
			return nil, nil, "", err
		}
	}
	if !got {
		// The name and the time are those of the session that holds it.
		var app string
		var since time.Time
		_ = c.QueryRowContext(ctx, holding, key).Scan(&app, &since)
		c.Close()
		if app != "" {
			holder = app + " (by the database, since " + since.UTC().Format("2 Jan 2006 15:04:05 UTC") + ")"
		}
		return nil, nil, holder, fixity.ErrBusy
	}
	_, _ = c.ExecContext(ctx, `SELECT set_config('application_name', $1, false)`, who)
	return func() {
			// The session ends with this, and would take the lock with it; said all the same,
			// as its end is not waited for.
			ctx, cancel := context.WithTimeout(context.Background(), answers)
			defer cancel()
			_, _ = c.ExecContext(ctx, `SELECT pg_advisory_unlock`+shared+`($1)`, key)
			c.Close()
		}, func(ctx context.Context) error {
			ctx, cancel := context.WithTimeout(ctx, answers)
			defer cancel()
			return c.PingContext(ctx)
		}, "", nil
}

// answers is how long a server that holds a lock may be silent: one that is cut off says
// nothing, and what asks it must not wait for that.
const answers = 5 * time.Second

// holding is who holds a session lock, and since when they are connected.
const holding = `SELECT a.application_name, a.backend_start FROM pg_locks l JOIN pg_stat_activity a ON a.pid = l.pid
	WHERE l.locktype = 'advisory' AND l.granted AND l.objsubid = 1 AND l.database = (SELECT oid FROM pg_database WHERE datname = current_database())
		AND ((l.classid::bigint << 32) | l.objid::bigint) = $1 LIMIT 1`

// key is the number by which PostgreSQL knows a lock.
func (at Locks) key(name string) int64 {
	h := fnv.New64a()
	fmt.Fprintf(h, "%s/%s", at.Of, name)
	return int64(h.Sum64())
}

// Held says whether a session of PostgreSQL's holds a lock, on whatever host, and who. On
// SQLite nobody is known to.
func (d *DB) Held(ctx context.Context, at Locks, name string) (held bool, holder string, err error) {
	if !d.postgres {
		return false, "", nil
	}
	var since time.Time
	err = d.r.QueryRowContext(ctx, holding, at.key(name)).Scan(&holder, &since)
	if errors.Is(err, sql.ErrNoRows) {
		return false, "", nil
	}
	return err == nil, holder, err
}

// Clock is what the clock of the database's computer says; the zero time on SQLite, which has
// none of its own.
func (d *DB) Clock(ctx context.Context) (now time.Time, err error) {
	if d.postgres {
		err = d.r.QueryRowContext(ctx, `SELECT clock_timestamp()`).Scan(&now)
	}
	return now, err
}

// LockState says that this process has the ledger of a state folder open. Many may share
// it; alone has it only who exchanges the ledger. It is not waited for: fixity.ErrBusy.
// It dies with the process.
func LockState(state string, alone bool) (unlock func(), err error) {
	dir := filepath.Join(state, "locks")
	if err := private.MkdirAll(dir); err != nil {
		return nil, fmt.Errorf("lock the ledger: %w", err)
	}
	f, err := private.OpenFile(filepath.Join(dir, ".open"), os.O_RDWR|os.O_CREATE)
	if err != nil {
		return nil, fmt.Errorf("lock the ledger: %w", err)
	}
	try := tryShare
	if alone {
		try = tryLock
	}
	if err := try(f); err != nil {
		f.Close()
		if !isHeld(err) {
			return nil, fmt.Errorf("lock the ledger: %w", err)
		}
		return nil, fmt.Errorf("the ledger in %s is %w: another process has it open", state, fixity.ErrBusy)
	}
	return func() { unlockFile(f); f.Close() }, nil
}
