// Package record keeps what was done: events in a Merkle tree that nobody rewrites
// unnoticed, the readings that they account for, and what the rows of the tables that the
// record vouches for held after each of them.
package record

import (
	"crypto/sha256"
	"database/sql"
	"fmt"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger/database"
	"firmus/fixity/ledger/mlog"
)

// emptyRoot is the root of a log without records: SHA-256 of nothing (RFC 6962, 2.1).
var emptyRoot = sha256.Sum256(nil)

// As the database has times.
var (
	nanos     = database.Nanos
	fromNanos = database.Time
)

// Log reads the record in a transaction.
type Log struct{ *tx }

// Tx is a transaction that writes: what it does to the tables that are vouched for is
// stated in its events.
type Tx struct{ Log }

type tx struct {
	q      *database.Tx
	now    time.Time
	by     string // who opened the ledger
	schema int64  // of the tables
	events []Event

	noted   []noted        // rows of vouched tables that it writes, in order
	notedAt map[string]int // which of them, by the beginning of its statement
}

// In is the record in a transaction that carries the time now; by is who opened the ledger,
// whose tables have a version of the schema.
func In(q *database.Tx, now time.Time, by string, schema int64) *Tx {
	return &Tx{Log{&tx{q: q, now: now, by: by, schema: schema}}}
}

// Exec runs a statement. One that writes to a vouched table, and of which the record can't
// tell the rows, is refused.
func (t *Tx) Exec(query string, args ...any) (int64, error) { return t.exec(query, args...) }

// Event adds an event; it is appended at the transaction's end.
func (t *Tx) Event(e Event) { t.events = append(t.events, e) }

// Next is the number that the next event gets which is added.
func (t *Tx) Next() (int64, error) {
	size, err := t.Count()
	return size + int64(len(t.events)), err
}

// End states what was written and appends the events, which it gives. The head of the log is
// the last row touched.
func (t *Tx) End() ([]Event, error) {
	if err := t.state(); err != nil {
		return nil, fmt.Errorf("record: %w", err)
	}
	if err := t.append(); err != nil {
		return nil, fmt.Errorf("record: %w", err)
	}
	return t.events, nil
}

// Begin begins a record for holdings; false if another process has begun it meanwhile.
func (t *Tx) Begin(holdings string) (bool, error) {
	n, err := t.exec(`INSERT INTO log_head (id, origin, size, root) VALUES (1, $1, 0, $2) ON CONFLICT DO NOTHING`, OriginOf(holdings), emptyRoot[:])
	if err != nil || n == 0 {
		return false, err
	}
	_, err = t.exec(`INSERT INTO holdings (id, begun) VALUES ($1, $2)`, holdings, nanos(t.now))
	return true, err
}

// Begun is the record's first event.
func (t *Tx) Begun(holdings string, k Key) error {
	t.Event(Event{Verb: fixity.LedgerBegun, By: t.by, Data: map[string]any{"holdings": holdings, "key": k.Public, "schema": t.schema}})
	return t.putKey(k.Public, 0)
}

// OriginOf is the name of the record of holdings.
func OriginOf(holdings string) string { return originPrefix + holdings }

const originPrefix = "firmus/"

func (t *tx) exec(query string, args ...any) (int64, error) {
	if err := t.note(query, database.Texts(args)); err != nil {
		return 0, err
	}
	n, err := t.q.Exec(query, args...)
	if err != nil {
		for i := range t.noted {
			t.noted[i].values = nil // what came of it must be read
		}
	}
	return n, err
}

func (t *tx) row(query string, args []any, into ...any) error { return t.q.Row(query, args, into...) }

func (t *tx) one(query string, args ...any) *sql.Row { return t.q.One(query, args...) }

func (t *tx) rows(query string, args []any, scan func(*sql.Rows) error) error {
	return t.q.Rows(query, args, scan)
}

func (t *tx) nextID(name string) (int64, error) { return t.q.NextIDs(name, 1) }

// head is the record as it is now.
func (t Log) head() (c mlog.Checkpoint, err error) {
	var root []byte
	err = t.row(`SELECT origin, size, root FROM log_head`, nil, &c.Origin, &c.Size, &root)
	copy(c.Root[:], root)
	return c, err
}
