package acts

import (
	"context"
	"errors"
	"fmt"
	"time"

	"firmus/cmd/firmus/internal/schedule"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

const (
	// recordWithin is how long a check of the record may take.
	recordWithin = 6 * time.Hour
	// recordAgain is when one that could not be finished is tried again, and when one that
	// says nothing any more was cut off: no check is taken up.
	recordAgain = time.Hour
)

// IsBroken says of an error that the record, or the database that holds it, is not what
// was written.
func IsBroken(err error) bool {
	return errors.Is(err, ledger.ErrRewritten) || errors.Is(err, ledger.ErrDamaged)
}

// CheckRecord reads the whole record, holds it and what the ledger knows against each other,
// and notes in the ledger when that was and what came of it. IsBroken says whether its error
// is about the record; any other says why it could not be checked. It changes no event.
//
// A check that was cut off leaves a row that has not ended: the newest that has stands.
func (e Acts) CheckRecord(ctx context.Context) (ledger.Verified, error) {
	book := schedule.InLedger{Ledger: e.Ledger, Job: ledger.FiringVerify, Now: e.Now}
	f, won, err := book.Take(ctx, ledger.Firing{Due: e.Now(), By: e.By}, false)
	if err != nil {
		return ledger.Verified{}, fmt.Errorf("note that the record is being checked: %w", err)
	}
	if !won {
		return ledger.Verified{}, fmt.Errorf("the record is being checked: %w", fixity.ErrBusy)
	}
	var v ledger.Verified
	within, cancel := context.WithTimeout(ctx, recordWithin)
	defer cancel()
	if err = e.Ledger.CheckPages(within); err == nil {
		v, err = e.Ledger.Verify(within)
	}
	if err == nil {
		err = e.CheckCounts(within)
	}
	return v, e.noteCheck(ctx, book, f, err)
}

// NoteCheck notes what a check of the record that somebody made by hand came to, as
// CheckRecord does: else Today and the weekly letter would go on saying what an earlier one
// has found. err is what was found.
func (e Acts) NoteCheck(ctx context.Context, err error) error {
	book := schedule.InLedger{Ledger: e.Ledger, Job: ledger.FiringVerify, Now: e.Now}
	f, won, err2 := book.Take(ctx, ledger.Firing{Due: e.Now(), By: e.By}, false)
	switch {
	case err2 != nil:
		return errors.Join(err, fmt.Errorf("note what checking the record has shown: %w", err2))
	case !won:
		return err
	}
	return e.noteCheck(ctx, book, f, err)
}

// noteCheck ends a check with what it has found, and gives that.
func (e Acts) noteCheck(ctx context.Context, book schedule.InLedger, f ledger.Firing, err error) error {
	outcome, trouble := ledger.FiringDone, ""
	switch {
	case err == nil:
	case IsBroken(err):
		outcome, trouble = ledger.FiringBroken, err.Error()
	case ctx.Err() != nil:
		return err
	default:
		outcome, trouble = ledger.FiringFailed, err.Error()
	}
	keep, stop := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer stop()
	if err2 := book.End(keep, f, outcome, trouble); err2 != nil {
		err = errors.Join(err, fmt.Errorf("note what checking the record has shown: %w", err2))
	}
	return err
}

// CheckCounts counts all files and copies again and holds what the ledger keeps of that
// against it. If it isn't right it is counted anew; the error, which wraps
// ledger.ErrMiscounted, tells of it.
func (e Acts) CheckCounts(ctx context.Context) error {
	err := e.Ledger.CheckCounts(ctx)
	if !errors.Is(err, ledger.ErrMiscounted) {
		return err
	}
	if err2 := e.Ledger.CountAnew(ctx, e.Now()); err2 != nil {
		return errors.Join(err, fmt.Errorf("count anew: %w", err2))
	}
	return fmt.Errorf("%w; all files and copies were counted anew, and statements may have given wrong numbers until now", err)
}

// CheckRecordIfDue does so once a day, by the calendar of this computer. done is false if it
// isn't due, or goes on already.
func (e Acts) CheckRecordIfDue(ctx context.Context) (v ledger.Verified, done bool, err error) {
	var f ledger.Firing
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		f, err = t.Clock.Last(ledger.FiringVerify, "")
		return err
	}); err != nil && !errors.Is(err, fixity.ErrNotFound) {
		return v, false, err
	}
	now := e.Now()
	since := now.Sub(f.Tried).Abs() // a clock that was set back must not put it off for long
	switch {
	case f.Tried.IsZero():
	case f.Ended.IsZero() || f.Outcome == ledger.FiringFailed:
		if since < recordAgain {
			return v, false, nil
		}
	case f.Ended.Local().Format(time.DateOnly) == now.Local().Format(time.DateOnly):
		return v, false, nil
	}
	v, err = e.CheckRecord(ctx)
	if errors.Is(err, fixity.ErrBusy) {
		return v, false, nil
	}
	return v, true, err
}
