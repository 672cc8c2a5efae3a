package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"os"
	"strings"
	"time"

	"firmus/fixity"
)

// LeafAt is the hashed text of an event; fixity.ErrNotFound if the record ends before it.
func (t *Tx) LeafAt(seq int64) (leaf []byte, err error) {
	err = t.row(`SELECT leaf FROM event WHERE seq = $1`, []any{seq}, &leaf)
	return leaf, err
}

// LeafBytes are how many bytes all events have as lines of text.
func (t *Tx) LeafBytes() (n int64, err error) {
	err = t.row(`SELECT CAST(coalesce(sum(length(leaf) + 1), 0) AS BIGINT) FROM event`, nil, &n)
	return n, err
}

// CheckPages asks the database itself whether its pages and indexes fit together, before
// anything else of it is believed. The error wraps ErrDamaged. PostgreSQL has tools of
// its own for that, and isn't asked.
func (l *Ledger) CheckPages(ctx context.Context) error {
	if l.postgres {
		return nil
	}
	rs, err := l.r.QueryContext(ctx, `PRAGMA integrity_check(3)`)
	if err != nil {
		return l.translate(err)
	}
	defer rs.Close()
	var said []string
	for rs.Next() {
		var s string
		if err := rs.Scan(&s); err != nil {
			return l.translate(err)
		}
		if s != "ok" {
			said = append(said, s)
		}
	}
	if err := rs.Err(); err != nil {
		return l.translate(err)
	}
	if len(said) > 0 {
		return fmt.Errorf("%w: %q", ErrDamaged, said)
	}
	return nil
}

// IsBeginning says whether what a seal is of is a beginning of this ledger's record.
func (l *Ledger) IsBeginning(ctx context.Context, s Seal) (yes bool, err error) {
	err = l.GoesOnFrom(ctx, s)
	switch {
	case err == nil, errors.Is(err, ErrFuller):
		return true, nil
	case errors.Is(err, ErrOtherHoldings), errors.Is(err, ErrDiverged):
		return false, nil
	}
	return false, err
}

// Restoring is what is known when a ledger is brought back from a backup.
type Restoring struct {
	From string // the backup
	By   string
	// Own are the event files of the lost ledger itself; nil if none are left.
	Own *Gathered
	// Others are event files in other places.
	Others []Gathered
	// Old is the file of the lost ledger's database, whose letters are looked at; "" if
	// it is gone. It must be a copy that may be changed.
	Old string
}

// Numbers go on behind those that may have been given after the backup: so far where
// nothing says how many those were. A letter's number is part of its Message-ID, by which
// mail programs know letters again.
const (
	jumpUnknown = 100
	jumpLetters = 1000
)

// Restored makes a ledger that was opened from a backup the ledger again: numbers that
// were given after the backup are not given again, letters that were sent are not sent
// again, and an event tells of it. It says what was lost.
func (l *Ledger) Restored(ctx context.Context, now time.Time, r Restoring) (lost Lost, err error) {
	sent := l.takeLetters(ctx, now, r.Old) == nil
	err = l.Tx(ctx, now, func(t *Tx) error {
		all := r.Others
		if r.Own != nil {
			all = append(all, *r.Own)
		}
		holdings, err := t.Holdings()
		if err != nil {
			return err
		}
		for _, g := range all {
			if g.Holdings != "" && g.Holdings != holdings {
				continue
			}
			x, err := g.lostFrom(t)
			if err != nil {
				return err
			}
			if x.Events > lost.Events {
				lost = x
			}
			if err := t.jump(g.numbers()); err != nil {
				return err
			}
		}
		if err := t.jumpOthers(lost.Events, r.Own == nil); err != nil {
			return err
		}
		if !sent {
			if _, err := t.exec(`UPDATE letter_to SET failed_at = $1, trouble = $2 WHERE sent_at = 0 AND failed_at = 0`, nanos(t.now),
				"it may have been sent before the ledger was restored; \"firmus check --mail\" has it tried again"); err != nil {
				return err
			}
		}
		data := map[string]any{"from": r.From, "lost": lost.Events}
		if lost.Events > 0 {
			data["first"], data["last"] = lost.First.UTC().Format(time.RFC3339), lost.Last.UTC().Format(time.RFC3339)
		}
		t.Event(Event{Verb: fixity.LedgerRestored, By: r.By, Data: data})
		return nil
	})
	return lost, err
}

