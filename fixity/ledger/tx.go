package ledger

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/policy"
)

// emptyRoot is the root of a log without records: SHA-256 of nothing (RFC 6962, 2.1).
var emptyRoot = sha256.Sum256(nil)

// Tx is a transaction. Its methods may be used from one goroutine only.
type Tx struct {
	ctx    context.Context
	l      *Ledger
	q      *sql.Tx
	now    time.Time
	events []Event
	tally  map[tallyKey]tallyDelta
	days   map[string]dayDelta // by store
	owed   map[folderKey]bool  // manifests that no longer say what they should
	rules  *policy.Rules       // with volumes, once they were looked up

	noted   []noted         // rows of vouched tables that it writes, in order
	notedAt map[string]bool // by the beginning of their statements

	statements map[string]*statement // by their text
}

type tallyKey struct {
	store, set string
	state      fixity.State
}
type tallyDelta struct{ files, bytes int64 }
type dayDelta struct{ read, bytes, findings int64 }

// writerLock serialises writers on PostgreSQL, as SQLite does by itself: the log
// is one chain, and rows of a file are judged from what all stores hold.
const writerLock = 0x6669726d7573 // "firmus"

// Tx runs fn in a write transaction that carries the time now. Whatever fn
// recorded is committed with its events, or nothing is.
func (l *Ledger) Tx(ctx context.Context, now time.Time, fn func(*Tx) error) error {
	return l.tx(ctx, l.w, now, fn)
}

// soon is Tx for what a power cut may take back: it is whole or not there, and lasts
// from the next Tx on. It saves a wait for the drive.
func (l *Ledger) soon(ctx context.Context, now time.Time, fn func(*Tx) error) error {
	if l.postgres {
		return l.Tx(ctx, now, func(t *Tx) error {
			if _, err := t.exec(`SET LOCAL synchronous_commit = off`); err != nil {
				return err
			}
			return fn(t)
		})
	}
	c, err := l.w.Conn(ctx)
	if err != nil {
		return fmt.Errorf("begin: %w", l.translate(err))
	}
	defer c.Close()
	if _, err := c.ExecContext(ctx, `PRAGMA synchronous = NORMAL`); err != nil {
		return fmt.Errorf("begin: %w", l.translate(err))
	}
	defer func() {
		if _, err := c.ExecContext(context.WithoutCancel(ctx), `PRAGMA synchronous = FULL`); err != nil {
			_ = c.Raw(func(any) error { return driver.ErrBadConn }) // the next one is opened as the DSN says
		}
	}()
	return l.tx(ctx, c, now, fn)
}

type beginner interface {
	BeginTx(context.Context, *sql.TxOptions) (*sql.Tx, error)
}

func (l *Ledger) tx(ctx context.Context, b beginner, now time.Time, fn func(*Tx) error) error {
	if err := l.Here(); err != nil {
		return err
	}
	q, err := b.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("begin: %w", l.translate(err))
	}
	defer q.Rollback() // no effect after Commit
	t := &Tx{ctx: ctx, l: l, q: q, now: now.UTC(), tally: map[tallyKey]tallyDelta{}, days: map[string]dayDelta{}, owed: map[folderKey]bool{}}
	if l.postgres {
		if _, err := q.ExecContext(ctx, `SELECT set_config('lock_timeout', $1, true)`, strconv.FormatInt(l.o.Waiting.Milliseconds(), 10)); err != nil {
			return fmt.Errorf("begin: %w", l.translate(err))
		}
		if _, err := q.ExecContext(ctx, `SELECT pg_advisory_xact_lock($1)`, int64(writerLock)); err != nil {
			return fmt.Errorf("begin: %w", l.translate(err))
		}
	}
	if err := fn(t); err != nil {
		return l.translate(err)
	}
	if err := t.flushTallies(); err != nil {
		return fmt.Errorf("tallies: %w", l.translate(err))
	}
	if err := t.flushOwed(); err != nil {
		return fmt.Errorf("manifests that are owed: %w", l.translate(err))
	}
	if err := t.state(); err != nil {
		return fmt.Errorf("record: %w", l.translate(err))
	}
	// The head of the log is the last row touched.
	if err := t.appendEvents(); err != nil {
		return fmt.Errorf("record: %w", l.translate(err))
	}
	if err := q.Commit(); err != nil {
		return fmt.Errorf("commit: %w", l.translate(err))
	}
	if err := l.Here(); err != nil {
		return fmt.Errorf("what was just written is not in it: %w", err)
	}
	if l.o.Committed != nil && len(t.events) > 0 {
		l.o.Committed(t.events)
	}
	return nil
}

// View runs fn in a read transaction: all it sees is of one moment.
func (l *Ledger) View(ctx context.Context, fn func(*Tx) error) error {
	if err := l.Here(); err != nil {
		return err
	}
	opts := &sql.TxOptions{ReadOnly: true}
	if l.postgres {
		opts.Isolation = sql.LevelRepeatableRead
	}
	q, err := l.r.BeginTx(ctx, opts)
	if err != nil {
		return fmt.Errorf("begin: %w", l.translate(err))
	}
	defer q.Rollback()
	return l.translate(fn(&Tx{ctx: ctx, l: l, q: q}))
}

