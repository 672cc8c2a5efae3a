package record

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"fmt"
	"strings"
)

// fold keeps, for each row that the record speaks of, what it said last: in a database
// of its own on the disk, that the system removes when it is closed, so that a million
// files need no memory. A line is kept as its hash; its event tells it again.
type fold struct {
	ctx   context.Context
	db    *sql.DB
	tx    *sql.Tx
	fresh []any // values that wait to be written, foldWidth to a row
}

// lastSaid is what the record said last of a row: in which event, -1 for none yet, and the
// line's hash; "" if the row is gone.
type lastSaid struct {
	seq  int64
	hash string
}

const (
	foldWidth = 4
	foldRows  = 200 // written or asked for at a time
)

func newFold(ctx context.Context) (*fold, error) {
	db, err := sql.Open("sqlite", "file:?_pragma=journal_mode(OFF)&_pragma=synchronous(OFF)&_pragma=cache_size(-65536)")
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1) // another connection would have another database
	f := &fold{ctx: ctx, db: db}
	if f.tx, err = db.BeginTx(ctx, nil); err == nil {
		_, err = f.tx.ExecContext(ctx, `CREATE TABLE said (row TEXT PRIMARY KEY, of TEXT NOT NULL, seq INTEGER NOT NULL, hash BLOB NOT NULL) WITHOUT ROWID`)
	}
	if err != nil {
		f.close()
		return nil, fmt.Errorf("a place to work out what the record says: %w", err)
	}
	return f, nil
}

func (f *fold) close() {
	if f.tx != nil {
		_ = f.tx.Rollback()
	}
	_ = f.db.Close()
}

// add takes a statement of an event; it counts instead of all earlier ones of its row.
func (f *fold) add(seq int64, line string) error {
	begin, of, there, err := splitStatement(line)
	if err != nil {
		return fmt.Errorf("event %d: %w: %w", seq, err, ErrRewritten)
	}
	h := []byte{}
	if there {
		h = lineHash(line)
	}
	if f.fresh = append(f.fresh, begin, of, seq, h); len(f.fresh) == foldRows*foldWidth {
		return f.flush()
	}
	return nil
}

func lineHash(line string) []byte {
	h := sha256.Sum256([]byte(line))
	return h[:16]
}

func (f *fold) flush() error {
	if len(f.fresh) == 0 {
		return nil
	}
	_, err := f.tx.ExecContext(f.ctx, `INSERT OR REPLACE INTO said (row, of, seq, hash) VALUES (?, ?, ?, ?)`+strings.Repeat(`, (?, ?, ?, ?)`, len(f.fresh)/foldWidth-1), f.fresh...)
	f.fresh = f.fresh[:0]
	return err
}

// forget begins again: what was said so far is of a ledger that is no more.
func (f *fold) forget() error {
	f.fresh = f.fresh[:0]
	_, err := f.tx.ExecContext(f.ctx, `DELETE FROM said`)
	return err
}

// of are what the record said last of some rows.
func (f *fold) of(begins []string) (map[string]lastSaid, error) {
	if err := f.flush(); err != nil {
		return nil, err
	}
	args := make([]any, len(begins))
	for i, b := range begins {
		args[i] = b
	}
	rs, err := f.tx.QueryContext(f.ctx, `SELECT row, seq, hash FROM said WHERE row IN (?`+strings.Repeat(`, ?`, len(begins)-1)+`)`, args...)
	if err != nil {
		return nil, err
	}
	defer rs.Close()
	out := make(map[string]lastSaid, len(begins))
	for rs.Next() {
		var row string
		var s lastSaid
		if err := rs.Scan(&row, &s.seq, &s.hash); err != nil {
			return nil, err
		}
		out[row] = s
	}
	return out, rs.Err()
}

// rows counts those of a table that should be there.
func (f *fold) rows(of string) (n int64, err error) {
	if err := f.flush(); err != nil {
		return 0, err
	}
	err = f.tx.QueryRowContext(f.ctx, `SELECT count(*) FROM said WHERE of = ? AND hash <> x''`, of).Scan(&n)
	return n, err
}

// after are the next rows of a table that should be there, in their order.
func (f *fold) after(of, row string) (begins []string, seqs []int64, err error) {
	rs, err := f.tx.QueryContext(f.ctx, `SELECT row, seq FROM said WHERE row > ? AND of = ? AND hash <> x'' ORDER BY row LIMIT ?`, row, of, foldRows)
	if err != nil {
		return nil, nil, err
	}
	defer rs.Close()
	for rs.Next() {
		var s string
		var n int64
		if err := rs.Scan(&s, &n); err != nil {
			return nil, nil, err
		}
		begins, seqs = append(begins, s), append(seqs, n)
	}
	return begins, seqs, rs.Err()
}