// jumpOthers moves on the counters whose numbers stand in no event.
func (t *Tx) jumpOthers(lost int64, unknown bool) error {
	names := map[string]bool{"incident": true, "letter": true, "disc_check": true, "disc_decision": true}
	maps.Copy(names, counted) // one that was never given has no row yet
	if err := t.rows(`SELECT name FROM counter`, nil, func(r *sql.Rows) error {
		var n string
		err := r.Scan(&n)
		names[n] = true
		return err
	}); err != nil {
		return err
	}
	for n := range names {
		by := int64(0)
		if unknown {
			by = jumpUnknown
		}
		if !counted[n] {
			by += lost
		}
		if n == "letter" {
			by += jumpLetters
		}
		if by == 0 {
			continue
		}
		if _, err := t.exec(`INSERT INTO counter (name, value) VALUES ($1, $2) ON CONFLICT (name) DO UPDATE SET value = counter.value + $2`, n, by); err != nil {
			return err
		}
	}
	return nil
}

// takeLetters takes over what the lost ledger knew of its letters, if its file can still
// be read and is of this record: which were written, and which were sent. What it told of
// findings that this ledger doesn't have is left: nobody could end those matters.
func (l *Ledger) takeLetters(ctx context.Context, now time.Time, old string) error {
	if old == "" {
		return os.ErrNotExist
	}
	o, err := Open(ctx, Options{Path: old, State: l.o.State, Rules: l.o.Rules, Now: now, By: l.o.By, MustExist: true})
	if err != nil {
		return err
	}
	defer o.Close()
	var s Seal
	if err := l.View(ctx, func(t *Tx) error {
		var root []byte
		s.c.Origin = l.origin
		err := t.row(`SELECT size, root FROM log_head`, nil, &s.c.Size, &root)
		copy(s.c.Root[:], root)
		return err
	}); err != nil {
		return err
	}
	if yes, err := o.IsBeginning(ctx, s); err != nil || !yes {
		return fmt.Errorf("the lost ledger's record doesn't go on from the backup: %w", errors.Join(err, ErrDiverged))
	}
	var all []Delivery
	var told []Told
	var cursor LetterCursor
	if err := o.View(ctx, func(t *Tx) (err error) {
		if all, err = t.Deliveries(0); err != nil {
			return err
		}
		if told, err = t.Told(); err != nil {
			return err
		}
		cursor, err = t.LetterCursor()
		return err
	}); err != nil {
		return err
	}
	return l.Tx(ctx, now, func(t *Tx) error {
		newest := int64(0)
		for _, d := range all {
			if _, err := t.exec(`INSERT INTO letter (id, kind, thread, subject, message_id, refs, body, html, calendar, made_at) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)
				ON CONFLICT DO NOTHING`, d.Letter.ID, d.Letter.Kind, d.Letter.Thread, d.Letter.Subject, d.Letter.MessageID, strings.Join(d.Letter.Refs, " "),
				d.Letter.Text, d.Letter.HTML, d.Letter.Calendar, nanos(d.Letter.Made)); err != nil {
				return err
			}
			if _, err := t.exec(`INSERT INTO letter_to (letter, address, due_at, attempts, sent_at, failed_at, trouble) VALUES ($1, $2, $3, $4, $5, $6, $7)
				ON CONFLICT (letter, address) DO UPDATE SET due_at = $3, attempts = $4, sent_at = $5, failed_at = $6, trouble = $7`,
				d.Letter.ID, d.Address, nanos(d.Due), d.Attempts, nanos(d.Sent), nanos(d.Failed), d.Trouble); err != nil {
				return err
			}
			newest = max(newest, d.Letter.ID)
		}
		for _, x := range told {
			f, err := t.Finding(x.Finding)
			if errors.Is(err, fixity.ErrNotFound) || err == nil && f.Settled != "" {
				continue
			}
			if err != nil {
				return err
			}
			if err := t.PutTold(x); err != nil {
				return err
			}
		}
		from, err := t.LetterCursor()
		if err != nil {
			return err
		}
		if cursor.Weekly.After(from.Weekly) && cursor.Fills > 0 {
			size, err := t.EventCount()
			if err != nil {
				return err
			}
			cursor.Seq = min(cursor.Seq, size)
			if err := t.MoveLetterCursor(from, cursor); err != nil {
				return err
			}
		}
		return t.jump(map[string]int64{"letter": newest})
	})
}

// Prune makes sure that a database is one file with all that was committed: it moves what
// stands in the write-ahead log, and ends all connections.
func (l *Ledger) Prune(ctx context.Context) error {
	_, err := l.w.ExecContext(ctx, `PRAGMA wal_checkpoint(TRUNCATE)`)
	return errors.Join(err, l.Close())
}
