package ledger

import (
	"context"
	"fmt"
	"io"
	"time"

	"firmus/fixity/ledger/database"
	"firmus/fixity/ledger/mlog"
	"firmus/fixity/ledger/record"
)

// What of the record is seen by who has a ledger.
type (
	Event      = record.Event
	Verified   = record.Verified
	Seal       = record.Seal
	Key        = record.Key
	Gathered   = record.Gathered
	Lost       = record.Lost
	Line       = record.Line
	Rebuilding = record.Rebuilding
)

// Likewise.
var (
	ErrRewritten     = record.ErrRewritten
	ErrOtherHoldings = record.ErrOtherHoldings
	ErrDiverged      = record.ErrDiverged
	ErrFuller        = record.ErrFuller
	NotVouched       = record.NotVouched
	ReadSeal         = record.ReadSeal
	GatherEvents     = record.GatherEvents
	EventText        = record.EventText
	ParseLine        = record.ParseLine
)

// Verify reads the whole record and holds what the ledger knows against it: see
// record.Log.Verify.
func (l *Ledger) Verify(ctx context.Context) (v Verified, err error) {
	err = l.View(ctx, func(t *Tx) error { v, err = t.Log.Verify(ctx); return err })
	return v, err
}

// CheckAgainst says whether today's record is a continuation of an earlier checkpoint: see
// record.Log.CheckAgainst.
func (l *Ledger) CheckAgainst(ctx context.Context, checkpoint []byte, k Key) (c mlog.Checkpoint, err error) {
	err = l.View(ctx, func(t *Tx) error { c, err = t.Log.CheckAgainst(checkpoint, k); return err })
	return c, err
}

// Checkpoint is the record's state of now, signed.
func (l *Ledger) Checkpoint(ctx context.Context, k Key) (text []byte, err error) {
	err = l.View(ctx, func(t *Tx) error { text, err = t.Log.Checkpoint(k); return err })
	return text, err
}

// Prove makes a proof, checkable by a stranger, that event seq is in the record.
func (l *Ledger) Prove(ctx context.Context, k Key, seq int64) (p mlog.Proof, err error) {
	err = l.View(ctx, func(t *Tx) error { p, err = t.Log.Prove(k, seq); return err })
	return p, err
}

// GoesOnFrom says whether this ledger knows all that one with this seal knew: see
// record.Log.GoesOnFrom.
func (l *Ledger) GoesOnFrom(ctx context.Context, s Seal) error {
	return l.View(ctx, func(t *Tx) error { return t.Log.GoesOnFrom(s) })
}

// Key reads the signing key, or makes one.
func (l *Ledger) Key() (k Key, err error) {
	if err = l.Here(); err == nil {
		k, err = record.ReadKey(l.o.State, l.origin)
	}
	if err != nil {
		return Key{}, fmt.Errorf("key of the record: %w", err)
	}
	return k, nil
}

// NoteKey records that a key signs from now on, if the record doesn't say so yet.
func (l *Ledger) NoteKey(ctx context.Context, now time.Time, k Key) error {
	known := false
	if err := l.View(ctx, func(t *Tx) (err error) { known, err = t.Log.Knows(k); return err }); err != nil || known {
		return err
	}
	return l.Tx(ctx, now, func(t *Tx) error { return t.record.NoteKey(k) })
}

// ImportEvents makes the events of a lost ledger this one's record: see record.Tx.Import.
// lines are event files in whatever order, one event a line.
func (l *Ledger) ImportEvents(ctx context.Context, now time.Time, lines io.Reader, by string) (n int64, err error) {
	g, err := GatherEvents(lines)
	if err != nil {
		return 0, err
	}
	return g.Events, l.Import(ctx, now, g, by)
}

// Import is ImportEvents with events that were gathered, and with other copies of the event
// files, whose numbers aren't given again either.
func (l *Ledger) Import(ctx context.Context, now time.Time, g Gathered, by string, more ...Gathered) error {
	if err := l.Tx(ctx, now, func(t *Tx) error {
		if err := t.record.Import(g, by, more...); err != nil {
			return err
		}
		return t.Levels.fromRecord()
	}); err != nil {
		return err
	}
	return l.db.Ask(ctx, `SELECT origin FROM log_head`, nil, &l.origin)
}

// Begun says whether there is a ledger already, of whatever schema. It makes and
// changes nothing.
func Begun(ctx context.Context, o Options) (bool, error) {
	if database.Fresh(o.place()) {
		return false, nil
	}
	if o.URL == "" {
		return true, nil // what is wrong with the file is for Open to say
	}
	db, err := database.Open(o.place())
	if err != nil {
		return false, err
	}
	defer db.Close()
	var heads int64
	has, err := db.HasTable(ctx, "log_head")
	if err == nil && has {
		err = db.Ask(ctx, `SELECT count(*) FROM log_head`, nil, &heads)
	}
	if err != nil {
		return false, fmt.Errorf("ledger %s: %w", db.Where(), db.Translate(err))
	}
	return heads > 0, nil
}
