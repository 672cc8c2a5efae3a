package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger/database"
	"firmus/fixity/ledger/record"
)

// Tx is a transaction, with a room for each thing that is asked of the ledger. It may
// be used from one goroutine only.
type Tx struct {
	rooms

	l      *Ledger
	record *record.Tx
	q      *database.Tx
	now    time.Time
	tally  map[tallyKey]tallyDelta
	days   map[string]dayDelta // by store
	owed   map[folderKey]bool  // manifests that no longer say what they should
	second string              // who confirmed what is done here; "" if nobody had to
	rules  *care.Rules         // with volumes, once they were looked up

	judged map[int64]judging // files whose findings were judged
	same   map[string][]Copy // by digest, which copies were found to have the bytes
	before map[int64]filed   // what the files added to the counts that it may change
	fresh  map[int64]*fresh  // those of them that it took under care, and what they add now
	ages   map[ageKey]int64  // by how much the counts by age change
	taken  map[int64]int64   // when files were taken under care, as far as that was asked for

	filling map[care.RootOf]time.Time // sets that are being filled, once they were looked up
}

type tallyKey struct {
	store, set string
	state      fixity.State
}
type tallyDelta struct{ files, bytes int64 }
type dayDelta struct{ read, bytes, findings int64 }

// Apart is by how much clocks may differ that are taken for right.
const Apart = time.Minute

// ErrClock says that the clock of this computer is wrong, or that of the database's computer. It
// matches fixity.ErrRefused.
var ErrClock = fmt.Errorf("one of the two is wrong, and nothing is recorded until it is set right: %w", fixity.ErrRefused)

// ClockError says by how much a clock is apart from the database's. It matches ErrClock.
type ClockError struct{ Ahead time.Duration }

func (e *ClockError) Error() string {
	is := "ahead of"
	if e.Ahead < 0 {
		is = "behind"
	}
	return fmt.Sprintf("the clock of this computer is %s %s that of the database's computer: %v", e.Ahead.Abs().Round(time.Second), is, ErrClock)
}

// Unwrap gives ErrClock.
func (e *ClockError) Unwrap() error { return ErrClock }

// Untimed is Tx for what bears no time that anybody goes by: also who has a wrong clock records it.
func (l *Ledger) Untimed(ctx context.Context, now time.Time, fn func(*Tx) error) error {
	return l.tx(ctx, l.db.Write, now, fn)
}

// timed is write, and refuses while the clock is wrong.
func (l *Ledger) timed(write func(context.Context, func(*database.Tx) error) error, now time.Time) func(context.Context, func(*database.Tx) error) error {
	if l.o.Clock == nil {
		return write
	}
	return func(ctx context.Context, fn func(*database.Tx) error) error {
		before := l.o.Clock()
		return write(ctx, func(q *database.Tx) error {
			if at := q.At(); !at.IsZero() {
				// The database looked at its clock between two looks at this one.
				ahead, behind := max(before.Sub(at), now.Sub(at)), l.o.Clock().Sub(at)
				if ahead > Apart {
					return &ClockError{ahead}
				}
				if behind < -Apart {
					return &ClockError{behind}
				}
			}
			return fn(q)
		})
	}
}

// Tx runs fn in a write transaction that carries the time now. Whatever fn
// recorded is committed with its events, or nothing is.
func (l *Ledger) Tx(ctx context.Context, now time.Time, fn func(*Tx) error) error {
	return l.tx(ctx, l.timed(l.db.Write, now), now, fn)
}

// soon is Tx for what a power cut may take back.
func (l *Ledger) soon(ctx context.Context, now time.Time, fn func(*Tx) error) error {
	return l.tx(ctx, l.timed(l.db.WriteSoon, now), now, fn)
}

func (l *Ledger) tx(ctx context.Context, write func(context.Context, func(*database.Tx) error) error, now time.Time, fn func(*Tx) error) error {
	var events []Event
	err := write(ctx, func(q *database.Tx) error {
		t := l.begin(q, now)
		if err := fn(t); err != nil {
			return err
		}
		if err := t.Findings.judgeSame(); err != nil {
			return fmt.Errorf("files with the same bytes: %w", err)
		}
		if err := errors.Join(t.flushTallies(), t.Copies.flushFiled(), t.Copies.flushAges()); err != nil {
			return fmt.Errorf("tallies: %w", err)
		}
		if err := t.Manifests.flushOwed(); err != nil {
			return fmt.Errorf("manifests that are owed: %w", err)
		}
		var err error
		events, err = t.record.End()
		return err
	})
	if err == nil && l.o.Committed != nil && len(events) > 0 {
		l.o.Committed(events)
	}
	return err
}

// begin is a transaction of the database as one of the ledger.
func (l *Ledger) begin(q *database.Tx, now time.Time) *Tx {
	now = now.UTC()
	return (&Tx{l: l, record: record.In(q, now, l.o.By, l.schema), q: q, now: now, tally: map[tallyKey]tallyDelta{}, days: map[string]dayDelta{}, owed: map[folderKey]bool{},
		judged: map[int64]judging{}, before: map[int64]filed{}, fresh: map[int64]*fresh{}, ages: map[ageKey]int64{}, taken: map[int64]int64{}}).furnished()
}

// View runs fn in a read transaction: all it sees is of one moment.
func (l *Ledger) View(ctx context.Context, fn func(*Tx) error) error {
	return l.db.View(ctx, func(q *database.Tx) error {
		return fn((&Tx{l: l, record: record.In(q, time.Time{}, l.o.By, l.schema), q: q}).furnished())
	})
}

// Now is the time the transaction carries.
func (t *Tx) Now() time.Time { return t.now }

// Event adds an event to the transaction; it is appended at its end.
func (t *Tx) Event(e Event) {
	if t.second != "" {
		e.Data = maps.Clone(e.Data)
		if e.Data == nil {
			e.Data = map[string]any{}
		}
		e.Data["confirmed_by"] = t.second
	}
	t.record.Event(e)
}

// exec runs a statement; the record tells of the rows that it changes.
func (t *Tx) exec(query string, args ...any) (int64, error) { return t.record.Exec(query, args...) }

// insert runs an insert for many rows, some at a time; into is its beginning, up to the columns.
func (t *Tx) insert(into string, rows [][]any) error { return database.Insert(into, "", rows, t.exec) }

func (t *Tx) row(query string, args []any, into ...any) error { return t.q.Row(query, args, into...) }

func (t *Tx) one(query string, args ...any) *sql.Row { return t.q.One(query, args...) }

func (t *Tx) rows(query string, args []any, scan func(*sql.Rows) error) error {
	return t.q.Rows(query, args, scan)
}

// row is what a scan reads its columns from: one that was asked for alone, or one of many.
type row interface{ Scan(...any) error }

// list is what a query gives, each row by one scan.
func list[T any](t *Tx, query string, args []any, scan func(row) (T, error)) (out []T, err error) {
	err = t.rows(query, args, func(r *sql.Rows) error {
		x, err := scan(r)
		out = append(out, x)
		return err
	})
	return out, err
}

// NextID takes the next number of a counter; the first is 1.
func (t *Tx) NextID(name string) (int64, error) { return t.nextIDs(name, 1) }

func (t *Tx) nextIDs(name string, n int64) (int64, error) { return t.q.NextIDs(name, n) }

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
		if k.state == fixity.Awaited && d.files < 0 {
			if err := t.Stores.arrive(k.store, k.set); err != nil {
				return err
			}
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
