package record

import (
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"golang.org/x/mod/sumdb/tlog"

	"firmus/fixity"
	"firmus/fixity/ledger/database"
	"firmus/fixity/ledger/mlog"
)

// Event is one leaf of the record. Seq and At are set when it is appended.
type Event struct {
	Seq     int64          `json:"seq"`
	At      time.Time      `json:"at"`
	Verb    fixity.Verb    `json:"verb"`
	By      string         `json:"by"`
	Store   string         `json:"store,omitempty"`
	Set     string         `json:"set,omitempty"`
	File    int64          `json:"file,omitempty"`
	Finding int64          `json:"finding,omitempty"`
	Audit   int64          `json:"audit,omitempty"`
	Reason  string         `json:"reason,omitempty"`
	Data    map[string]any `json:"data,omitempty"` // encoding/json writes its keys sorted

	leaf     []byte
	readings []int64 // rows of reading that the event accounts for
	statedBy
}

// Leaf is the event's bytes as they are hashed: JSON, one line.
func (e Event) Leaf() []byte { return e.leaf }

// hashReader reads stored hashes of the log, those of this transaction first.
type hashReader struct {
	t     *tx
	fresh map[int64]tlog.Hash
}

func (h hashReader) ReadHashes(idx []int64) ([]tlog.Hash, error) {
	out := make([]tlog.Hash, len(idx))
	for i, x := range idx {
		if f, ok := h.fresh[x]; ok {
			out[i] = f
			continue
		}
		var b []byte
		err := h.t.row(`SELECT hash FROM log_hash WHERE idx = $1`, []any{x}, &b)
		if errors.Is(err, fixity.ErrNotFound) {
			return nil, fmt.Errorf("stored hash %d is gone: %w", x, ErrRewritten)
		}
		if err != nil {
			return nil, fmt.Errorf("stored hash %d: %w", x, err)
		}
		if len(b) != tlog.HashSize {
			return nil, fmt.Errorf("stored hash %d has %d bytes: %w", x, len(b), ErrRewritten)
		}
		copy(out[i][:], b)
	}
	return out, nil
}

// append writes the transaction's events as leaves and moves the head.
func (t Log) append() error {
	if len(t.events) == 0 {
		return nil
	}
	var size int64
	if err := t.row(`UPDATE log_head SET size = size + $1 WHERE id = 1 RETURNING size`, []any{len(t.events)}, &size); err != nil {
		return err
	}
	size -= int64(len(t.events))
	hashes := hashReader{t.tx, map[int64]tlog.Hash{}}
	for i := range t.events {
		e := &t.events[i]
		e.Seq, e.At = size, t.now
		// The columns must be what is hashed, and JSON holds nothing but UTF-8.
		e.By, e.Store, e.Set, e.Reason = database.Text(e.By), database.Text(e.Store), database.Text(e.Set), database.Text(e.Reason)
		leaf, err := json.Marshal(e)
		if err != nil {
			return fmt.Errorf("event %d: %w", e.Seq, err)
		}
		e.leaf = leaf
		if err := t.appendLeaf(*e, hashes); err != nil {
			return err
		}
		for _, id := range e.readings {
			if _, err := t.exec(`UPDATE reading SET event = $1 WHERE id = $2`, e.Seq, id); err != nil {
				return err
			}
		}
		for _, id := range e.stated {
			if _, err := t.exec(`UPDATE stated SET event = $1 WHERE id = $2`, e.Seq, id); err != nil {
				return err
			}
		}
		size++
	}
	root, err := mlog.Root(size, hashes)
	if err != nil {
		return err
	}
	_, err = t.exec(`UPDATE log_head SET root = $1 WHERE id = 1`, root[:])
	return err
}

