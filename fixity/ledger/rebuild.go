package ledger

import (
	"bufio"
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"io"
	"time"

	"golang.org/x/mod/sumdb/tlog"

	"firmus/fixity"
	"firmus/fixity/ledger/mlog"
)

// Snapshot writes a whole copy of the ledger into a file that isn't there yet. It
// works beside readers and writers. On PostgreSQL there is none: that has backups
// of its own, and the event files are complete.
func (l *Ledger) Snapshot(ctx context.Context, file string) (ok bool, err error) {
	if l.postgres {
		return false, nil
	}
	if _, err := l.w.ExecContext(ctx, `VACUUM INTO $1`, file); err != nil {
		return false, fmt.Errorf("snapshot of the ledger: %w", l.translate(err))
	}
	return true, nil
}

// maxLeaf is the longest event that is read back: some hundred bytes are usual.
const maxLeaf = 16 << 20

// ImportEvents makes the events of a lost ledger this one's record, so that the log
// goes on and earlier checkpoints still hold. lines are event files in order, one
// event a line. It is refused unless this ledger has just begun. The result lines
// of readings are not in event files; Verify says of how many events they lack.
func (l *Ledger) ImportEvents(ctx context.Context, now time.Time, lines io.Reader, by string) (n int64, err error) {
	if err := l.Tx(ctx, now, func(t *Tx) error {
		if n, err = t.importEvents(lines); err != nil {
			return err
		}
		t.Event(Event{Verb: fixity.LedgerRebuilt, By: by, Data: map[string]any{"events": n}})
		return nil
	}); err != nil {
		return 0, err
	}
	return n, l.r.QueryRowContext(ctx, `SELECT origin FROM log_head`).Scan(&l.origin)
}

func (t *Tx) importEvents(lines io.Reader) (int64, error) {
	var size, files int64
	if err := t.row(`SELECT size FROM log_head`, nil, &size); err != nil {
		return 0, err
	}
	if err := t.row(`SELECT count(*) FROM file`, nil, &files); err != nil {
		return 0, err
	}
	if size > 1 || files > 0 {
		return 0, fmt.Errorf("this ledger has begun its own record: %w", fixity.ErrRefused)
	}
	for _, q := range []string{`DELETE FROM event`, `DELETE FROM log_hash`} {
		if _, err := t.exec(q); err != nil {
			return 0, err
		}
	}
	next := int64(0)
	hashes := hashReader{t, map[int64]tlog.Hash{}}
	sc := bufio.NewScanner(lines)
	sc.Buffer(nil, maxLeaf)
	for sc.Scan() {
		var e Event
		if err := json.Unmarshal(sc.Bytes(), &e); err != nil {
			return 0, fmt.Errorf("event %d can't be read: %w", next, err)
		}
		if e.Seq < next {
			continue // twice in the files
		}
		if e.Seq > next {
			return 0, fmt.Errorf("event %d is lacking in the event files: %w", next, fixity.ErrRefused)
		}
		e.leaf = append([]byte(nil), sc.Bytes()...)
		if next == 0 {
			if err := t.takeOverRecord(e); err != nil {
				return 0, err
			}
		}
		if err := t.importEvent(e, hashes); err != nil {
			return 0, fmt.Errorf("event %d: %w", next, err)
		}
		next++
	}
	if err := sc.Err(); err != nil {
		return 0, fmt.Errorf("event files: %w", err)
	}
	if next == 0 {
		return 0, fmt.Errorf("the event files hold no event: %w", fixity.ErrRefused)
	}
	root, err := mlog.Root(next, hashes)
	if err != nil {
		return 0, err
	}
	_, err = t.exec(`UPDATE log_head SET size = $1, root = $2 WHERE id = 1`, next, root[:])
	return next, err
}

// takeOverRecord gives this ledger the identity of the lost one, by its first event.
func (t *Tx) takeOverRecord(first Event) error {
	id, _ := first.Data["holdings"].(string)
	if first.Verb != fixity.LedgerBegun || id == "" {
		return fmt.Errorf("the event files don't begin at the record's beginning: %w", fixity.ErrRefused)
	}
	if _, err := t.exec(`UPDATE holdings SET id = $1, begun = $2`, id, nanos(first.At)); err != nil {
		return err
	}
	_, err := t.exec(`UPDATE log_head SET origin = $1 WHERE id = 1`, originOf(id))
	return err
}

func (t *Tx) importEvent(e Event, hashes hashReader) error {
	if err := t.appendLeaf(e, hashes); err != nil {
		return err
	}
	// Numbers that the lost ledger gave are never given again.
	for name, n := range map[string]int64{"file": e.File, "finding": e.Finding, "audit": e.Audit} {
		if n > 0 {
			if _, err := t.exec(`INSERT INTO counter (name, value) VALUES ($1, $2)
				ON CONFLICT (name) DO UPDATE SET value = CASE WHEN counter.value < $2 THEN $2 ELSE counter.value END`, name, n); err != nil {
				return err
			}
		}
	}
	if s, _ := e.Data["root"].(string); s == "" {
		return nil
	}
	// The slice's result lines are gone with the ledger; its leaf still has their root.
	id, err := t.NextID("reading")
	if err != nil {
		return err
	}
	shard, _ := e.Data["shard"].(float64)
	_, err = t.exec(`INSERT INTO reading (id, audit, shard, event, n, lines) VALUES ($1, $2, $3, $4, -1, $5)`, id, e.Audit, int64(shard), e.Seq, []byte{})
	return err
}

// Empty says that nothing was ever taken in.
func (t *Tx) Empty() (bool, error) {
	var n int64
	err := t.row(`SELECT count(*) FROM file`, nil, &n)
	return n == 0, err
}

// Backup is the newest backup of the ledger on a store.
type Backup struct {
	Store   string
	At      time.Time
	Events  int64
	Bytes   int64
	Trouble string
}

// PutBackup notes a backup, or why there is none.
func (t *Tx) PutBackup(b Backup) error {
	if b.Trouble != "" {
		_, err := t.exec(`INSERT INTO backup (store, at, events, bytes, trouble) VALUES ($1, 0, 0, 0, $2)
			ON CONFLICT (store) DO UPDATE SET trouble = $2`, b.Store, b.Trouble)
		return err
	}
	_, err := t.exec(`INSERT INTO backup (store, at, events, bytes, trouble) VALUES ($1, $2, $3, $4, '')
		ON CONFLICT (store) DO UPDATE SET at = $2, events = $3, bytes = $4, trouble = ''`, b.Store, nanos(t.now), b.Events, b.Bytes)
	return err
}

// Backups are the newest on each store, by name.
func (t *Tx) Backups() ([]Backup, error) {
	var out []Backup
	err := t.rows(`SELECT store, at, events, bytes, trouble FROM backup ORDER BY store`, nil, func(r *sql.Rows) error {
		var b Backup
		var at int64
		err := r.Scan(&b.Store, &at, &b.Events, &b.Bytes, &b.Trouble)
		b.At = fromNanos(at)
		out = append(out, b)
		return err
	})
	return out, err
}
