package schedule

import (
	"context"
	"errors"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Book keeps the times that were taken.
type Book interface {
	// Last is the newest time of a store's that was taken, and when one was done
	// last; fixity.ErrNotFound if none was ever taken.
	Last(ctx context.Context, store string) (ledger.Firing, time.Time, error)
	// Take takes a new time, or one for another try, and gives it as it was taken; false
	// if somebody else has it.
	Take(ctx context.Context, f ledger.Firing, again bool) (ledger.Firing, bool, error)
	// End notes what a try has given, unless somebody else has taken the time since.
	End(ctx context.Context, f ledger.Firing, outcome, trouble string) error
}

// InLedger is the Book of a ledger, for one job.
type InLedger struct {
	Ledger *ledger.Ledger
	Job    string
	Now    func() time.Time
}

// Last implements Book.
func (b InLedger) Last(ctx context.Context, store string) (f ledger.Firing, done time.Time, err error) {
	err = b.Ledger.View(ctx, func(t *ledger.Tx) error {
		f, err = t.Clock.LastBy(b.Job, store, b.Now())
		if err != nil {
			return err
		}
		done, err = t.Clock.LastDone(b.Job, store)
		return err
	})
	return f, done, err
}

// Take implements Book.
func (b InLedger) Take(ctx context.Context, f ledger.Firing, again bool) (taken ledger.Firing, ok bool, err error) {
	f.Job = b.Job
	err = b.Ledger.Tx(ctx, b.Now(), func(t *ledger.Tx) error {
		if again {
			taken, ok, err = t.Clock.TryAgain(f)
		} else {
			taken, ok, err = t.Clock.Win(f)
		}
		return err
	})
	return taken, ok && err == nil, err
}

// keptFor is how long what has ended is kept.
const keptFor = 400 * 24 * time.Hour

// End implements Book.
func (b InLedger) End(ctx context.Context, f ledger.Firing, outcome, trouble string) error {
	f.Job = b.Job
	return b.Ledger.Tx(ctx, b.Now(), func(t *ledger.Tx) error {
		return errors.Join(t.Clock.End(f, outcome, trouble), t.Clock.ForgetBefore(b.Now().Add(-keptFor)))
	})
}

func never(err error) bool { return errors.Is(err, fixity.ErrNotFound) }
