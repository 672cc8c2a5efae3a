package app

import (
	"context"
	"fmt"
	"sync"
	"time"

	"firmus/cmd/firmus/internal/schedule"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// believedAfter is for how long a clock that is earlier than the record must stay so until it is
// taken for right, and the record's entries for those of a clock that was wrong. *Common
// practice*: a computer that is connected sets its clock within minutes.
const believedAfter = time.Hour

// oddClock is what a daemon knows of a clock that is earlier than the record.
type oddClock struct {
	mu    sync.Mutex
	since time.Time // zero: it isn't
}

// rightClock says why nothing is to be done by the clock: it is earlier than the record, and
// hasn't been so for long. What people order is done all the same. Where hosts share a ledger
// its database says which clock is wrong.
func (s *parts) rightClock(ctx context.Context) error {
	if s.a.Host != nil {
		return nil
	}
	odd, wrong, err := s.a.Acts.OddClock(ctx)
	if err != nil {
		return err
	}
	c := &s.odd
	c.mu.Lock()
	defer c.mu.Unlock()
	if odd == "" {
		if !c.since.IsZero() {
			s.log.Info("the clock and the record agree again")
		}
		c.since = time.Time{}
		return nil
	}
	if c.since.IsZero() {
		c.since = time.Now()
		s.log.Error("nothing is done by the clock", "why", odd)
	}
	if !wrong && time.Since(c.since) >= believedAfter {
		return nil
	}
	return fmt.Errorf("nothing is done by the clock: %s: %w", odd, fixity.ErrRefused)
}

// clocked is a Book that gives no time while the clock is odd.
type clocked struct {
	schedule.Book
	s *parts
}

// Last implements schedule.Book.
func (b clocked) Last(ctx context.Context, store string) (ledger.Firing, time.Time, error) {
	if err := b.s.rightClock(ctx); err != nil {
		return ledger.Firing{}, time.Time{}, err
	}
	return b.Book.Last(ctx, store)
}
