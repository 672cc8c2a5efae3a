package acts

import (
	"context"
	"errors"
	"time"

	"firmus/cmd/firmus/internal/schedule"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// A visit is one and the same while the store is away no longer than sameVisit, and,
// for a daemon that finds it there when it starts, for a day.
const (
	sameVisit      = time.Hour
	sameVisitFirst = 24 * time.Hour
)

// Visited is what became of a visit.
type Visited struct {
	schedule.Result           // if it was read now
	Read            bool      // it was
	Before          time.Time // when it was read whole before, on this visit
	Again           bool      // it is to be tried again
}

// Visit reads a visiting store whole that is there, once a visit, and to its end after a
// kill. One that could not be read whole is read again when it comes again, however soon. first says that the daemon found it there when it started. begins is told before
// it is read. An error is that of the ledger: then it is to be tried again.
func (e Acts) Visit(ctx context.Context, store string, first bool, begins func()) (v Visited, err error) {
	book := schedule.InLedger{Ledger: e.Ledger, Job: ledger.FiringVisit, Now: e.Now}
	f, _, err := book.Last(ctx, store)
	known := err == nil
	if err != nil && !errors.Is(err, fixity.ErrNotFound) {
		return v, err
	}
	now := e.Now()
	same := sameVisit
	if first {
		same = sameVisitFirst
	}
	retry := known && f.Ended.IsZero()
	if known && f.Outcome == ledger.FiringDone && now.Sub(f.Ended).Abs() < same {
		return Visited{Before: f.Ended}, nil
	}
	if !retry {
		f = ledger.Firing{Store: store, Due: now.Truncate(time.Second), By: e.By}
	}
	f, won, err := book.Take(ctx, f, retry)
	if err != nil || !won {
		return v, err
	}
	begins()
	v = Visited{Result: e.Turn(ctx, store, true), Read: true}
	keep, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	err = book.End(keep, f, v.Outcome, v.Trouble)
	v.Again = v.Outcome == ledger.FiringBusy || v.Outcome == ledger.FiringStopped
	return v, err
}