// appendLeaf writes an event that has its number and its leaf, and the hashes that
// it adds to the tree.
func (t Log) appendLeaf(e Event, hashes hashReader) error {
	if _, err := t.exec(`INSERT INTO event (seq, at, verb, by_name, store, set_name, file, finding, audit, reason, leaf)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`,
		e.Seq, nanos(e.At), string(e.Verb), e.By, e.Store, e.Set, e.File, e.Finding, e.Audit, e.Reason, e.leaf); err != nil {
		return err
	}
	add, err := mlog.Append(e.Seq, e.leaf, hashes)
	if err != nil {
		return err
	}
	at := tlog.StoredHashIndex(0, e.Seq)
	for i, h := range add {
		hashes.fresh[at+int64(i)] = h
		if _, err := t.exec(`INSERT INTO log_hash (idx, hash) VALUES ($1, $2)`, at+int64(i), h[:]); err != nil {
			return err
		}
	}
	return nil
}

const eventColumns = `seq, at, verb, by_name, store, set_name, file, finding, audit, reason, leaf`

func scanEvent(r interface{ Scan(...any) error }) (Event, error) {
	var e Event
	var at int64
	var verb string
	if err := r.Scan(&e.Seq, &at, &verb, &e.By, &e.Store, &e.Set, &e.File, &e.Finding, &e.Audit, &e.Reason, &e.leaf); err != nil {
		return Event{}, err
	}
	e.At, e.Verb = fromNanos(at), fixity.Verb(verb)
	return e, nil
}

// Told is the data that an event which was read has in its leaf; nil if it can't be read,
// which Verify says.
func (e Event) Told() map[string]any {
	var in Event
	if json.Unmarshal(e.leaf, &in) != nil {
		return nil
	}
	return in.Data
}

// Each calls each for the events from seq on, in order, at most n. each may ask
// the ledger: no cursor is open then.
func (t Log) Each(seq int64, n int, each func(Event) error) error {
	const page = 1000
	for n > 0 {
		got, err := t.where(`seq >= $1 ORDER BY seq LIMIT $2`, each, seq, min(n, page))
		if err != nil || len(got) < min(n, page) {
			return err
		}
		n -= len(got)
		seq = got[len(got)-1].Seq + 1
	}
	return nil
}

// Of calls each for the events about a file, in order, as Events does.
func (t Log) Of(file int64, each func(Event) error) error {
	_, err := t.where(`file = $1 AND file <> 0 ORDER BY seq`, each, file)
	return err
}

func (t Log) where(where string, each func(Event) error, args ...any) ([]Event, error) {
	var out []Event
	if err := t.rows(`SELECT `+eventColumns+` FROM event WHERE `+where, args, func(r *sql.Rows) error {
		e, err := scanEvent(r)
		out = append(out, e)
		return err
	}); err != nil {
		return nil, err
	}
	for _, e := range out {
		if err := each(e); err != nil {
			return out, err
		}
	}
	return out, nil
}

// Last is the newest event of a verb about a store; fixity.ErrNotFound if there is none.
func (t Log) Last(verb fixity.Verb, store string) (Event, error) {
	es, err := t.where(`verb = $1 AND store = $2 ORDER BY seq DESC LIMIT 1`, func(Event) error { return nil }, string(verb), store)
	if err == nil && len(es) == 0 {
		err = fixity.ErrNotFound
	}
	if err != nil {
		return Event{}, err
	}
	return es[0], nil
}

// LastAt is the latest time of all events, zero if there is none: a clock that was ahead for
// any number of them is told. Each command asks for it.
func (t Log) LastAt() (time.Time, error) {
	var at sql.NullInt64
	err := t.row(`SELECT max(at) FROM event`, nil, &at)
	return fromNanos(at.Int64), err
}

// Count is how many events the record has.
func (t Log) Count() (n int64, err error) {
	err = t.row(`SELECT size FROM log_head`, nil, &n)
	return n, err
}

// LeafAt is the hashed text of an event; fixity.ErrNotFound if the record ends before it.
func (t Log) LeafAt(seq int64) (leaf []byte, err error) {
	err = t.row(`SELECT leaf FROM event WHERE seq = $1`, []any{seq}, &leaf)
	return leaf, err
}

// LeafBytes are how many bytes all events have as lines of text.
func (t Log) LeafBytes() (n int64, err error) {
	err = t.row(`SELECT CAST(coalesce(sum(length(leaf) + 1), 0) AS BIGINT) FROM event`, nil, &n)
	return n, err
}
