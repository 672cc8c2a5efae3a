package ledger

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"firmus/fixity"
)

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
		holdings, err := t.Stores.Holdings()
		if err != nil {
			return err
		}
		for _, g := range all {
			if g.Holdings != "" && g.Holdings != holdings {
				continue
			}
			x, err := g.LostFrom(t.Log.Log)
			if err != nil {
				return err
			}
			if x.Events > lost.Events {
				lost = x
			}
			if err := t.record.Jump(g); err != nil {
				return err
			}
		}
		if err := t.record.JumpOthers(lost.Events, r.Own == nil); err != nil {
			return err
		}
		if !sent {
			if _, err := t.exec(`UPDATE letter_to SET failed_at = $1, trouble = $2 WHERE sent_at = 0 AND failed_at = 0`, nanos(t.now),
				"it may have been sent before the ledger was restored; \"firmus check --mail\" has it tried again"); err != nil {
				return err
			}
		}
		if err := t.People.forgetAllSessions(); err != nil {
			return err
		}
		if err := t.CountAnew(); err != nil {
			return err
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
	if err := l.View(ctx, func(t *Tx) (err error) { s, err = t.Log.Seal(); return err }); err != nil {
		return err
	}
	if yes, err := o.IsBeginning(ctx, s); err != nil || !yes {
		return fmt.Errorf("the lost ledger's record doesn't go on from the backup: %w", errors.Join(err, ErrDiverged))
	}
	var all []Delivery
	var told []Told
	var cursor LetterCursor
	if err := o.View(ctx, func(t *Tx) (err error) {
		if all, err = t.Post.Deliveries(0); err != nil {
			return err
		}
		if told, err = t.Post.Told(); err != nil {
			return err
		}
		cursor, err = t.Post.Cursor()
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
			f, err := t.Findings.Get(x.Finding)
			if errors.Is(err, fixity.ErrNotFound) || err == nil && f.Settled != "" {
				continue
			}
			if err != nil {
				return err
			}
			if err := t.Post.PutTold(x); err != nil {
				return err
			}
		}
		from, err := t.Post.Cursor()
		if err != nil {
			return err
		}
		if cursor.Weekly.After(from.Weekly) && cursor.Fills > 0 {
			size, err := t.Log.Count()
			if err != nil {
				return err
			}
			cursor.Seq = min(cursor.Seq, size)
			if err := t.Post.MoveCursor(from, cursor); err != nil {
				return err
			}
		}
		return t.record.JumpTo(map[string]int64{"letter": newest})
	})
}
