package database

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"firmus/fixity"
)

// Tx is a transaction. It may be used from one goroutine only.
type Tx struct {
	ctx context.Context
	q   *sql.Tx
	at  time.Time
}

// At is when the transaction was begun, by the database's own clock, and before it waited for
// another writer; zero if it has none, or nothing may be written.
func (t *Tx) At() time.Time { return t.at }

// writerLock serialises writers on PostgreSQL, as SQLite does by itself: the log
// is one chain, and rows of a file are judged from what all stores hold.
const writerLock = 0x6669726d7573 // "firmus"

// Write runs fn in a transaction that may write, the only one at that time. What it
// wrote is committed whole, and lasts, or nothing is.
func (d *DB) Write(ctx context.Context, fn func(*Tx) error) error { return d.write(ctx, d.w, fn) }

// WriteSoon is Write for what a power cut may take back: it is whole or not there, and
// lasts from the next Write on. It saves a wait for the drive.
func (d *DB) WriteSoon(ctx context.Context, fn func(*Tx) error) error {
	if d.postgres {
		return d.Write(ctx, func(t *Tx) error {
			if _, err := t.Exec(`SET LOCAL synchronous_commit = off`); err != nil {
				return err
			}
			return fn(t)
		})
	}
	c, err := d.w.Conn(ctx)
	if err != nil {
		return fmt.Errorf("begin: %w", d.Translate(err))
	}
	defer c.Close()
	if _, err := c.ExecContext(ctx, `PRAGMA synchronous = NORMAL`); err != nil {
		return fmt.Errorf("begin: %w", d.Translate(err))
	}
	defer func() {
		if _, err := c.ExecContext(context.WithoutCancel(ctx), `PRAGMA synchronous = FULL`); err != nil {
			_ = c.Raw(func(any) error { return driver.ErrBadConn }) // the next one is opened as the DSN says
		}
	}()
	return d.write(ctx, c, fn)
}

type beginner interface {
	BeginTx(context.Context, *sql.TxOptions) (*sql.Tx, error)
}

func (d *DB) write(ctx context.Context, b beginner, fn func(*Tx) error) error {
	if err := d.Here(); err != nil {
		return err
	}
	q, err := b.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("begin: %w", d.Translate(err))
	}
	defer q.Rollback() // no effect after Commit
	t := &Tx{ctx: ctx, q: q}
	if d.postgres {
		set := ""
		if err := q.QueryRowContext(ctx, `SELECT set_config('lock_timeout', $1, true), clock_timestamp()`, strconv.FormatInt(d.o.Waiting.Milliseconds(), 10)).Scan(&set, &t.at); err != nil {
			return fmt.Errorf("begin: %w", d.Translate(err))
		}
		if _, err := q.ExecContext(ctx, `SELECT pg_advisory_xact_lock($1)`, int64(writerLock)); err != nil {
			return fmt.Errorf("begin: %w", d.Translate(err))
		}
	}
	if err := fn(t); err != nil {
		return d.Translate(err)
	}
	if err := q.Commit(); err != nil {
		return fmt.Errorf("commit: %w", d.Translate(err))
	}
	if err := d.Here(); err != nil {
		return fmt.Errorf("what was just written is not in it: %w", err)
	}
	return nil
}

// View runs fn in a transaction that only reads: all it sees is of one moment.
func (d *DB) View(ctx context.Context, fn func(*Tx) error) error {
	if err := d.Here(); err != nil {
		return err
	}
	opts := &sql.TxOptions{ReadOnly: true}
	if d.postgres {
		opts.Isolation = sql.LevelRepeatableRead
	}
	q, err := d.r.BeginTx(ctx, opts)
	if err != nil {
		return fmt.Errorf("begin: %w", d.Translate(err))
	}
	defer q.Rollback()
	return d.Translate(fn(&Tx{ctx: ctx, q: q}))
}

// Ask reads one row in no transaction; fixity.ErrNotFound if there is none.
func (d *DB) Ask(ctx context.Context, query string, args []any, into ...any) error {
	return notFound(d.r.QueryRowContext(ctx, query, args...).Scan(into...))
}

func notFound(err error) error {
	if errors.Is(err, sql.ErrNoRows) {
		return fixity.ErrNotFound
	}
	return err
}

// Exec runs a statement and says how many rows it concerned.
func (t *Tx) Exec(query string, args ...any) (int64, error) {
	r, err := t.q.ExecContext(t.ctx, query, Texts(args)...)
	if err != nil {
		return 0, fmt.Errorf("%s: %w", firstWords(query), err)
	}
	return r.RowsAffected()
}

// Row reads one row; fixity.ErrNotFound if there is none.
func (t *Tx) Row(query string, args []any, into ...any) error {
	switch err := notFound(t.One(query, args...).Scan(into...)); {
	case errors.Is(err, fixity.ErrNotFound):
		return err
	case err != nil:
		return fmt.Errorf("%s: %w", firstWords(query), err)
	}
	return nil
}

// One is for a query of at most one row, which is read at once.
func (t *Tx) One(query string, args ...any) *sql.Row {
	return t.q.QueryRowContext(t.ctx, query, Texts(args)...)
}

// Rows calls scan for each row and closes the cursor before it returns: none is
// open while a file is read.
func (t *Tx) Rows(query string, args []any, scan func(*sql.Rows) error) error {
	rs, err := t.q.QueryContext(t.ctx, query, Texts(args)...)
	if err != nil {
		return fmt.Errorf("%s: %w", firstWords(query), err)
	}
	defer rs.Close()
	for rs.Next() {
		if err := scan(rs); err != nil {
			return fmt.Errorf("%s: %w", firstWords(query), err)
		}
	}
	return rs.Err()
}

// NextIDs takes n numbers of a counter and gives the first; the first of all is 1.
func (t *Tx) NextIDs(name string, n int64) (int64, error) {
	var last int64
	err := t.Row(`INSERT INTO counter (name, value) VALUES ($1, $2)
		ON CONFLICT (name) DO UPDATE SET value = counter.value + $2 RETURNING value`, []any{name, n}, &last)
	return last - n + 1, err
}

// Text is s as a column of text can hold it: UTF-8 without NUL. Messages carry the
// names of files, which may be neither; PostgreSQL refuses such a text and with it
// the whole transaction.
func Text(s string) string {
	return strings.ReplaceAll(strings.ToValidUTF8(s, "\ufffd"), "\x00", "\ufffd")
}

// Texts makes Text of each argument that is a string.
func Texts(args []any) []any {
	for i, a := range args {
		if s, ok := a.(string); ok {
			args[i] = Text(s)
		}
	}
	return args
}

func firstWords(query string) string {
	f := strings.Fields(query)
	return strings.ToLower(strings.Join(f[:min(3, len(f))], " "))
}

// Nanos is a time as a column has it: nanoseconds since 1970 UTC, 0 for none. One before the
// year 1678 or after 2261, as a person may type it for always, is the first or the last that
// nanoseconds can tell.
func Nanos(t time.Time) int64 {
	switch first, last := time.Unix(0, math.MinInt64), time.Unix(0, math.MaxInt64); {
	case t.IsZero():
		return 0
	case t.Before(first):
		return math.MinInt64
	case t.After(last):
		return math.MaxInt64
	}
	return t.UnixNano()
}

// Time is a time from such a column.
func Time(n int64) time.Time {
	if n == 0 {
		return time.Time{}
	}
	return time.Unix(0, n).UTC()
}

// Bit is a truth as a column has it.
func Bit(b bool) int64 {
	if b {
		return 1
	}
	return 0
}