// Now is the time the transaction carries.
func (t *Tx) Now() time.Time { return t.now }

func (t *Tx) exec(query string, args ...any) (int64, error) {
	texts(args)
	if err := t.note(query, args); err != nil {
		return 0, fmt.Errorf("%s: %w", firstWords(query), err)
	}
	r, err := t.execute(query, args)
	if err != nil {
		return 0, fmt.Errorf("%s: %w", firstWords(query), err)
	}
	return r.RowsAffected()
}

func (t *Tx) row(query string, args []any, into ...any) error {
	err := t.one(query, texts(args)...).Scan(into...)
	if errors.Is(err, sql.ErrNoRows) {
		return fixity.ErrNotFound
	}
	if err != nil {
		return fmt.Errorf("%s: %w", firstWords(query), err)
	}
	return nil
}

// rows calls scan for each row and closes the cursor before it returns: none is
// open while a file is read.
func (t *Tx) rows(query string, args []any, scan func(*sql.Rows) error) error {
	rs, done, err := t.query(query, texts(args))
	if err != nil {
		return fmt.Errorf("%s: %w", firstWords(query), err)
	}
	defer done()
	for rs.Next() {
		if err := scan(rs); err != nil {
			return fmt.Errorf("%s: %w", firstWords(query), err)
		}
	}
	return rs.Err()
}

// text is s as a column of text can hold it: UTF-8 without NUL. Messages carry the
// names of files, which may be neither; PostgreSQL refuses such a text and with it
// the whole transaction.
func text(s string) string {
	return strings.ReplaceAll(strings.ToValidUTF8(s, "\ufffd"), "\x00", "\ufffd")
}

func texts(args []any) []any {
	for i, a := range args {
		if s, ok := a.(string); ok {
			args[i] = text(s)
		}
	}
	return args
}

func firstWords(query string) string {
	f := strings.Fields(query)
	return strings.ToLower(strings.Join(f[:min(3, len(f))], " "))
}

// NextID takes the next number of a counter; the first is 1.
func (t *Tx) NextID(name string) (int64, error) { return t.nextIDs(name, 1) }

// nextIDs takes n numbers and gives the first.
func (t *Tx) nextIDs(name string, n int64) (int64, error) {
	var last int64
	err := t.row(`INSERT INTO counter (name, value) VALUES ($1, $2)
		ON CONFLICT (name) DO UPDATE SET value = counter.value + $2 RETURNING value`, []any{name, n}, &last)
	return last - n + 1, err
}

// moved counts a copy from one state to another; "" is not there at all.
func (t *Tx) moved(store, set string, from, to fixity.State, fromBytes, toBytes int64) {
	add := func(s fixity.State, files, bytes int64) {
		if s == "" {
			return
		}
		k := tallyKey{store, set, s}
		d := t.tally[k]
		t.tally[k] = tallyDelta{d.files + files, d.bytes + bytes}
	}
	add(from, -1, -max(fromBytes, 0))
	add(to, 1, max(toBytes, 0))
}

func (t *Tx) flushTallies() error {
	keys := make([]tallyKey, 0, len(t.tally))
	for k := range t.tally {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, func(a, b tallyKey) int {
		return strings.Compare(a.store+"\x00"+a.set+"\x00"+string(a.state), b.store+"\x00"+b.set+"\x00"+string(b.state))
	})
	for _, k := range keys {
		d := t.tally[k]
		if d == (tallyDelta{}) {
			continue
		}
		if _, err := t.exec(`INSERT INTO tally (store, set_name, state, files, bytes) VALUES ($1, $2, $3, $4, $5)
			ON CONFLICT (store, set_name, state) DO UPDATE SET files = tally.files + $4, bytes = tally.bytes + $5`,
			k.store, k.set, string(k.state), d.files, d.bytes); err != nil {
			return err
		}
	}
	day := t.now.Format(time.DateOnly)
	stores := make([]string, 0, len(t.days))
	for s := range t.days {
		stores = append(stores, s)
	}
	slices.Sort(stores)
	for _, s := range stores {
		d := t.days[s]
		if _, err := t.exec(`INSERT INTO day (store, day, read, bytes, findings) VALUES ($1, $2, $3, $4, $5)
			ON CONFLICT (store, day) DO UPDATE SET read = day.read + $3, bytes = day.bytes + $4, findings = day.findings + $5`,
			s, day, d.read, d.bytes, d.findings); err != nil {
			return err
		}
	}
	return nil
}

func (t *Tx) countDay(store string, read, bytes, findings int64) {
	d := t.days[store]
	t.days[store] = dayDelta{d.read + read, d.bytes + bytes, d.findings + findings}
}
